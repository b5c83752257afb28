"""Tell each change of a simulated line as the kernel has it, with the time since boot: linewatch.py LINE PORT"""

import sys
import time

line, port = sys.argv[1:]
with open(f"/run/gpio/sim_gpio{line}/value") as value, open(port, "w", buffering=1) as wire:
    last = ""
    while True:
        value.seek(0)
        now = value.read(1)
        if now != last:
            wire.write(f"{time.monotonic():.3f} {now}\n")
            last = now
        time.sleep(0.01)

"""An oven behind the bus: the relay's line heats it, the converter's frame shows it. oven.py LINE

Below the driver: the level comes from the kernel's line, the frame goes into the bus's answer, a MAX31855's (its sheet:
temperature in steps of 0.25 K in bits 31..18, junction in steps of 0.0625 K in bits 15..4), with a converter's noise.
"""

import random
import sys
import time

ROOM_C = 22.0
HEATS_K_S = 5.0 / 60
LOSES_1_S = 1 / 2400.0

air_c = ROOM_C
last = time.monotonic()
with open(f"/run/gpio/sim_gpio{sys.argv[1]}/value") as value:
    while True:
        value.seek(0)
        heat = value.read(1) == "1"
        now = time.monotonic()
        air_c += (HEATS_K_S * heat - (air_c - ROOM_C) * LOSES_1_S) * (now - last)
        last = now
        shown = round((air_c + random.gauss(0, 0.2)) * 4) & 0x3FFF
        junction = round((ROOM_C + 2 + random.gauss(0, 0.05)) * 16) & 0xFFF
        frame = shown << 18 | junction << 4
        with open("/sys/module/bench_spi/parameters/reply", "w") as reply:
            reply.write(",".join(str(byte) for byte in frame.to_bytes(4, "big")))
        time.sleep(0.1)

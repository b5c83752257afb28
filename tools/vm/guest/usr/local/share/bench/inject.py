"""Send a signal and print the moment before it (time since boot): inject.py SIGNAL PID"""

import os
import signal
import sys
import time

name, pid = sys.argv[1:]
begun = time.monotonic()
os.kill(int(pid), getattr(signal, f"SIG{name}"))
print(f"{begun:.3f}")

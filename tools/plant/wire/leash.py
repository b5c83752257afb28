"""Runs a command that ends with its parent: the kernel sends it a signal when the parent dies, however that dies.

usage: python -I -S leash.py PARENT SIGNAL COMMAND...
"""

from __future__ import annotations

import ctypes
import os
import sys

PR_SET_PDEATHSIG = 1

if __name__ == "__main__":
    parent, signum, *command = sys.argv[1:]
    if ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, int(signum), 0, 0, 0) != 0:
        sys.exit(f"prctl: {os.strerror(ctypes.get_errno())}")
    # The parent may have died before the line above.
    if os.getppid() != int(parent):
        sys.exit("the parent is gone")
    os.execvp(command[0], command)

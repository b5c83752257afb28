"""python -m lastbubble: the same as the `lastbubble` command."""

import sys

from lastbubble.cli import main

if __name__ == "__main__":
    sys.exit(main())

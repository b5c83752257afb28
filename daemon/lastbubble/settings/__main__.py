"""`python -m lastbubble.settings guard|thermometer FILE`: one lean process's settings as one line of canonical JSON.

The guard and the thermometer import neither YAML nor pydantic; at their start they run this and read the line.
Exit code 0 and the line on stdout, or 1 and every fault on stderr.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from lastbubble.errors import BadInput


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m lastbubble.settings", description=__doc__)
    parser.add_argument("room", choices=("guard", "thermometer"))
    parser.add_argument("file", type=Path)
    args = parser.parse_args(argv)
    from lastbubble.settings import load_settings

    try:
        settings = load_settings(args.file)
        values = settings.guard_json() if args.room == "guard" else settings.thermometer_json()
    except BadInput as exc:
        print(exc, file=sys.stderr)
        return 1
    print(json.dumps(values, sort_keys=True, separators=(",", ":"), allow_nan=False))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Build the documentation site: `./tools/docs [FOLDER]` (default `site/`). Ends with 1 for a link that leads nowhere.

The pages are copied aside first, and one more is made there out of the program: `commands.md`, every command with its
options and examples. Needs no internet.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

from lastbubble.cli import COMMANDS, EXIT_CODES, command_parser, leaves

DOCS = Path(__file__).resolve().parents[1] / "docs"


def commands_page() -> str:
    """Every command as its `--help` prints it."""
    # Help wraps at the terminal's width; a page has one.
    os.environ["COLUMNS"] = "100"
    parts = [
        "# Commands\n",
        "Answers go to standard output, everything else to standard error; `--json` answers scripts. "
        f"{EXIT_CODES[0].upper()}{EXIT_CODES[1:]}.\n",
        "Numbers are shown in the units of the station's settings, and are typed with their unit.\n",
    ]
    for name in COMMANDS:
        parts.append(f"## {name}\n")
        for parser in leaves(command_parser(name)):
            if parser.prog != f"lastbubble {name}":
                parts.append(f"### {parser.prog.removeprefix('lastbubble ')}\n")
            parts.append(f"```text\n{parser.format_help().rstrip()}\n```\n")
    return "\n".join(parts)


def build(out: Path, docs: Path = DOCS, builder: str = "html") -> int:
    """Build the pages of `docs` into `out`; returns the builder's exit code (0: no warning at all)."""
    from sphinx.cmd.build import build_main

    with tempfile.TemporaryDirectory() as folder:
        pages = Path(folder) / "docs"
        shutil.copytree(docs, pages, ignore=shutil.ignore_patterns("__pycache__"))
        (pages / "commands.md").write_text(commands_page(), encoding="utf-8")
        words = ["-W", "--keep-going", "-q", "-b", builder, "-d", f"{folder}/doctrees", str(pages), str(out)]
        return int(build_main(words))


if __name__ == "__main__":
    sys.exit(build(Path(sys.argv[1] if len(sys.argv) > 1 else "site")))

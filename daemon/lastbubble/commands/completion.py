"""`lastbubble completion`: a script for the shell, made from the commands themselves."""

from __future__ import annotations

import argparse
from pathlib import Path

SUMMARY = "the script that lets a shell complete commands, options and files"

SHELLS = ("bash", "zsh", "tcsh")


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("shell", choices=SHELLS, help="whose")
    parser.epilog = (
        "examples:\n"
        "  lastbubble completion bash | sudo tee /etc/bash_completion.d/lastbubble\n"
        "  lastbubble completion zsh > ~/.zfunc/_lastbubble\n\n"
        "A new shell knows it. Make it anew after an upgrade."
    )


def run(args: argparse.Namespace) -> int:
    import shtab

    from lastbubble.cli import leaves, whole_parser

    parser = whole_parser()
    for one in leaves(parser):
        for action in one._actions:
            if action.type is Path:
                # The library's own mark for "a file goes here".
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    print(shtab.complete(parser, shell=args.shell))
    return 0

"""`lastbubble page`: the station page's password."""

from __future__ import annotations

import argparse
import getpass
import sys

SUMMARY = "make the password under which the page may be opened beyond this machine"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("act", choices=("password",), help="print what goes to page.password in the settings")
    parser.epilog = (
        "The password itself is not kept: only what is printed, from which it cannot be read.\n\n"
        "examples:\n  lastbubble page password\n  echo 'a long password' | lastbubble page password"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.outlets.page.auth import hash_password

    del args  # there is one act
    if sys.stdin.isatty():
        password = getpass.getpass("Password of the page: ")
        if getpass.getpass("Once more: ") != password:
            print("the two are not the same; nothing was made", file=sys.stderr)
            return 1
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    print(hash_password(password))
    return 0

"""A bar beside long work, on a terminal only: what goes into a file or another program stays clean."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

__all__ = ["progress"]


@contextmanager
def progress(total: float, what: str, out: TextIO | None = None) -> Iterator[Callable[[float, str], None]]:
    """Yields a function that is told how far the work is, in the unit of `total`, and a few words.

    out : standard error unless told; where that is no terminal nothing is drawn
    """
    out = sys.stderr if out is None else out
    if not out.isatty():
        yield _nothing
        return
    from tqdm import tqdm

    form = "{desc} {percentage:3.0f} % |{bar}| {elapsed}, {remaining} left {postfix}"
    with tqdm(total=total, desc=what, file=out, leave=False, bar_format=form, dynamic_ncols=True) as bar:

        def show(done: float, words: str) -> None:
            bar.n = min(done, total)
            bar.set_postfix_str(words, refresh=False)
            bar.refresh()

        yield show


def _nothing(done: float, words: str) -> None:
    del done, words

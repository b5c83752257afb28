"""Small parts that every page but the station page itself is made of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from html import escape

__all__ = ["head_html", "listed", "local_time", "section", "table"]


def head_html(station: str) -> str:
    """The station's name above a page."""
    return f'<header><p class="station">{escape(station)}</p></header>'


def section(ident: str, title: str, body: str) -> str:
    """A part with its heading; `body` is HTML."""
    return f'<section aria-labelledby="{ident}"><h2 id="{ident}">{escape(title)}</h2>{body}</section>'


def listed(texts: Sequence[str], cls: str = "") -> str:
    """A list of plain texts."""
    items = "".join(f"<li>{escape(str(text))}</li>" for text in texts)
    return f"<ul{f' class={chr(34)}{cls}{chr(34)}' if cls else ''}>{items}</ul>"


def table(label: str, heads: Sequence[str], rows: Sequence[Sequence[str]], cls: str = "") -> str:
    """Plain texts in a table that scrolls by itself on a narrow screen, by keyboard too."""
    top = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    lines = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="Table: {escape(label)}">'
        f"<table{f' class={chr(34)}{cls}{chr(34)}' if cls else ''}>"
        f"<thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table></div>"
    )


def local_time(utc: object) -> str:
    """A moment of the ledger as this machine's clock shows it: 2026-03-01 14:32; "" for none."""
    try:
        return f"{datetime.fromisoformat(str(utc)).astimezone():%Y-%m-%d %H:%M}"
    except ValueError:
        return ""

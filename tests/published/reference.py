"""Rows of the published tables in `shared/reference`; each file tells its sources in its first lines."""

from __future__ import annotations

import csv

from lastbubble.data import data_path

__all__ = ["rows"]


def rows(name: str) -> list[dict[str, str]]:
    """The rows of `shared/reference/<name>.csv`, its `#` lines left out."""
    with data_path("shared", f"reference/{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))

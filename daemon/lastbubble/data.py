"""Where the project's data files lie: beside the checkout's `daemon/`, or inside the installed package."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

__all__ = ["data_path"]


def data_path(folder: Literal["shared", "config", "systemd"], name: str = "") -> Path:
    """The path of a data file (or of its folder): `data_path("shared", "reference/type_k_emf.csv")`.

    Raises FileNotFoundError, naming both places, when it is in neither.
    """
    here = Path(__file__).resolve()
    places = (here.parents[2] / folder / name, here.parent / folder / name)
    for place in places:
        if place.exists():
            return place
    raise FileNotFoundError(f"{folder}/{name} is neither at {places[0]} nor at {places[1]}; reinstall the package")

"""The station's settings: one YAML file, checked, in SI.

`load_settings(path)` gives the `Settings`, or one SettingsError with every fault of the file: line, key, finding, what
is allowed, the mend. The rooms' own settings come out of it by `to_...` methods (`rooms.py`).

    source.py quantities.py messages.py    text -> values with lines; types; pydantic's findings -> sentences
    bench gauges ovens heat outlets models the keys, group by group
    contradictions.py                      rules over keys that are each allowed and cannot all be meant
    load.py show.py schema.py reference.py what is done with them
"""

from __future__ import annotations

from pathlib import Path

from lastbubble.settings.load import DEFAULT_FILE, Loaded, load, load_text
from lastbubble.settings.models import Settings

__all__ = ["DEFAULT_FILE", "Loaded", "Settings", "load", "load_settings", "load_text"]


def load_settings(path: Path) -> Settings:
    """Read and check one settings file. Raises SettingsError with all its faults."""
    return load(path).settings

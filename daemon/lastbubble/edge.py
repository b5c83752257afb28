"""How a command shows its numbers: as the station's settings say, also when it was not told where they are."""

from __future__ import annotations

from pathlib import Path

from lastbubble.units import Display

__all__ = ["display_of"]


def display_of(settings: Path | None) -> Display:
    """The station's own units: of `settings`, else of the usual file where it can be read, else degC and mbar.

    Raises SettingsError when settings that were named cannot be used.
    """
    from lastbubble.errors import SettingsError
    from lastbubble.settings import DEFAULT_FILE, load_settings

    if settings is not None:
        return load_settings(settings).to_display()
    try:
        return load_settings(DEFAULT_FILE).to_display()
    except SettingsError:
        # Nobody asked for this file; whoever looks for its faults asks `settings check`.
        return Display()

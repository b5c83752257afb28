"""Faults, injected below the real processes: `./tools/faults`. One file a kind of fault, one `Case` a row."""

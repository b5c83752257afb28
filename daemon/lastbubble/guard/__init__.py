"""The process that owns the relay's line."""

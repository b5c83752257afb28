"""The commands of `lastbubble`, one file a thing; `cli` finds them by name."""

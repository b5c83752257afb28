"""A log through the pipeline: the same object that runs live, fed by a file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from lastbubble.context import Context
from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Outlook, Record, Sample

__all__ = ["replay", "replay_with_outlook"]


def replay(context: Context, samples: Iterable[Sample]) -> Iterator[Record]:
    """The record stream of these samples, record by record as it is said.

    Raises whatever `samples` raises (a broken row), after the records of the rows before it; BadInput when
    times do not rise.
    """
    pipeline = Pipeline(context)
    for sample in samples:
        yield from pipeline.feed(sample)


def replay_with_outlook(
    context: Context, samples: Iterable[Sample], *, every_s: float
) -> Iterator[tuple[Sample, list[Record], Outlook | None]]:
    """Every sample with its records, and about every `every_s` seconds of the log what was made of it so far."""
    pipeline = Pipeline(context)
    due_s: float | None = None
    for sample in samples:
        records = pipeline.feed(sample)
        outlook = None
        if records or due_s is None or sample.time_s >= due_s:
            outlook = pipeline.outlook
            due_s = sample.time_s + every_s
        yield sample, records, outlook

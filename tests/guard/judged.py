"""Evidence built by hand for the judges' own tests, and what a finding has to be."""

from __future__ import annotations

import re

from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import Finding, Verdict
from lastbubble.guard.probe_evidence import ProbeEvidence
from lastbubble.guard.rules import SETTINGS

NOW_S = 5000.0


def evidence(*names: str, **limits: float) -> Evidence:
    """Evidence whose probes have read nothing, at NOW_S, begun an hour ago."""
    whole = {name: setting.default for name, setting in SETTINGS.items()} | limits
    probes = [ProbeEvidence(name, whole["limit_c"], name != "witness") for name in names or ("oven",)]
    seen = Evidence(probes, NOW_S - 3600, whole)
    seen.now_s = NOW_S
    return seen


def read(seen: Evidence, name: str, value_c: float | None, junction_c: float | None = 25.0) -> ProbeEvidence:
    """Let a probe stand at a value (None: it has never read)."""
    probe = next(probe for probe in seen.probes if probe.name == name)
    probe.value_c, probe.junction_c = value_c, junction_c
    if value_c is not None:
        probe.last_good_s = probe.last_frame_s = seen.now_s
    return probe


def is_content(finding: Finding) -> None:
    assert finding.verdict is Verdict.CONTENT, finding


def is_unknown(finding: Finding, text: str = "", source: str = "", reading: float | None = None) -> None:
    """Not surely: heat stays off, nothing is told to be wrong."""
    assert finding.verdict is Verdict.UNKNOWN, finding
    assert finding.source == source
    assert finding.reading == reading
    assert not text or finding.text == text, finding.text


def is_violated(finding: Finding, reading: float | None, source: str, *words: str, text: str = "") -> None:
    """With the reading that decided, its source, and a sentence that holds the words."""
    assert finding.verdict is Verdict.VIOLATED, finding
    if reading is None:
        assert finding.reading is None
    else:
        assert finding.reading is not None
        assert abs(finding.reading - reading) < 1e-6, finding
    assert finding.source == source
    assert not text or finding.text == text, finding.text
    for word in words:
        assert re.search(rf"(?<![\w.]){re.escape(word)}(?!\w)", finding.text), (word, finding.text)

"""Batch time rises over restarts and reboots."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from lastbubble.batch_time import LONGEST_GAP_S, BatchZero, boot_id, zero_after_restart

UTC0 = datetime(2026, 3, 1, 12, tzinfo=UTC)


def test_same_boot_keeps_the_zero() -> None:
    stored = BatchZero(100.0, "a")
    assert zero_after_restart(stored, 50.0, UTC0, 160.0, UTC0 - timedelta(days=30), "a") == (stored, "")


def test_a_reboot_goes_by_the_wall_clock() -> None:
    zero, note = zero_after_restart(BatchZero(100.0, "a"), 50.0, UTC0, 7.0, UTC0 + timedelta(minutes=20), "b")
    assert 7.0 - zero.now_s == 50.0 + 1200.0
    assert note == ""


def test_a_wall_clock_in_the_past_is_not_believed() -> None:
    zero, note = zero_after_restart(BatchZero(100.0, "a"), 50.0, UTC0, 7.0, UTC0 - timedelta(days=3), "b")
    assert 7.0 - zero.now_s == 51.0
    assert "unknown time" in note


@given(
    st.floats(0, 1e6),
    st.floats(0, 1e6),
    st.integers(-20 * 86400, 20 * 86400),
    st.booleans(),
    st.floats(-1e6, 1e6),
)
def test_time_always_goes_on_rising(last_s: float, now_s: float, wall_s: int, same: bool, zero_s: float) -> None:
    stored = BatchZero(zero_s, "a")
    zero, _ = zero_after_restart(stored, last_s, UTC0, now_s, UTC0 + timedelta(seconds=wall_s), "a" if same else "b")
    assert now_s - zero.now_s > last_s or zero == stored
    assert now_s - zero.now_s <= max(last_s + LONGEST_GAP_S + 1, now_s - zero_s)
    if zero == stored:
        assert now_s - stored.now_s > last_s


def test_this_boot_has_a_name() -> None:
    assert boot_id() == boot_id()

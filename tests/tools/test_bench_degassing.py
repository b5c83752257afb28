"""The chamber's bench itself: scores against hand-made streams, the cache, the gauges' table, and refusals."""

from __future__ import annotations

from pathlib import Path

import pytest

from lastbubble.context import Context
from lastbubble.records import Caution, Event, Forecast, Record, Sample, Stage
from tools import bench_degassing, bench_gauges, degassing_cases, degassing_score
from tools.degassing_cases import Case, Log


def scored(monkeypatch: pytest.MonkeyPatch, said: list[Record], **truth: object) -> degassing_score.Outcome:
    """What the score makes of this stream on a log of three hours."""

    class Says:
        def __init__(self, _context: Context) -> None:
            self.left = sorted(said, key=lambda record: record.t)

        def feed(self, sample: Sample) -> list[Record]:
            out = [record for record in self.left if record.t <= sample.time_s]
            self.left = self.left[len(out) :]
            return out

    monkeypatch.setattr(degassing_score, "Pipeline", Says)
    facts: dict[str, object] = {
        "law": "front",
        "fault": "",
        "pump_on_s": 100.0,
        "bubbles_stopped_s": 6000.0,
        "safe_s": 5900.0,
        "stages": [(0.0, "idle"), (100.0, "pump_down"), (200.0, "degassing"), (6000.0, "still"), (9000.0, "venting")],
        "warnings": {},
        "ends": {},
        "told": "",
        "step_pa": 1.0,
        "lift_last_hour_pa": 1.0,
    }
    samples = [Sample(float(t), chamber_pa=50.0) for t in range(0, 10000, 10)]
    return degassing_score.score(Log(Case(1, "fine"), Context(), samples, {**facts, **truth}))


def test_a_call_before_it_is_safe_is_early_and_detects_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    out = scored(monkeypatch, [Event(5800.0, "bubbles_stopped", 5700.0)])
    assert out.early == [5800.0]
    assert out.detected_s is None


def test_a_call_after_it_is_safe_is_measured_against_the_true_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    out = scored(monkeypatch, [Event(5000.0, "bubbles_stopped", 4900.0), Event(6600.0, "bubbles_stopped", 6120.0)])
    assert (out.early, out.detected_s, out.dated_s, out.flips) == ([5000.0], 6600.0, 6120.0, 1)


def test_a_batch_without_a_stop_only_has_early_calls(monkeypatch: pytest.MonkeyPatch) -> None:
    out = scored(monkeypatch, [Event(6600.0, "bubbles_stopped", 6120.0)], bubbles_stopped_s=None, safe_s=None)
    assert (out.early, out.judgeable) == ([6600.0], False)


def test_pinball_loss_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    out = scored(monkeypatch, [Forecast(4000.0, "bubbles_stopped", 5000.0, 5500.0, 7000.0)])
    told = out.forecasts[0]
    # 0.1 * 1000, 0.5 * 500, (1 - 0.9) * 1000, over three.
    assert told.loss_s == pytest.approx((100 + 250 + 100) / 3)
    assert (told.left_s, told.inside, told.width_s) == (2000.0, True, 2000.0)


def test_forecasts_after_the_stop_are_not_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    assert scored(monkeypatch, [Forecast(7000.0, "bubbles_stopped", 7100.0, 7200.0, 7300.0)]).forecasts == []


def test_cautions_are_right_only_between_their_cause_and_its_mend(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[Record] = [Caution(t, "vacuum_lost") for t in (2900.0, 3030.0, 3900.0)]
    out = scored(monkeypatch, said, warnings={"vacuum_lost": 3000.0}, ends={"vacuum_lost": 3300.0})
    assert out.right == {"vacuum_lost": [3030.0]}
    assert out.wrong == {"vacuum_lost": [2900.0, 3900.0]}


def test_a_pump_that_was_switched_off_may_be_said_to_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    out = scored(monkeypatch, [Caution(8100.0, "pump_stopped")], pump_off_under_vacuum_s=8000.0)
    assert (list(out.right), list(out.wrong)) == (["pump_stopped"], [])


def test_stages_as_they_stood_and_as_they_were_dated(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[Record] = [
        Stage(0.0, "idle"), Stage(200.0, "pump_down", 100.0), Stage(300.0, "degassing", 200.0),
        Stage(7000.0, "still", 7000.0), Event(7000.0, "bubbles_stopped", 6000.0), Stage(9000.0, "venting", 9000.0),
    ]  # fmt: skip
    out = scored(monkeypatch, said)
    assert out.stage_dated == pytest.approx(1.0, abs=2e-3)
    # A hundred seconds late twice, a thousand once, of 9990.
    assert out.stage_live == pytest.approx(1 - 1200 / 9990, abs=3e-3)


def test_a_log_comes_back_from_the_cache_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(degassing_cases, "_folder", lambda: tmp_path)
    case = Case(6, "medium", True, "vented_early")
    made = degassing_cases.fetch(case)
    monkeypatch.setattr(degassing_cases, "simulate", None)
    again = degassing_cases.fetch(case)
    assert again.samples == made.samples
    assert again.context == made.context
    assert any(sample.marks for sample in again.samples)


@pytest.mark.parametrize("args", [["--seeds", "4990:5010"], ["--seeds", "9"], ["--tune", "--write", "x.md"]])
def test_what_cannot_be_asked_is_refused(args: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as gone:
        bench_degassing.main(args)
    assert gone.value.code == 2
    assert "5000" in capsys.readouterr().err


def test_a_page_keeps_its_words_around_the_tables(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("before\n<!-- tables begin -->\nold\n<!-- tables end -->\nafter\n", encoding="utf-8")
    bench_degassing.write(page, ["new"])
    text = page.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("\nafter\n")
    assert "new" in text
    assert "old" not in text


def test_a_finer_gauge_or_more_bubbles_never_show_less() -> None:
    chamber = bench_gauges.CHAMBERS[1][1:]
    for _, rate in bench_gauges.LOADS:
        pumped = [bench_gauges.shown(*chamber, rate, step).pumped for _, step in bench_gauges.GAUGES]
        assert pumped == sorted(pumped, reverse=True)
    for _, step in bench_gauges.GAUGES:
        shut = [bench_gauges.shown(*chamber, rate, step).isolated for _, rate in bench_gauges.LOADS]
        assert shut == sorted(shut)


def test_the_readme_holds_the_table_as_it_is_computed() -> None:
    page = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert "\n".join(bench_gauges.table()) in page

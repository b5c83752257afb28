"""How far the chamber's side can be trusted: the call that the bubbles have stopped, its date, forecasts, cautions and
stages, over simulated batches, one table per class of gauges.

    ./tools/bench degassing                        reported numbers: every class, with and without isolation, faults
    ./tools/bench degassing --only fine --seeds 5000:5020 --no-faults
    ./tools/bench degassing --tune                 numbers below 5000 instead (never reported)
    ./tools/bench degassing --list                 one line for each batch besides
    ./tools/bench degassing --write docs/measured/degassing.md

Logs are simulated once and kept in the temporary directory: a second run only replays.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Final

from tools.degassing_cases import CLASSES, Case, fault_cases, fetch, main_cases
from tools.degassing_score import CAUTIONS, LIMIT_S, Outcome, score
from tools.plant.draws import CHAMBER_FAULTS, REPORTED_FROM

#: The aims, by class: pumped only, with isolation. Detected, early, delay (median, 9 in 10) [min], date (median) [min],
#: loss.
_AIMS: Final = {
    "fine": ("90 %", "5 %; 3 %", "10; 15", "30; 40", "3", "0.15"),
    "medium": ("75 %; 80 %", "8 %; 5 %", "20; 20", "45; 50", "", "0.25"),
    "coarse": ("", "0", "", "", "", "0.35"),
    "relative": ("", "0; 8 %", "", "", "", "0.35"),
}
_BEGIN, _END = "<!-- tables begin -->", "<!-- tables end -->"


def _play(case: Case) -> Outcome:
    return score(fetch(case))


def played(cases: Sequence[Case], jobs: int) -> list[Outcome]:
    """The outcomes, in the order of the cases; a line of progress on stderr."""
    out: list[Outcome] = []
    with multiprocessing.Pool(jobs) if jobs > 1 else _Here() as pool:
        for outcome in pool.imap(_play, cases):
            out.append(outcome)
            print(f"\r{len(out)} of {len(cases)} batches", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return out


class _Here:
    """A pool of this process alone."""

    def __enter__(self) -> _Here:
        return self

    def __exit__(self, *gone: object) -> None:
        return None

    def imap(self, work: Callable[[Case], Outcome], cases: Iterable[Case]) -> Iterable[Outcome]:
        return map(work, cases)


# ---------------------------------------------------------------------- figures


def _share(hits: int, whole: int) -> str:
    return "-" if not whole else f"{100 * hits / whole:.0f} % ({hits} of {whole})"


def _quantile(values: Sequence[float], share: float) -> float:
    ranked = sorted(values)
    return ranked[min(len(ranked) - 1, int(share * len(ranked)))]


def _pair(values: Sequence[float], digits: int = 0) -> str:
    if not values:
        return "-"
    return f"{statistics.median(values):.{digits}f}; {_quantile(values, 0.9):.{digits}f}"


def _figures(outcomes: Sequence[Outcome]) -> list[str]:
    """One column of a class's table."""
    true = [o for o in outcomes if o.judgeable]
    found = [o for o in true if o.detected_s is not None]
    delays = [(o.detected_s - o.stop_s) / 60 for o in found if o.detected_s is not None and o.stop_s is not None]
    dates = [abs(o.dated_s - o.stop_s) / 60 for o in found if o.dated_s is not None and o.stop_s is not None]
    foretold = [o for o in outcomes if o.forecasts]
    inside = [statistics.fmean(f.inside for f in o.forecasts) for o in foretold]
    loss = [sum(f.loss_s for f in o.forecasts) / sum(f.left_s for f in o.forecasts) for o in foretold]
    each = [f.loss_s / f.left_s for o in foretold for f in o.forecasts if f.left_s >= 300]
    width = [f.width_s / f.left_s for o in foretold for f in o.forecasts if f.left_s >= 300]
    coarse = [(o.coarse_s - o.pump_s) / 60 for o in outcomes if o.coarse_s is not None]
    shut = [o.isolations_after for o in found if o.isolations_after is not None]
    return [
        _share(len(found), len(true)),
        _share(sum(bool(o.early) for o in outcomes), len(outcomes)),
        _pair(delays),
        _pair(dates, 1),
        f"{100 * statistics.fmean(inside):.0f} %" if inside else "-",
        f"{statistics.fmean(loss):.2f}" if loss else "-",
        f"{statistics.median(each):.2f}; {statistics.median(width):.1f}" if each else "-",
        _share(sum(bool(o.forecasts) for o in true), len(true)),
        str(sum(o.flips for o in outcomes)),
        f"{statistics.median(shut):.0f}; {_quantile(shut, 0.9):.0f}" if shut else "-",
        _share(sum(minutes <= 10 for minutes in coarse), len(outcomes)),
        f"{100 * statistics.fmean(o.stage_live for o in outcomes):.1f} %; "
        f"{100 * statistics.fmean(o.stage_dated for o in outcomes):.1f} %",
    ]


_LINES: Final = (
    "stop detected, of the batches in which it came before the venting",
    "batches with an early call",
    "delay of the call after the true stop: median; 9 in 10 [min]",
    "date of the stop, error: median; 9 in 10 [min]",
    "80 % band of the forecasts holds",
    "forecast loss (mean pinball over mean time left)",
    "loss; width of the 80 % band, each as share of the time left, median",
    "batches with a forecast",
    "calls taken back or repeated",
    "isolations between the true stop and the call: median; 9 in 10",
    "gauge_too_coarse said within 10 min of pumping",
    "stage right: as it stood; as it was dated",
)


def class_table(gauge: str, outcomes: Sequence[Outcome]) -> list[str]:
    """One class of gauges: pumped only beside isolated."""
    of_class = [o for o in outcomes if o.case.gauge == gauge and o.case.kind == "batch"]
    columns = [[o for o in of_class if bool(o.case.isolation) is shut] for shut in (False, True)]
    steps = [o.step_pa for o in of_class]
    if not steps:
        return []
    detected, early, middle, most, dated, loss = _AIMS[gauge]
    aims = (
        detected, early, f"{middle}; {most}" if middle else "", dated, "75 to 85 %", loss, "", "", "",
        "2" if gauge in ("fine", "medium") else "", "95 %" if gauge == "coarse" else "", "93 %",
    )  # fmt: skip
    what = f"steps {min(steps):.0f} to {max(steps):.0f} Pa" + (", reads against the room" * (gauge == "relative"))
    rows = [f"### {gauge.capitalize()} gauge ({what}), {len(columns[0])} batches", ""]
    rows += ["| what | aim | pumped only | with isolation |", "|---|---|---|---|"]
    figures = [_figures(column) if column else ["-"] * len(_LINES) for column in columns]
    rows += [f"| {line} | {aims[i]} | {figures[0][i]} | {figures[1][i]} |" for i, line in enumerate(_LINES)]
    return [*rows, ""]


def caution_table(outcomes: Sequence[Outcome], classes: Sequence[str]) -> list[str]:
    """Every caution with a truth: how often it is right when said, how often and how soon it is said when due."""
    rows = [
        "### Cautions",
        "",
        "| caution | gauge | said when due | within its limit | delay, median; 9 in 10 | right |",
    ]
    rows.append("|---|---|---|---|---|---|")
    for cause in CAUTIONS:
        for gauge in (*classes, "all"):
            some = [o for o in outcomes if gauge in (o.case.gauge, "all")]
            due = [o for o in some if cause in o.due]
            delays = [o.right[cause][0] - o.due[cause] for o in due if cause in o.right]
            right = sum(len(o.right.get(cause, ())) for o in some)
            said = right + sum(len(o.wrong.get(cause, ())) for o in some)
            timely = sum(delay <= LIMIT_S[cause] for delay in delays)
            unit, size = ("min", 60.0) if LIMIT_S[cause] > 600 else ("s", 1.0)
            pair = _pair([delay / size for delay in delays])
            rows.append(
                f"| `{cause}` | {gauge} | {_share(len(delays), len(due))} | {_share(timely, len(due))} | "
                f"{pair} {unit if delays else ''} | {_share(right, said)} |"
            )
    return [*rows, ""]


def fault_table(outcomes: Sequence[Outcome]) -> list[str]:
    """Every fault: stages and what was wrongly said."""
    rows = ["### Every fault in turn", "", "| fault | logs | stage right | early calls | wrongly said (logs) |"]
    rows.append("|---|---|---|---|---|")
    for fault in ("", *CHAMBER_FAULTS):
        some = [o for o in outcomes if o.fault == fault]
        if not some:
            continue
        wrong = {cause: sum(cause in o.wrong for o in some) for cause in CAUTIONS}
        told = ", ".join(f"{cause} {count}" for cause, count in wrong.items() if count) or "nothing"
        stage = 100 * statistics.fmean(o.stage_dated for o in some)
        early = sum(bool(o.early) for o in some)
        rows.append(f"| {fault or 'none'} | {len(some)} | {stage:.0f} % | {early} | {told} |")
    return [*rows, ""]


def one_line(o: Outcome) -> str:
    """Everything about one batch that one wants to see when it went wrong; minutes since the pump was started."""

    def minutes(at_s: float | None) -> str:
        return "-" if at_s is None else f"{(at_s - o.pump_s) / 60:.0f}"

    calls = ", ".join(
        f"{minutes(said)}{'!' if said in o.early else ''}({minutes(dated)} {sure} {basis})"
        for said, dated, sure, basis in o.calls
    )
    cover = statistics.fmean(f.inside for f in o.forecasts) if o.forecasts else float("nan")
    loss = sum(f.loss_s for f in o.forecasts) / sum(f.left_s for f in o.forecasts) if o.forecasts else float("nan")
    said = " ".join(
        f"{cause}@{','.join(minutes(t) for t in times)}{mark}"
        for mark, found in (("", o.right), ("?", o.wrong))
        for cause, times in found.items()
    )
    due = " ".join(f"{cause}@{minutes(at)}" for cause, at in o.due.items())
    errors = " ".join(f"{name} {100 * part:.0f}%" for name, part in o.stage_errors.items() if part > 0.02)
    return (
        f"{o.case.name} [{o.law}, {o.fault or 'no fault'}, isolation {o.told or 'none'}, step {o.step_pa:.1f}, "
        f"last hour {o.lift_pa if o.lift_pa is None else round(o.lift_pa, 2)} Pa] "
        f"safe {minutes(o.safe_s)} stop {minutes(o.stop_s)} vent {minutes(o.vent_s)} | calls {calls or 'none'} | "
        f"{len(o.forecasts)} forecasts, {100 * cover:.0f}% in, loss {loss:.2f} | said {said or '-'} due {due or '-'} | "
        f"stage {100 * o.stage_live:.0f}/{100 * o.stage_dated:.0f}% {errors}"
    )


# ---------------------------------------------------------------------- the command


def report(outcomes: Sequence[Outcome], classes: Sequence[str], note: str) -> list[str]:
    rows = [note, ""]
    for gauge in classes:
        rows += class_table(gauge, outcomes)
    rows += caution_table(outcomes, classes)
    rows += fault_table(outcomes)
    spent = sum(o.seconds for o in outcomes)
    samples = sum(o.samples for o in outcomes)
    rows.append(f"{samples:,} samples through the whole pipeline, {samples / max(spent, 1e-9):,.0f} a second.")
    return rows


def write(path: Path, rows: Sequence[str]) -> None:
    """Put the tables between their marks in that page; the page keeps all its other words."""
    text = path.read_text(encoding="utf-8")
    if _BEGIN not in text or _END not in text:
        raise SystemExit(f"{path}: the lines {_BEGIN} and {_END} are missing; put them where the tables belong")
    head, _, rest = text.partition(_BEGIN)
    _, _, tail = rest.partition(_END)
    path.write_text(head + "\n".join((_BEGIN, "", *rows, "", _END)) + tail, encoding="utf-8")


def main(argv: Sequence[str] | None = None) -> int:
    """The command; 0 done, 2 wrong use."""
    parser = argparse.ArgumentParser(
        prog="./tools/bench degassing", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", metavar="A:B", help="numbers of the batches, B not among them (default 5000:5048)")
    parser.add_argument("--tune", action="store_true", help="numbers 0:48 instead")
    parser.add_argument("--only", action="append", choices=CLASSES, metavar="CLASS", help=f"of: {', '.join(CLASSES)}")
    parser.add_argument("--isolation", choices=("with", "without"), help="only those batches")
    parser.add_argument("--clean", action="store_true", help="batches without any fault only")
    parser.add_argument("--per-fault", type=int, default=4, metavar="N", help="numbers a fault and class (default 4)")
    parser.add_argument("--no-faults", action="store_true", help="leave out the logs of every fault in turn")
    parser.add_argument("--only-faults", action="store_true", help="only the logs of every fault in turn")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes (default 1)")
    parser.add_argument("--list", action="store_true", help="one line for each batch besides")
    parser.add_argument("--write", type=Path, metavar="PAGE", help="put the tables into this page")
    args = parser.parse_args(argv)
    seeds = _seeds(parser, args.seeds or ("0:48" if args.tune else f"{REPORTED_FROM}:{REPORTED_FROM + 48}"))
    if args.write and seeds.start < REPORTED_FROM:
        parser.error(f"only numbers from {REPORTED_FROM} on are reported; --write goes with those")
    classes = tuple(args.only) if args.only else CLASSES
    cases = [] if args.only_faults else main_cases(seeds, classes)
    if args.isolation:
        cases = [case for case in cases if case.isolation is (args.isolation == "with")]
    if args.clean:
        cases = [Case(case.seed, case.gauge, case.isolation, "") for case in cases]
    elif not args.no_faults:
        cases += fault_cases(seeds.start, args.per_fault, classes)
    outcomes = played(cases, args.jobs)
    if args.list:
        for outcome in outcomes:
            print(one_line(outcome))
        print()
    what = f"Batches {seeds.start} to {seeds.stop - 1}, {len(outcomes)} logs"
    rows = report(outcomes, classes, f"{what}; Python {sys.version.split()[0]}, {os.cpu_count()} cores.")
    print("\n".join(rows))
    if args.write:
        write(args.write, rows)
    return 0


def _seeds(parser: argparse.ArgumentParser, text: str) -> range:
    try:
        first, last = (int(part) for part in text.split(":"))
    except ValueError:
        parser.error(f"--seeds {text!r}; it takes two whole numbers, as in 5000:5048")
    if not 0 <= first < last:
        parser.error(f"--seeds {text!r}; the second number must be above the first, and none below 0")
    if first < REPORTED_FROM < last:
        parser.error(f"--seeds {text!r} mixes numbers for tuning (below {REPORTED_FROM}) with reported ones")
    return range(first, last)


if __name__ == "__main__":
    sys.exit(main())

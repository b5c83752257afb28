"""How far the oven's side can be trusted: calls against the true core, bands, forecasts, dial; and the open
measurements.

    ./tools/bench oven                         40 reported cases, all tables
    ./tools/bench oven --cases 10 --quick      a look
    ./tools/bench oven --tune                  the tuning cases instead (never reported)
    ./tools/bench oven --open-data             every open thermal record: core predicted from air against measured
    ./tools/bench oven --write docs/measured/oven.md
"""

from __future__ import annotations

import argparse
import math
import os
import pickle
import random
import statistics
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from lastbubble.context import Context
from lastbubble.dial import learn, stretches
from lastbubble.pipeline.cure import OvenSide
from lastbubble.records import Caution, Event, Forecast, Sample
from tools.oven_cases import REPORTED_FROM, Case, Draw, draw, simulate


@dataclass
class Outcome:
    """What was said of one case, against its truth."""

    case: Case
    called_s: dict[str, float] = field(default_factory=dict)
    dated_s: dict[str, float] = field(default_factory=dict)
    core_at_call_c: dict[str, float] = field(default_factory=dict)
    causes: list[str] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    width_k: list[float] = field(default_factory=list)
    forecasts: dict[str, list[tuple[bool, float]]] = field(default_factory=dict)
    seconds: float = 0.0

    def late_min(self, name: str) -> float | None:
        truth = self.truth_s(name)
        return None if truth is None or name not in self.called_s else (self.called_s[name] - truth) / 60

    def truth_s(self, name: str) -> float | None:
        return self.case.reached_s if name == REACHED else self.case.complete_s


#: Ovens of the cases with a fan have more than this, those without less.
FAN_FROM_W_M2K = 11.0
REACHED, COMPLETE = "cure_temperature_reached", "cure_complete"


def follow(case: Case, samples: Iterable[Sample], context: Context) -> tuple[Outcome, OvenSide]:
    """The oven's side over one log; its band is looked at about once a minute from loading to the true crossing."""
    side = OvenSide(context)
    out = Outcome(case)
    look_s = 0.0
    spent = time.perf_counter()
    for sample, core in zip(samples, case.core_c, strict=True):
        for record in side.feed(sample, True):
            if isinstance(record, Event):
                out.called_s.setdefault(record.name, record.t)
                out.dated_s.setdefault(record.name, record.since)
                out.core_at_call_c.setdefault(record.name, core)
            elif isinstance(record, Caution):
                out.causes.append(record.cause)
            elif isinstance(record, Forecast):
                truth = out.truth_s(record.target)
                if truth is not None and record.t < truth:
                    hit = (record.p10 <= truth <= record.p90, abs(record.p50 - truth) / 60)
                    out.forecasts.setdefault(record.target, []).append(hit)
        if sample.time_s >= look_s and case.drawn.load_s < sample.time_s:
            look_s = sample.time_s + 60
            part = side.outlook_part()
            if "core_c" in part and (case.reached_s is None or sample.time_s < case.reached_s):
                out.covered.append(part["core_low_c"] <= core <= part["core_high_c"])
                out.width_k.append(part["core_high_c"] - part["core_low_c"])
    out.seconds = time.perf_counter() - spent
    return out, side


def without_probe(case: Case) -> tuple[list[Sample], Context]:
    return [replace(sample, witness_c=None) for sample in case.samples], replace(case.context, witness="")


def fan_told(case: Case) -> tuple[list[Sample], Context]:
    """Without a probe, but by somebody who has said whether the oven blows its air about."""
    samples, context = without_probe(case)
    return samples, replace(context, oven_fan="yes" if case.drawn.h_w_m2k >= FAN_FROM_W_M2K else "no")


def kept(keep: Path | None, name: str, drawn: Draw, *, probe: bool) -> Case:
    """The simulated case, from the folder if it is there already."""
    path = None if keep is None else keep / f"{name}.pickle"
    if path is not None and path.exists():
        found: Case = pickle.loads(path.read_bytes())
        if found.drawn == drawn:
            return found
    case = simulate(drawn, probe=probe)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(case))
    return case


def cases(numbers: Sequence[int], keep: Path | None) -> list[Case]:
    """Simulated with a probe, so that one simulation serves both; `keep` is a folder for them."""
    out = []
    for number in numbers:
        out.append(kept(keep, str(number), draw(number), probe=True))
        print(f"\rcase {number} simulated", end="", file=sys.stderr)
    print(file=sys.stderr)
    return out


def share(hits: Sequence[bool]) -> str:
    return "-" if not hits else f"{sum(hits) / len(hits):.0%} ({sum(hits)} of {len(hits)})"


def calls_table(title: str, outcomes: Sequence[Outcome]) -> list[str]:
    """The aims of the oven's side, one line each."""
    rows = [f"### {title}", "", "| what | figure |", "|---|---|"]
    said = [out.core_at_call_c[REACHED] - out.case.drawn.target_c for out in outcomes if REACHED in out.core_at_call_c]
    rows.append(f"| calls more than 2 K early | {share([core < -2 for core in said])} |")
    rows.append(f"| calls more than 4 K early | {share([core < -4 for core in said])} |")
    rows.append(f"| worst call, core below target | {-min(said):.1f} K |")
    for name in (REACHED, COMPLETE):
        true = [out for out in outcomes if out.truth_s(name) is not None]
        late = sorted(value for out in true if (value := out.late_min(name)) is not None)
        rows.append(f"| {name}: detected | {share([name in out.called_s for out in true])} |")
        if late:
            away = statistics.median(abs(value) for value in late)
            low, high = late[len(late) // 10], late[-1 - len(late) // 10]
            rows.append(f"| {name}: half within | {away:.1f} min (80 %: {low:+.0f} to {high:+.0f} min) |")
        dated = sorted(abs(out.dated_s[name] - (out.truth_s(name) or 0)) / 60 for out in true if name in out.dated_s)
        if dated:
            rows.append(f"| {name}: half dated within | {statistics.median(dated):.1f} min of the truth |")
        found = [hit for out in outcomes for hit in out.forecasts.get(name, [])]
        if found:
            middle = statistics.median(error for _, error in found)
            rows.append(
                f"| {name}: forecasts whose 80 % band held | {sum(ok for ok, _ in found) / len(found):.0%} of "
                f"{len(found)}, half of the medians within {middle:.0f} min |"
            )
    covered = [ok for out in outcomes for ok in out.covered]
    rows.append(f"| core inside its 80 % band, minute by minute | {sum(covered) / max(1, len(covered)):.0%} |")
    never = [out for out in outcomes if out.case.reached_s is None]
    ever = [out for out in outcomes if out.case.reached_s is not None]
    rows.append(
        f"| core_will_not_reach said where it is true | {share(['core_will_not_reach' in o.causes for o in never])} |"
    )
    rows.append(
        f"| core_will_not_reach said where it is not | {share(['core_will_not_reach' in o.causes for o in ever])} |"
    )
    return [*rows, ""]


def learnt_table(numbers: Sequence[int], keep: Path | None) -> list[str]:
    """A station that has had probe batches in this oven against a new one: other pieces, same oven, no probe."""
    new: list[Outcome] = []
    taught: list[Outcome] = []
    for number in numbers:
        text = ""
        *teachers, last = station_cases(number, keep)
        for case in teachers:
            _, side = follow(case, case.samples, replace(case.context, oven_learnt=text))
            text = side.learnt()
        new.append(follow(last, last.samples, last.context)[0])
        taught.append(follow(last, last.samples, replace(last.context, oven_learnt=text))[0])
        print(f"\rstation {number} taught", end="", file=sys.stderr)
    print(file=sys.stderr)
    return (
        ["### What a station learns", "", *difference(new, taught), ""]
        + calls_table("A new station, no probe", new)
        + calls_table("The same batches on a station that three probe batches have taught", taught)
    )


def station_cases(number: int, keep: Path | None) -> list[Case]:
    """Four batches in one oven: three with a probe, then one of other pieces without."""
    oven = ("h_w_m2k", "emissivity", "wall_lag_s", "wall_loss", "couple_k", "place_k", "couple_lag_s", "band_k")
    here = {name: getattr(draw(number), name) for name in oven}
    out = []
    for batch in range(3):
        piece = draw(number + 100_000 * (batch + 1))
        drawn = replace(piece, **here, plateau_c=93 + 8 + 4 * batch, look_s=math.inf, cut_s=math.inf)
        out.append(kept(keep, f"{number} taught {batch}", drawn, probe=True))
    last = replace(draw(number + 900_000), **here, plateau_c=93 + 10, look_s=math.inf, cut_s=math.inf)
    last = replace(last, mark_s=max(last.load_s, last.on_s))
    return [*out, kept(keep, f"{number} last", last, probe=False)]


def difference(new: Sequence[Outcome], taught: Sequence[Outcome]) -> list[str]:
    """New and taught side by side: the same batches, called with and without what the station had learnt."""
    rows = ["| the same batches without a probe | new | taught |", "|---|---|---|"]

    def half(outcomes: Sequence[Outcome], times: str) -> str:
        values = [
            abs(getattr(out, times)[REACHED] - out.case.reached_s) / 60
            for out in outcomes
            if out.case.reached_s is not None and REACHED in out.called_s
        ]
        return f"{statistics.median(values):.1f} min"

    def width(outcomes: Sequence[Outcome]) -> str:
        return f"{statistics.median(value for out in outcomes for value in out.width_k):.1f} K"

    def early(outcomes: Sequence[Outcome], limit: float) -> str:
        said = [out.core_at_call_c[REACHED] - out.case.drawn.target_c for out in outcomes if REACHED in out.called_s]
        return share([core < -limit for core in said])

    rows.append(f"| half called within | {half(new, 'called_s')} | {half(taught, 'called_s')} |")
    rows.append(f"| half dated within | {half(new, 'dated_s')} | {half(taught, 'dated_s')} |")
    rows.append(f"| more than 2 K early | {early(new, 2)} | {early(taught, 2)} |")
    rows.append(f"| more than 4 K early | {early(new, 4)} | {early(taught, 4)} |")
    rows.append(f"| half of the 80 % bands narrower than | {width(new)} | {width(taught)} |")
    return rows


# ---------------------------------------------------------------------- dial


def dial_session(rng: random.Random, dial_c: float, mean_c: float, minutes: float, band_k: float) -> list[Sample]:
    """An empty oven from cold under one setting in whole degF, as the thermocouple reads it."""
    air = walls = element = read = bulb = 21.0
    heat, out = True, []
    mark = f"dial={round(dial_c * 1.8 + 32)}F"
    lag, power = rng.uniform(10, 40), rng.uniform(190, 300)
    for second in range(int(minutes * 60)):
        if bulb > mean_c + band_k:
            heat = False
        elif bulb < mean_c - band_k:
            heat = True
        element += (power if heat else 0.0) / 350 - (element - air) / 120
        air += (element - air) / 170 + (walls - air) / 100
        walls += ((air - walls) - 0.08 * (walls - 21)) / 900
        bulb += (air - bulb) / 20
        read += (air - read) / lag
        if second % 5 == 0:
            value = round((read + rng.gauss(0, 0.15)) * 4) / 4
            out.append(Sample(float(second), oven_c=value, marks=(mark,) if second == 0 else ()))
    return out


def settled_mean_c(mean_c: float, band_k: float) -> float:
    """What such an oven really averages when its thermostat is set to this middle: by running it for long."""
    log = dial_session(random.Random(1), 120.0, mean_c, 240, band_k)
    tail = [sample.oven_c or 0.0 for sample in log[len(log) // 2 :]]
    return sum(tail) / len(tail)


def dial_table(ovens: int, first: int) -> list[str]:
    """Error of the answered setting, as the thermocouple would read it, after 1, 2, 4, 8 sessions."""
    target = 105.0
    errors: dict[int, list[float]] = {1: [], 2: [], 4: [], 8: []}
    bands: dict[int, list[bool]] = {count: [] for count in errors}
    for number in range(first, first + ovens):
        rng = random.Random(f"dial {number}")
        offset, slope, bend = rng.gauss(-12, 16), rng.gauss(0, 0.1), rng.gauss(0, 1.5) if rng.random() < 0.5 else 0.0
        drift, band = rng.choice((0.5, 1.5, 2.5)), rng.uniform(1.5, 5)
        extra = settled_mean_c(105.0, band) - 105.0

        def mean(dial_c: float, offset: float = offset, slope: float = slope, bend: float = bend) -> float:
            return dial_c + offset + slope * (dial_c - 110) + bend * math.sin((dial_c - 110) / 15)

        found = []
        settings = [105 - offset + rng.uniform(-14, 14) for _ in range(8)]
        for at, dial_c in enumerate(settings):
            dial_c = (round((dial_c * 1.8 + 32) / 5) * 5 - 32) / 1.8
            minutes = rng.choice((25.0, 60.0, 120.0))
            log = dial_session(rng, dial_c, mean(dial_c) + rng.gauss(0, drift), minutes, band)
            found += stretches(log, f"session {at}")
            if at + 1 in errors and found:
                answer = learn(found).answer(target)
                here, low, high = ((value - 32) / 1.8 for value in (answer.dial, answer.low, answer.high))
                errors[at + 1].append(abs(mean(here) + extra - target))
                later = rng.gauss(0, drift) + extra
                bands[at + 1].append(mean(low) + later <= target <= mean(high) + later)
        print(f"\rdial {number}", end="", file=sys.stderr)
    print(file=sys.stderr)
    rows = ["### The dial", "", "| logs | half within | 9 in 10 within | 80 % band holds |", "|---|---|---|---|"]
    for count, values in errors.items():
        ranked = sorted(values)
        middle, most = ranked[len(ranked) // 2], ranked[int(0.9 * len(ranked))]
        rows.append(f"| {count} | {middle:.1f} K | {most:.1f} K | {sum(bands[count]) / len(bands[count]):.0%} |")
    return [*rows, ""]


# ---------------------------------------------------------------------- open measurements


@dataclass(frozen=True)
class OpenRecord:
    """One open record: which column is inside a body, what is known of the body, the part with a true driving air."""

    name: str
    inside: str
    context: Context
    from_s: float
    to_s: float
    note: str


_CABLE = Context(piece_thickness_mm=15.0, piece_shape="cylinder", material="plastic cable")
_MEAT = Context(piece_thickness_mm=120.0, piece_shape="sphere")
_SHROUD = "oven_c is the radiating wall, not the air"
_WET = "wet: conduction alone is wrong; size not told, 120 mm taken"
OPEN = (
    OpenRecord("cable_in_radiant_shroud", "witness_c", _CABLE, 74, 2200, _SHROUD),
    OpenRecord("cable_in_radiant_shroud", "witness5_c", _CABLE, 74, 2200, _SHROUD),
    OpenRecord("cable_thermocouple_faults", "witness_c", _CABLE, 107, 1400, _SHROUD),
    OpenRecord("meat_in_smoker", "witness_c", _MEAT, 60, 40000, _WET),
    OpenRecord("meat_in_smoker", "witness2_c", _MEAT, 60, 40000, _WET),
    OpenRecord("meat_in_smoker", "witness3_c", _MEAT, 60, 40000, _WET),
    OpenRecord(
        "beer_in_heated_fridge",
        "witness_c",
        Context(piece_thickness_mm=250.0, piece_shape="cylinder"),
        3500,
        164000,
        "a stirred liquid, cooled as well as heated: outside what the model is for",
    ),
)


def open_table(records: Sequence[OpenRecord] = OPEN) -> list[str]:
    """Core predicted from the air alone, and with the probe's first half as a teacher, against the measured core."""
    from lastbubble.data import data_path
    from lastbubble.ledger.logfile import read_log
    from lastbubble.pipeline.sensors import possible

    rows = [
        "### Open measurements: core foretold from the air alone, against the measured core",
        "",
        "| record | inside | median error | worst error | inside the 80 % band | what it can show |",
        "|---|---|---|---|---|---|",
    ]
    for one in records:
        log = read_log(data_path("shared", f"open/thermal/{one.name}.csv"))
        side = OvenSide(one.context)
        errors: list[float] = []
        inside: list[bool] = []
        first = True
        for sample, cells in log.rows():
            inner = sample.witness_c if one.inside == "witness_c" else _cell(cells, log.extra, one.inside)
            clean, _ = possible(sample)
            marks = ("oven_loaded",) if first and sample.time_s >= one.from_s - 30 else ()
            first = first and not marks
            side.feed(replace(clean, witness_c=None, marks=marks), True)
            part = side.outlook_part()
            if "core_c" in part and inner is not None and one.from_s <= sample.time_s <= one.to_s:
                errors.append(part["core_c"] - inner)
                inside.append(part["core_low_c"] <= inner <= part["core_high_c"])
        middle = statistics.median(abs(error) for error in errors)
        worst = max(errors, key=abs)
        rows.append(
            f"| {one.name} | {one.inside} | {middle:.1f} K | {worst:+.1f} K | {sum(inside) / len(inside):.0%} "
            f"of {len(inside)} | {one.note} |"
        )
    return [*rows, ""]


def _cell(cells: Sequence[str], names: Sequence[str], wanted: str) -> float | None:
    text = cells[names.index(wanted)]
    return float(text) if text else None


def speed_table(hours: float = 48.0) -> list[str]:
    """CPU time of the oven's side over two days at 1 Hz: a batch of an hour's hold, then an oven left on."""
    from tools.plant.oven import Oven, OvenParts

    oven = Oven(OvenParts())
    oven.dial_c = 120.0
    core, samples = 22.0, []
    for second in range(int(hours * 3600)):
        oven.step(1.0, True)
        core += (oven.air_c - core) / 2400
        marks = ("oven_loaded",) if second == 5 else ()
        samples.append(
            Sample(float(second), oven_c=round(oven.couple_c * 4) / 4, witness_c=round(core * 4) / 4, marks=marks)
        )
    rows = [
        f"### {hours:.0f} h at 1 Hz through the oven's side",
        "",
        f"By `./tools/bench oven --speed`, the machine's load being {os.getloadavg()[0]:.1f}.",
        "",
        "| batch | CPU time |",
        "|---|---|",
    ]
    for words, hold_min, probe in (
        ("cure of 30 min, no probe", 30.0, False),
        ("cure of 30 min, with a probe", 30.0, True),
        ("cure that lasts all the while, no probe", 2880.0, False),
        ("cure that lasts all the while, with a probe", 2880.0, True),
    ):
        side = OvenSide(
            Context(piece_thickness_mm=25, material="chalk turquoise", hold_min=hold_min, witness="slowest")
        )
        log = samples if probe else [replace(sample, witness_c=None) for sample in samples]
        spent = time.process_time()
        for sample in log:
            side.feed(sample, True)
        rows.append(f"| {words} | {time.process_time() - spent:.1f} s |")
    return [*rows, ""]


HEAD = ["# Measured: the oven's side and the dial"]
NOTES = [
    "Each table is over ovens and pieces drawn afresh, which share nothing with the estimator and were never tuned on.",
    "The band of a believed probe is that of an unchecked class 1 couple; the simulated probes err by half a kelvin",
    "(1 sigma), as a checked one does, so that band holds too often here.",
]


def machine() -> str:
    """The machine in words, without its name."""
    import platform

    return f"a {os.cpu_count()}-core cloud machine, Python {platform.python_version()}"


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="bench oven", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--first", type=int, default=REPORTED_FROM)
    parser.add_argument("--tune", action="store_true", help="the tuning cases, from 0 on")
    parser.add_argument("--quick", action="store_true", help="leave out the taught stations")
    parser.add_argument("--open-data", action="store_true", help="only the open measurements")
    parser.add_argument("--speed", action="store_true", help="only the time that two days take")
    parser.add_argument("--keep", type=Path, help="folder that keeps the simulated cases")
    parser.add_argument("--write", type=Path, help="write the tables there too")
    args = parser.parse_args()
    if args.speed:
        lines = speed_table()
    elif args.open_data:
        lines = open_table()
    else:
        first = 0 if args.tune else args.first
        made = cases(range(first, first + args.cases), args.keep)
        bare = [follow(case, *without_probe(case))[0] for case in made]
        known = [follow(case, *fan_told(case))[0] for case in made]
        probed = [follow(case, case.samples, case.context)[0] for case in made]
        lines = calls_table(f"{args.cases} cases without a probe", bare)
        lines += calls_table("The same, told whether the oven has a fan", known)
        lines += calls_table("The same with a probe in the slowest piece", probed)
        if not args.quick:
            lines += learnt_table(range(first, first + max(4, args.cases // 4)), args.keep)
        lines += dial_table(args.cases, first) + open_table() + speed_table()
    print("\n".join(lines))
    if args.write:
        command = "./tools/bench oven" + (f" --cases {args.cases}" if args.cases != 40 else "")
        head = [*HEAD, "", f"Printed by `{command} --write {args.write}` in one run, on {machine()}.", "", *NOTES, ""]
        args.write.parent.mkdir(parents=True, exist_ok=True)
        args.write.write_text("\n".join(head + lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Which gauge suits which chamber and load: computed from the plant's own physics, not guessed.

    ./tools/bench gauges                     the table
    ./tools/bench gauges --write README.md   put it between its marks in that page

For every chamber, pump and load the flow of the last stretch of bubbling (so many bubbles a second of 2 mm) is held
against what a gauge of that step can show in a quarter of an hour: on the running pump it lifts the pressure by Q/S, in
an isolation by Q t/V. A lift counts as shown when it is four times the doubt of the difference between two looks at it,
of which one reads white noise of the step's size (averaged over a minute), a walk of the base on the pump (0.1 Pa and
1 % of it: the plant's), and the gauge's own slow wander (a tenth of the step).
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lastbubble.physics.vacuum import bubble_gas_pa_m3
from tools.bench_degassing import write
from tools.plant.chamber import Chamber, ChamberParts
from tools.plant.chance import Chance

#: Name, volume [m3], pump [m3/s], hose [m].
CHAMBERS: Final = (
    ("3 L jar, 30 L/min", 3e-3, 0.5e-3, 0.008),
    ("8 L pot, 50 L/min", 8e-3, 0.83e-3, 0.008),
    ("18 L pot, 100 L/min", 18e-3, 1.7e-3, 0.010),
)
#: Bubbles a second of 2 mm at 500 Pa inside: a thin stream from one piece, a lively chamber, and a full chamber that
#: has only begun (ours, common practice, no published source).
LOADS: Final = (("few (5 a second)", 5.0), ("some (50 a second)", 50.0), ("many (500 a second)", 500.0))
GAUGES: Final = (("1 Pa", 1.0), ("10 Pa", 10.0), ("25 Pa", 25.0), ("100 Pa", 100.0), ("400 Pa", 400.0))
SHUT_S: Final = (120.0, 240.0)
TIMES_SURE: Final = 4.0
ULTIMATE_PA: Final = 15.0


@dataclass(frozen=True, slots=True)
class Shown:
    """pumped, isolated : lift over its doubt, on the pump and in an isolation of `shut_s`"""

    pumped: float
    isolated: float
    shut_s: float

    @property
    def word(self) -> str:
        if self.pumped >= TIMES_SURE:
            return "pumping"
        if self.isolated >= TIMES_SURE:
            return f"isolated {self.shut_s / 60:.0f} min"
        return "no"


def shown(volume_m3: float, pump_m3_s: float, hose_m: float, bubbles_per_s: float, step_pa: float) -> Shown:
    """What a gauge of that step shows of so many bubbles a second."""
    parts = ChamberParts(volume_m3=volume_m3, pump_m3_s=pump_m3_s, hose_d_m=hose_m, ultimate_pa=ULTIMATE_PA)
    speed = Chamber(parts, Chance(1, "gauges")).low_speed_m3_s
    flow = bubbles_per_s * bubble_gas_pa_m3(2e-3, 500.0)
    noise = 0.7 * step_pa
    # A minute of readings at one a second, alike to their neighbours by a third; and what does not average out.
    look = math.hypot(noise * math.sqrt(2.0 / 60.0), 0.1 * step_pa)
    walk = 0.1 + 0.01 * ULTIMATE_PA
    pumped = flow / speed / math.hypot(math.sqrt(2) * look, walk)
    shut_s = SHUT_S[0] if step_pa <= 2 else SHUT_S[1]
    # The slope of a straight line through n readings: its rise over the whole time is known to noise sqrt(12/n).
    straight = math.hypot(noise * math.sqrt(2 * 12.0 / shut_s), 0.14 * step_pa)
    return Shown(pumped, flow * shut_s / volume_m3 / straight, shut_s)


def table() -> list[str]:
    """One row a chamber and load, one column a gauge."""
    rows = ["| chamber | bubbles of 2 mm | " + " | ".join(f"steps {name}" for name, _ in GAUGES) + " |"]
    rows.append("|---|---|" + "---|" * len(GAUGES))
    for name, volume, pump, hose in CHAMBERS:
        for load, rate in LOADS:
            words = [shown(volume, pump, hose, rate, step).word for _, step in GAUGES]
            rows.append(f"| {name} | {load} | " + " | ".join(words) + " |")
    return rows


def main(argv: Sequence[str] | None = None) -> int:
    """The command; 0 done, 2 wrong use."""
    parser = argparse.ArgumentParser(
        prog="./tools/bench gauges", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--write", type=Path, metavar="PAGE", help="put the table between its marks in this page")
    args = parser.parse_args(argv)
    rows = table()
    print("\n".join(rows))
    if args.write:
        write(args.write, rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())

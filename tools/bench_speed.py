"""Speed and memory, measured: the pipeline over a day at 1 Hz and over two days at 10 Hz, and the replay of the day.

python -m tools.bench_speed [--hours H] [--long-hours H]
"""

from __future__ import annotations

import argparse
import itertools
import math
import os
import platform
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "daemon"), str(ROOT)]
# As the command does, and before numpy is loaded: threads for matrices this small only get into each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from lastbubble.context import Context  # noqa: E402  # the checkout's package, also without an installation
from lastbubble.ledger.logfile import write_log  # noqa: E402
from lastbubble.pipeline.pipeline import Pipeline  # noqa: E402
from lastbubble.records import Sample  # noqa: E402


def day(hours: float, rate_hz: int = 1, seed: int = 5) -> Iterator[Sample]:
    """An invented batch: pump-down, a fading release, venting, soak, and an oven that cycles for the rest."""
    rng = random.Random(seed)
    vent_s, load_s = 0.3 * hours * 3600, 0.4 * hours * 3600
    for i in range(int(hours * 3600) * rate_hz):
        t = i / rate_hz
        if t < vent_s:
            pressure = 20 + 9e4 * math.exp(-t / 20) + 30 * math.exp(-t / 1500)
        else:
            pressure = 1e5 - 1e5 * math.exp(-(t - vent_s) / 60)
        warm = t - load_s
        air = 22.0 if warm < 0 else 22 + 88 * -math.expm1(-warm / 700) + 4 * math.sin(warm / 90)
        yield Sample(
            t,
            chamber_pa=round(pressure + rng.gauss(0, 1.0), 1),
            oven_c=round(air + rng.gauss(0, 0.15), 3),
            junction_c=26.0,
            heat=warm >= 0,
            marks=("oven_loaded",) if warm == 0 else (),
        )


def long_run(context: Context, hours: float) -> None:
    """At 10 Hz, never more than some samples at a time in memory: speed, and resident memory after each quarter."""
    source = day(hours, 10)
    pipeline = Pipeline(context)
    took, count, said = 0.0, 0, 0
    quarter = int(hours * 36000) // 4
    resident: list[str] = []
    while chunk := list(itertools.islice(source, min(10_000, quarter - count % quarter))):
        began = time.process_time()
        said += sum(len(pipeline.feed(sample)) for sample in chunk)
        took += time.process_time() - began
        count += len(chunk)
        if count % quarter == 0:
            resident.append(f"{_resident_mb():.1f}")
    print(f"| pipeline, {hours:g} h at 10 Hz | {count / took:,.0f} samples/s of CPU time, {said} records |")
    print(f"| resident memory after each quarter of it | {', '.join(resident)} MB |")


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="./tools/bench", description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--long-hours", type=float, default=48.0, help="of the run at 10 Hz (default 48)")
    args = parser.parse_args()
    print(f"Python {platform.python_version()}, {platform.machine()}")
    context = Context(piece_thickness_mm=20.0, piece_shape="slab", material="limestone")
    long_run(context, args.long_hours)
    samples = list(day(args.hours))
    began = time.process_time()
    pipeline = Pipeline(context)
    said = sum(len(pipeline.feed(sample)) for sample in samples)
    took = time.process_time() - began
    print(f"| pipeline, {args.hours:g} h at 1 Hz | {len(samples) / took:,.0f} samples/s of CPU time, {said} records |")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.csv"
        write_log(path, {"piece_thickness_mm": "20", "material": "limestone"}, samples)
        command = [sys.executable, "-m", "lastbubble", "replay", str(path), "--json"]
        began = time.monotonic()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, cwd=ROOT / "daemon")
        print(f"| `lastbubble replay` of {args.hours:g} h at 1 Hz, whole process | {time.monotonic() - began:.1f} s |")
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"| its peak memory | {peak:.0f} MB |")
    return 0


if __name__ == "__main__":
    sys.exit(main())

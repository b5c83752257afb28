"""python -m tools.tryout: see --help."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "daemon"), str(ROOT)]


def main() -> int:
    """Run one; exit code 0 only if the batch completed and nothing was lost."""
    from rich.console import Console

    from lastbubble.units import Display
    from tools.plant.wire.bench import BenchGone
    from tools.tryout.options import parse
    from tools.tryout.run import Failed, Result, Stopped, TryOut
    from tools.tryout.summary import print_summary
    from tools.tryout.view import View

    options = parse(sys.argv[1:])
    console = Console()
    live = not options.quiet and console.is_terminal
    view = View(Display(), console) if live else None
    tryout = TryOut(options, view.show if view is not None else None)

    def concluded(result: Result) -> None:
        if view is not None:
            view.stop()
        if options.quiet:
            return
        print_summary(result, console)
        if not options.once:
            console.print(f"\nThe station goes on in real time; its page: {tryout.page_url}   Ctrl-C ends it.")

    try:
        with view or nullcontext():
            result = tryout.run(concluded)
    except Stopped:
        print("stopped; nothing is left running, the relay is open", file=sys.stderr)
        return 130
    except (Failed, BenchGone) as exc:
        print(f"The try-out failed: {exc}\nThe processes' logs lie in {options.folder}/processes.", file=sys.stderr)
        return 1
    if options.quiet:
        bad = [check for check in result.checks if not check.ok]
        facts = result.facts
        print(
            f"{'batch complete' if result.ok else 'NOT COMPLETE'}: {len(facts['records'])} records, "
            f"{sum(facts['messages'].values())} messages, {len(facts['notices'])} notices, "
            f"{facts['bench_s'] / 3600:.1f} h in {facts['real_s']:.0f} s; log {facts['out']}/batch.csv"
        )
        for check in bad:
            print(f"no: {check.name}: {check.finding}", file=sys.stderr)
    return 0 if result.ok else 1


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:  # before anything was started; later on it is only noted
        sys.exit(130)

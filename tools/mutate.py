"""Mutation of the guard's rules, judges, states, requests and latch: every small change to them has to fail a test.

./tools/test --mutate [MODULE ...]     e.g. heat_judges; without a name all of them, one after the other

The work is mutmut's, done in a room of its own under mutants/ (not in git): the package copied where mutmut looks for
it, the quick tests of the guard, and nothing else, so that a mutant costs tenths of a second. Ends with the table and
the survivors; exit code 0 when at least the wanted share was killed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOM = ROOT / "mutants" / "guard"
WANTED_SHARE = 0.95

#: Module -> the quick tests that are about it.
TESTS = {
    "rules": ["tests/guard/test_table.py"],
    "heat_judges": ["tests/guard/test_heat_judges.py"],
    "probe_judges": ["tests/guard/test_probe_judges.py"],
    "states": ["tests/guard/test_states.py"],
    "requests": ["tests/guard/test_asking.py"],
    "latch": ["tests/guard/test_latch.py"],
}
#: mutmut's exit codes of a mutant's test run.
_KILLED = (1, 3)
_NO_TESTS = (5, 33)
_TIMEOUT = (24, 36, 152, 255, -24)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One mutant: its name and killed, survived, no tests, timeout or other."""

    name: str
    what: str

    @property
    def dead(self) -> bool:
        """A mutant that never ends is noticed as surely as one that fails."""
        return self.what in ("killed", "timeout")


def lay_out(module: str) -> Path:
    """The room for one module: package, its quick tests, a pyproject of its own."""
    room = ROOM / module
    shutil.rmtree(room, ignore_errors=True)
    (room / "src").mkdir(parents=True)
    shutil.copytree(ROOT / "daemon" / "lastbubble", room / "src" / "lastbubble", ignore=_left_out)
    (room / "tests" / "guard").mkdir(parents=True)
    for name in (
        "tests/__init__.py",
        "tests/guard/__init__.py",
        "tests/guard/bench.py",
        "tests/guard/judged.py",
        *TESTS[module],
    ):
        shutil.copy2(ROOT / name, room / name)
    (room / "pyproject.toml").write_text(
        "[tool.mutmut]\n"
        'source_paths = ["src"]\n'
        f'only_mutate = ["src/lastbubble/guard/{module}.py"]\n'
        f"pytest_add_cli_args_test_selection = {json.dumps(TESTS[module])}\n"
        'pytest_add_cli_args = ["-q", "-x", "-p", "no:cacheprovider"]\n'
        "use_git_change_detection = false\n"
        "track_dependencies = false\n"
        # Real time: on a machine that does other things too, a short test may take many seconds.
        "timeout_constant = 20.0\n"
        "[tool.pytest.ini_options]\n"
        'filterwarnings = ["ignore::DeprecationWarning:mutmut"]\n'
    )
    return room


def _left_out(_folder: str, names: list[str]) -> set[str]:
    return {name for name in names if name == "__pycache__"}


def mutate(module: str, show: bool = False) -> list[Outcome]:
    """Run mutmut over one module. Raises RuntimeError when it could not (the tests have to pass unchanged)."""
    room = lay_out(module)
    # Without the plugins of others, which these tests do not need, a mutant costs a fraction.
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    environment.pop("PYTHONPATH", None)
    command = [sys.executable, "-m", "mutmut", "run", "--max-children", "1"]
    run = subprocess.run(command, cwd=room, env=environment, capture_output=not show, text=True, check=False)
    meta = room / "mutants" / "src" / "lastbubble" / "guard" / f"{module}.py.meta"
    if run.returncode != 0 or not meta.exists():
        tail = "" if show else "\n".join((run.stdout + run.stderr).splitlines()[-40:])
        raise RuntimeError(f"{module}: mutmut ended with {run.returncode}\n{tail}")
    codes = json.loads(meta.read_text())["exit_code_by_key"]
    return [Outcome(name, _word(code)) for name, code in codes.items()]


def _word(code: int | None) -> str:
    if code in _KILLED:
        return "killed"
    if code in _TIMEOUT:
        return "timeout"
    if code in _NO_TESTS:
        return "no tests"
    return "survived" if code == 0 else f"other ({code})"


def difference(module: str, name: str) -> str:
    """What the mutant changed, as a diff without its head."""
    command = [sys.executable, "-m", "mutmut", "show", name]
    text = subprocess.run(command, cwd=ROOM / module, capture_output=True, text=True, check=False).stdout
    return "\n".join(line for line in text.splitlines() if line[:1] in "+-" and line[:3] not in ("+++", "---"))


def main(arguments: Sequence[str] | None = None) -> int:
    """See the module's head."""
    parser = argparse.ArgumentParser(prog="./tools/test --mutate", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=", ".join(TESTS))
    parser.add_argument("--show", action="store_true", help="let mutmut's own progress through")
    args = parser.parse_args(arguments)
    unknown = sorted(set(args.modules) - set(TESTS))
    if unknown:
        parser.error(f"{', '.join(unknown)}: not a module to mutate; allowed: {', '.join(TESTS)}")
    os.nice(10)
    outcomes: dict[str, list[Outcome]] = {}
    for module in args.modules or TESTS:
        outcomes[module] = mutate(module, args.show)
    print(
        "| module | mutants | killed | of them by never ending | survived | share killed |\n|---|---|---|---|---|---|"
    )
    everything = [outcome for found in outcomes.values() for outcome in found]
    for module, found in [*outcomes.items(), ("all", everything)]:
        count = Counter(outcome.what for outcome in found)
        dead = sum(outcome.dead for outcome in found)
        share = dead / len(found) if found else 1.0
        print(f"| {module} | {len(found)} | {dead} | {count['timeout']} | {len(found) - dead} | {share:.1%} |")
    for module, found in outcomes.items():
        for outcome in found:
            if not outcome.dead:
                print(f"\n{outcome.name} ({outcome.what})\n{difference(module, outcome.name)}")
    if not everything:
        return 1
    return 0 if sum(outcome.dead for outcome in everything) >= WANTED_SHARE * len(everything) else 1


if __name__ == "__main__":
    sys.exit(main())

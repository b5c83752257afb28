"""Mutation of the guard's rules, judges, states, requests and latch: every small change to them has to fail a test.

./tools/test --mutate [MODULE ...]     e.g. heat_judges; without a name all of them, one after the other

mutmut makes the mutants (it writes every one into the module, chosen by a variable of the environment). They are run
here, in one process a module and a room of its own under mutants/ (not in git): pytest collects the module's quick
tests once and runs them for one mutant after the other until one fails. So a mutant costs milliseconds; mutmut's own
runner needs a fork and a session for each. A mutant that uses 20 s of processor time is taken for one that never ends.

Ends with the table and the survivors; exit code 0 when at least the wanted share was killed.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

ROOT = Path(__file__).resolve().parents[1]
ROOM = ROOT / "mutants" / "guard"
WANTED_SHARE = 0.95
MUTANT_VARIABLE = "MUTANT_UNDER_TEST"
_MOST_CPU_S = 20.0

#: Module -> the quick tests that are about it.
TESTS = {
    "rules": ["tests/guard/test_table.py"],
    "heat_judges": ["tests/guard/test_heat_judges.py"],
    "probe_judges": ["tests/guard/test_probe_judges.py"],
    "states": ["tests/guard/test_states.py"],
    "requests": ["tests/guard/test_asking.py"],
    "latch": ["tests/guard/test_latch.py"],
}
_HELPERS = ("tests/__init__.py", "tests/guard/__init__.py", "tests/guard/bench.py", "tests/guard/judged.py")


@dataclass(frozen=True, slots=True)
class Outcome:
    """One mutant: its name, and killed, timeout or survived."""

    name: str
    what: str

    @property
    def dead(self) -> bool:
        """A mutant that never ends is noticed as surely as one that fails."""
        return self.what in ("killed", "timeout")


def lay_out(module: str) -> Path:
    """The room for one module: the package, the module's quick tests, a pyproject of its own."""
    room = ROOM / module
    shutil.rmtree(room, ignore_errors=True)
    (room / "src").mkdir(parents=True)
    shutil.copytree(
        ROOT / "daemon" / "lastbubble", room / "src" / "lastbubble", ignore=shutil.ignore_patterns("__pycache__")
    )
    (room / "tests" / "guard").mkdir(parents=True)
    for name in (*_HELPERS, *TESTS[module]):
        shutil.copy2(ROOT / name, room / name)
    (room / "pyproject.toml").write_text('[tool.mutmut]\nsource_paths = ["src"]\n[tool.pytest.ini_options]\n')
    return room


def mutate(module: str) -> list[Outcome]:
    """All mutants of one module. Raises RuntimeError when they could not be run (the tests have to pass unchanged)."""
    room = lay_out(module)
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    environment["PYTHONPATH"] = f"{room / 'src'}:{room}"
    command = [sys.executable, str(Path(__file__).resolve()), "--inside", module]
    run = subprocess.run(command, cwd=room, env=environment, capture_output=True, text=True, check=False)
    found = room / "outcomes.json"
    if run.returncode != 0 or not found.exists():
        tail = "\n".join((run.stdout + run.stderr).splitlines()[-40:])
        raise RuntimeError(f"{module}: ended with {run.returncode}\n{tail}")
    return [Outcome(name, what) for name, what in json.loads(found.read_text()).items()]


# -- inside the room -----------------------------------------------------------------------------------------------


class _TooLong(BaseException):  # past every `except Exception` of a test
    """A mutant has used up its processor time."""


def _inside(module: str) -> int:
    """In the room, in a process of its own: mutate, collect once, run mutant after mutant."""
    import hypothesis
    import pytest
    from mutmut.mutation.file_mutation import mutate_file_contents

    path = Path("src/lastbubble/guard") / f"{module}.py"
    made = mutate_file_contents(str(path), path.read_text(), None, None)
    path.write_text(made.code)
    os.environ[MUTANT_VARIABLE] = ""
    hypothesis.settings.register_profile(
        "mutants", max_examples=25, deadline=None, database=None, derandomize=True, phases=[hypothesis.Phase.generate]
    )
    hypothesis.settings.load_profile("mutants")

    def too_long(_signum: int, _frame: FrameType | None) -> None:
        raise _TooLong

    signal.signal(signal.SIGVTALRM, too_long)

    class Loop:
        outcomes: dict[str, str] = {}  # noqa: RUF012  # one class, one run

        @pytest.hookimpl(tryfirst=True)
        def pytest_runtestloop(self, session: pytest.Session) -> bool:
            if session.testsfailed or not session.items:
                raise pytest.UsageError("the quick tests cannot be collected")
            if not _passes(session, ""):
                raise pytest.UsageError("the quick tests fail without any mutant")
            for name in made.mutant_names:
                signal.setitimer(signal.ITIMER_VIRTUAL, _MOST_CPU_S)
                try:
                    passed = _passes(session, f"lastbubble.guard.{module}.{name}")
                    self.outcomes[name] = "survived" if passed else "killed"
                except _TooLong:
                    self.outcomes[name] = "timeout"
                finally:
                    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
            os.environ[MUTANT_VARIABLE] = ""
            return True

    def _passes(session: pytest.Session, mutant: str) -> bool:
        from _pytest.runner import runtestprotocol

        os.environ[MUTANT_VARIABLE] = mutant
        for item in session.items:
            reports = runtestprotocol(item, log=False, nextitem=None)
            if any(report.failed for report in reports):
                return False
        return True

    code = pytest.main(["-q", "-p", "no:cacheprovider", "--tb=no", "--assert=plain", *TESTS[module]], plugins=[Loop()])
    if code != 0 or not Loop.outcomes:
        return int(code) or 1
    Path("outcomes.json").write_text(json.dumps(Loop.outcomes))
    return 0


# -- what is printed -----------------------------------------------------------------------------------------------


def difference(module: str, name: str) -> str:
    """What the mutant changed, line by line."""
    source = (ROOM / module / "src" / "lastbubble" / "guard" / f"{module}.py").read_text()
    functions = {node.name: node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef)}
    stem, _, number = name.rpartition("_")

    def text(function: str) -> list[str]:
        lines = (ast.get_source_segment(source, functions[function]) or "").splitlines()
        return [line.replace(function, stem) for line in lines]

    changes = difflib.unified_diff(text(f"{stem}_orig"), text(f"{stem}_{number}"), lineterm="", n=0)
    return "\n".join(line for line in changes if line[:1] in "+-" and line[:3] not in ("+++", "---"))


def main(arguments: Sequence[str] | None = None) -> int:
    """See the module's head."""
    parser = argparse.ArgumentParser(prog="./tools/test --mutate", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=", ".join(TESTS))
    parser.add_argument("--inside", help=argparse.SUPPRESS)
    args = parser.parse_args(arguments)
    if args.inside:
        return _inside(args.inside)
    unknown = sorted(set(args.modules) - set(TESTS))
    if unknown:
        parser.error(f"{', '.join(unknown)}: not a module to mutate; allowed: {', '.join(TESTS)}")
    outcomes = {module: mutate(module) for module in args.modules or TESTS}
    everything = [outcome for found in outcomes.values() for outcome in found]
    print("| module | mutants | killed | of them by never ending | survived | share killed |")
    print("|---|---|---|---|---|---|")
    for module, found in [*outcomes.items(), ("all", everything)]:
        timeouts = Counter(outcome.what for outcome in found)["timeout"]
        dead = sum(outcome.dead for outcome in found)
        share = dead / len(found) if found else 1.0
        print(f"| {module} | {len(found)} | {dead} | {timeouts} | {len(found) - dead} | {share:.1%} |")
    for module, found in outcomes.items():
        for outcome in found:
            if not outcome.dead:
                print(f"\n{module}: {outcome.name}\n{difference(module, outcome.name)}")
    return 0 if everything and sum(outcome.dead for outcome in everything) >= WANTED_SHARE * len(everything) else 1


if __name__ == "__main__":
    sys.exit(main())

"""The documentation site: it builds without a warning, needs nothing from elsewhere, and a dead link ends the build."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

from lastbubble.cli import COMMANDS
from lastbubble.commissioning.steps import STEPS
from tools.docs_site import DOCS, commands_page

ROOT = DOCS.parent
NAMED = (
    "safety", "wiring", "installation", "commissioning", "calibration", "settings", "first-batch", "degassing", "plan",
    "batches", "resin", "oven", "phone", "troubleshooting", "log-format", "mqtt",
)  # fmt: skip
WANTED = (*NAMED, "commands", "measured/install")


def build(docs: Path, out: Path, builder: str = "html") -> subprocess.CompletedProcess[str]:
    """In a process of its own: the builder changes the interpreter it runs in."""
    code = "import sys; from pathlib import Path; from tools.docs_site import build;"
    code += " sys.exit(build(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]))"
    return subprocess.run(
        [sys.executable, "-c", code, str(out), str(docs), builder],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=110,
    )  # fmt: skip


def test_it_builds_whole_and_needs_nobody_else(tmp_path: Path) -> None:
    done = build(DOCS, tmp_path / "site")
    assert done.returncode == 0, done.stderr
    for page in WANTED:
        assert (tmp_path / "site" / f"{page}.html").exists(), page
    for page in (tmp_path / "site").rglob("*.html"):
        fetched = re.findall(
            r"<(?:script|img|link|iframe)[^>]*(?:src|href)=[\"'](https?:)?//", page.read_text(encoding="utf-8")
        )
        assert fetched == [], page


def test_a_dead_link_ends_the_build(tmp_path: Path) -> None:
    docs = tmp_path / "docs"
    docs.mkdir()
    shutil.copy(DOCS / "conf.py", docs)
    for name in NAMED:
        (docs / f"{name}.md").write_text(f"# {name}\n\n[well](index.md), [well](#{name})\n", encoding="utf-8")
    dead = "[a](no-such-page.md)\n\n[b](safety.md#no-such-heading)\n\n![c](none.svg)\n"
    (docs / "oven.md").write_text(f"# oven\n\n{dead}", encoding="utf-8")
    (docs / "index.md").write_text("# Start\n\nText.\n", encoding="utf-8")
    done = build(docs, tmp_path / "dead", "dummy")
    assert done.returncode != 0
    told = [line for line in done.stderr.splitlines() if "WARNING" in line]
    for word in ("no-such-page.md", "no-such-heading", "none.svg"):
        assert sum(word in line for line in told) == 1, done.stderr
    assert len(told) == 3, "and nothing else"


def test_the_commands_page_has_every_command_with_its_examples() -> None:
    page = commands_page()
    for name in COMMANDS:
        assert f"## {name}\n" in page
        assert f"lastbubble {name}" in page
    assert "examples:" in page


def test_the_commissioning_page_has_every_step_as_the_table_has_it() -> None:
    page = (DOCS / "commissioning.md").read_text(encoding="utf-8")
    for row in STEPS:
        line = next(line for line in page.splitlines() if line.startswith(f"| `{row.name}` |"))
        assert row.title in line
        assert row.again in line
        assert (f"every {row.due_days} days" in line) == (row.due_days is not None)

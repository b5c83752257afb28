"""The summary after the batch: stages, events beside the truth, what arrived where, where the files lie."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.table import Table

from tools.tryout.run import Result
from tools.tryout.verdict import Check
from tools.tryout.words import clock_text, span_text

__all__ = ["print_summary", "summary_text"]


def print_summary(result: Result, console: Console) -> None:
    """Everything."""
    facts = result.facts
    records = facts["records"]
    stages = [record for record in records if record["kind"] == "stage"]
    console.print()
    console.print(_stages(stages, facts["bench_s"]))
    console.print(_events(records, facts["truth"], facts["zero_s"]))
    console.print(_told(facts))
    console.print(_checks(result.checks))
    console.print(_files(facts), highlight=False)


def summary_text(result: Result, width: int = 100) -> str:
    """The same as plain text."""
    out = io.StringIO()
    print_summary(result, Console(file=out, width=width, no_color=True))
    return out.getvalue()


def _stages(stages: list[Mapping[str, Any]], end_s: float) -> Table:
    table = Table(title="Stages", title_justify="left")
    for name, justify in (("stage", "left"), ("said at", "right"), ("since", "right"), ("lasted", "right")):
        table.add_column(name, justify=justify)
    begins = [record["since"] if record.get("since") is not None else record["t"] for record in stages]
    for record, begin_s, next_s in zip(stages, begins, [*begins[1:], end_s], strict=True):
        table.add_row(record["stage"], clock_text(record["t"]), clock_text(begin_s), span_text(next_s - begin_s))
    return table


def _events(records: list[Mapping[str, Any]], truth: Mapping[str, Any], zero_s: float) -> Table:
    table = Table(title="Events, beside the simulated truth", title_justify="left")
    for name in ("event", "said at", "happened (estimate)", "truly", "off by"):
        table.add_column(name, justify="left" if name == "event" else "right")
    for record in records:
        if record["kind"] != "event":
            continue
        true_s = truth.get(f"{record['name']}_s")
        true_s = None if true_s is None else true_s - zero_s
        table.add_row(
            record["name"],
            clock_text(record["t"]),
            clock_text(record["since"]),
            clock_text(true_s),
            "" if true_s is None else span_text(record["since"] - true_s),
        )
    return table


def _told(facts: Mapping[str, Any]) -> Table:
    table = Table(title="Told", title_justify="left", show_header=False)
    table.add_column()
    table.add_column()
    messages: Mapping[str, int] = facts["messages"]
    doubles = f", {facts['doubles']} of them twice" if facts["doubles"] else ""
    table.add_row("subscriber", f"{sum(messages.values())} messages, {messages.get('record', 0)} records{doubles}")
    for notice in facts["notices"]:
        table.add_row("phone", str(notice.get("message") or notice.get("title") or ""))
    return table


def _checks(checks: list[Check]) -> Table:
    table = Table(title="Checks", title_justify="left", show_header=False)
    table.add_column()
    table.add_column()
    table.add_column()
    for check in checks:
        table.add_row("ok" if check.ok else "NO", check.name, check.finding, style="" if check.ok else "bold red")
    return table


def _files(facts: Mapping[str, Any]) -> str:
    out = facts["out"]
    lines = [
        f"log            {out}/batch.csv",
        f"report         {out}/report.html",
        f"live stream    {out}/batch.jsonl",
        f"at subscriber  {out}/received.jsonl",
        f"on the phone   {out}/notices.jsonl",
        f"bench time     {span_text(facts['bench_s'])} in {span_text(facts['real_s'])}",
    ]
    if facts["kept"]:
        lines.append(f"bench's folder {facts['kept']}")
    return "\n".join(lines)

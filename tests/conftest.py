"""Shared by every test: in CI nothing may be skipped."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

# Small matrices: threads of the linear algebra only get in each other's way, the more so beside another worker.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,  # noqa: ARG001  # the hook's own names
    call: pytest.CallInfo[None],  # noqa: ARG001
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where LASTBUBBLE_NO_SKIP is set, keeping its reason."""
    report = yield
    if report.skipped and os.environ.get("LASTBUBBLE_NO_SKIP"):
        report.outcome = "failed"
        report.longrepr = f"skipped, and nothing may be skipped here: {report.longrepr}"
    return report

"""What holds for all tests: where the references are, and that nothing is skipped unseen."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

NO_SKIPS = os.environ.get("STILLBOX_NO_SKIPS") == "1"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skipped test into a failed one where nothing may be skipped."""
    report = yield
    if NO_SKIPS and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, but STILLBOX_NO_SKIPS is set: {call.excinfo}"
    return report

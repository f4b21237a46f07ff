"""What holds for all tests: where the references are, and that nothing is skipped unseen."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator

import pytest


@pytest.fixture(autouse=True, scope="session")
def own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a person says in a test is kept for that test run, not for whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


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

"""What holds for all tests: where the references are, and that nothing is skipped unseen."""

from __future__ import annotations

import gc
import os
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest
from computed_once import computed_once
from made_once import made_once
from shared_out import WAITING, OneWaits, give_way
from xdist.remote import Producer

from stillbox.capture.build.build_folder import BuildFolder


@pytest.fixture(autouse=True, scope="session")
def own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a person says in a test is kept for that test run, not for whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(autouse=True, scope="session")
def slow_results_kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """See `computed_once` and `made_once`; all workers of a run keep them in one folder."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    with made_once(shared / "made-once"), computed_once(shared / "computed-once"):
        yield


@pytest.fixture
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is set in a test is forgotten after it."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    """A build without takes whose reference resistor is known."""
    made = BuildFolder.create(tmp_path / "build", rated_ohm=8.0)
    made.set_calibration(10.0, 1.0)
    return made


LONG_FIRST = (
    "test_driver_and_box",
    "test_window_results",
    "test_window_driver_and_box",
    "test_window_bench",
    "test_hostile_input",
    "test_summary",
    "test_states",
    "test_flow",
    "test_report",
    "test_window_pictures",
    "test_wild_fits",
    "test_wild_speakers",
    "test_window_fits",
    "test_pre_check",
)
"""Modules that take long: begun first, so that all workers end together."""


def pytest_configure() -> None:
    """Workers share the processor out before they begin."""
    give_way()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> OneWaits | None:
    """Where each module stays on one worker, those that wait stay on the first."""
    return OneWaits(config, log) if config.getoption("dist") == "loadfile" else None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Bring the long modules to the front; `tests/run` keeps each on one worker, so that it makes its fixtures once."""
    rank = {name: place for place, name in enumerate((*WAITING, *LONG_FIRST))}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))


def pytest_collection_finish() -> None:
    """What the modules hold stays for the whole run: looked through at every collection of garbage, it cost much."""
    gc.collect()
    gc.freeze()


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

"""What the window has worked out a report does not work out again, and a changed line costs what it enters."""

from __future__ import annotations

import gc
import importlib
import re
import threading
import weakref
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from practice_takes import practice_takes

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.page.write_up import write_build_report
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.gui.views import box_and_bass, driver, one_state, two_states

COUNTED = (
    ("stillbox.analysis.bench", "channel_ratio"),
    ("stillbox.analysis.bench", "fit_resonances"),
    ("stillbox.analysis.bench", "fit_with_poles"),
    ("stillbox.analysis.bench", "assign_causes"),
    ("stillbox.analysis.bench", "decay_response"),
    ("stillbox.analysis.driver.driver_report", "fit_driver"),
    ("stillbox.analysis.box.box_report", "fit_box"),
    ("stillbox.analysis.bass.bass_report", "lining_cost"),
)
FITS = {"fit_resonances", "fit_with_poles", "fit_driver", "fit_box", "channel_ratio"}


@pytest.fixture(scope="module")
def counted() -> Iterator[Counter[str]]:
    calls: Counter[str] = Counter()
    with pytest.MonkeyPatch.context() as patch:
        for module, name in COUNTED:

            def called(*given: object, _name: str = name, _function=None, **named: object) -> object:  # type: ignore[no-untyped-def]
                calls[_name] += 1
                return _function(*given, **named)

            function = getattr(importlib.import_module(module), name)
            patch.setattr(f"{module}.{name}", lambda *g, _c=called, _f=function, **n: _c(*g, _function=_f, **n))
        yield calls


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, counted: Counter[str]) -> Bench:
    """A bench of which the window has shown all views."""
    takes = (("free-air", None), ("in-box", "stock"), ("in-box", "lined"))
    bench = Bench(BuildFolder.open(practice_takes(tmp_path_factory.mktemp("builds"), takes)))  # type: ignore[arg-type]
    shown(bench)
    assert counted["fit_driver"] == 1 and counted["fit_box"] == 2 and counted["fit_resonances"] == 3
    return bench


def shown(bench: Bench) -> None:
    """What the window computes for its views."""
    free_air, stock, lined = bench.takes
    list(one_state.VIEW.compute(bench, [lined]))
    list(two_states.VIEW.compute(bench, [stock, lined]))
    list(driver.VIEW.compute(bench, [free_air]))
    list(box_and_bass.VIEW.compute(bench, [lined]))


def reported(bench: Bench, path: Path) -> None:
    write_build_report(bench, bench.reported(), path / "report.html")


def test_a_report_after_the_window_fits_nothing(bench: Bench, counted: Counter[str], tmp_path: Path) -> None:
    counted.clear()
    reported(bench, tmp_path)
    assert not counted, "the window had it all"


def test_another_thread_fits_nothing(bench: Bench, counted: Counter[str], tmp_path: Path) -> None:
    counted.clear()
    threads = [threading.Thread(target=shown, args=(bench,)), threading.Thread(target=reported, args=(bench, tmp_path))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
        assert not thread.is_alive()
    assert not counted


def recomputed(bench: Bench, counted: Counter[str], line: str, instead: str) -> set[str]:
    """What is computed anew for all views after one line of build.toml has changed."""
    path = bench.build.path / "build.toml"
    before = path.read_text(encoding="utf-8")
    after, found = re.subn(line, instead, before, count=1)
    assert found == 1
    path.write_text(after, encoding="utf-8")
    try:
        counted.clear()
        shown(bench.renewed())
    finally:
        path.write_text(before, encoding="utf-8")
    return set(counted)


def test_the_name_costs_words_alone(bench: Bench, counted: Counter[str]) -> None:
    assert not recomputed(bench, counted, r"(?m)^name = .*$", 'name = "other"') & (FITS | {"assign_causes"})


def test_a_multimeter_costs_the_fits_of_driver_and_boxes(bench: Bench, counted: Counter[str]) -> None:
    ohm = driver_of_take(bench, bench.takes[0]).fit.re_ohm.value
    found = recomputed(bench, counted, r"\[driver\]\n", f"[driver]\nre_ohm = {1.001 * ohm:.3f}\n")
    assert found & FITS == {"fit_driver", "fit_box"} and "assign_causes" not in found


def test_the_temperature_costs_no_fit_of_resonances_or_driver(bench: Bench, counted: Counter[str]) -> None:
    found = recomputed(bench, counted, r"(?m)^temperature_c = .*$", "temperature_c = 21.5")
    assert "assign_causes" in found
    assert found & FITS <= {"fit_box"}, "the air that cone and port share is that of the box"


def test_what_is_kept_of_driver_and_box_cannot_be_written_to(bench: Bench) -> None:
    free_air, stock, _ = bench.takes
    report = driver_of_take(bench, free_air)
    box = box_of_take(bench, stock, report)
    assert box_of_take(bench, stock, report) is box
    for array in (report.fit.parameters, report.fit.covariance, box.fit.parameters):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0


def test_what_is_kept_is_forgotten_with_its_bench(bench: Bench) -> None:
    other = Bench(bench.build)
    gone, report = weakref.ref(other), driver_of_take(other, other.takes[0])
    assert driver_of_take(other, other.takes[0]) is report
    del other
    gc.collect()
    assert gone() is None

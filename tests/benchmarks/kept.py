"""What the memory of a bench saves, and how soon work ends that nobody waits for any more.

Run: python tests/benchmarks/kept.py [--quick]
"""

from __future__ import annotations

import importlib
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from table import Row, at_most, table

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.decay.decay_of_take import decay_of_take
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.maths.stopping import stopping_when
from stillbox.analysis.memory import Memory
from stillbox.analysis.page.demonstration import demonstration_build
from stillbox.analysis.page.write_up import write_build_report
from stillbox.capture.build.build_folder import BuildFolder

FITS = (
    ("stillbox.analysis.bench", "fit_resonances"),
    ("stillbox.analysis.bench", "fit_with_poles"),
    ("stillbox.analysis.driver.driver_report", "fit_driver"),
    ("stillbox.analysis.driver.driver_report", "fit_box"),
    ("stillbox.analysis.box.box_report", "fit_box"),
)
RATIOS = (("stillbox.analysis.bench", "channel_ratio"),)


def rows(quick: bool = False) -> list[Row]:
    """All of one demonstration build, in processor time."""
    with tempfile.TemporaryDirectory() as folder:
        build = demonstration_build(Path(folder) / "build", lambda _: None)
        page = Path(folder) / "report.html"
        return [*_report_rows(build, page), _gate_row(build), *_stop_rows(build)]


@contextmanager
def counted(functions: tuple[tuple[str, str], ...]) -> Iterator[Counter[str]]:
    """Calls of functions, by name."""
    calls: Counter[str] = Counter()
    places = [(importlib.import_module(module), name) for module, name in functions]
    before = [getattr(module, name) for module, name in places]

    def counting(name: str, function: Callable[..., object]) -> Callable[..., object]:
        def called(*given: object, **named: object) -> object:
            calls[name] += 1
            return function(*given, **named)

        return called

    for (module, name), function in zip(places, before, strict=True):
        setattr(module, name, counting(name, function))
    try:
        yield calls
    finally:
        for (module, name), function in zip(places, before, strict=True):
            setattr(module, name, function)


def worked_out(bench: Bench) -> None:
    """What the window works out of two takes: findings, comparison, decays, driver, boxes, bass."""
    takes = bench.reported()
    opening_of(bench, takes)
    for take in takes:
        decay_of_take(bench, take)
        free_air = bench.newest("free-air", unit=take.unit)
        assert free_air is not None
        box_of_take(bench, take, driver_of_take(bench, free_air))


def _processor_s(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


def _report_rows(build: BuildFolder, page: Path) -> list[Row]:
    bench, frozen = Bench(build), [0.0]
    freeze, inside = Memory._freeze, [False]

    def timed(memory: Memory, value: object) -> None:
        if inside[0]:
            freeze(memory, value)
            return
        inside[0] = True
        frozen[0] += _processor_s(lambda: freeze(memory, value))
        inside[0] = False

    Memory._freeze = timed  # type: ignore[method-assign]
    try:
        window_s = _processor_s(lambda: worked_out(bench))
    finally:
        Memory._freeze = freeze  # type: ignore[method-assign]
    with counted(FITS) as calls:
        report_s = _processor_s(lambda: write_build_report(bench, bench.reported(), page))
    alone_s = _processor_s(lambda: write_build_report(Bench(build), bench.reported(), page))
    return [
        at_most("fits made again for a report after the window", sum(calls.values()), 0, "{:d}"),
        at_most(
            "report after the window over report alone, processor time",
            report_s / alone_s,
            0.6,
            "{:.2f}",
            f"{window_s:.1f} s, then {report_s:.1f} s, most of it drawing; alone {alone_s:.1f} s",
        ),
        at_most("making results read-only, of the time to work them out", frozen[0] / window_s, 0.01, "{:.2%}"),
    ]


def _gate_row(build: BuildFolder) -> Row:
    bench = Bench(build, gate_s=0.08)
    with counted(RATIOS) as calls:
        for take in bench.takes:
            bench.curve(take)
    return at_most("deconvolutions for each take with a gate", calls["channel_ratio"] / len(bench.takes), 2.0)


def _stop_rows(build: BuildFolder) -> list[Row]:
    """The longest stretch between two looks whether work is still wanted: so late it ends at most."""
    bench, longest, last, looks = Bench(build), [0.0], [time.thread_time()], [0]

    def look() -> bool:
        now = time.thread_time()
        longest[0], last[0] = max(longest[0], now - last[0]), now
        looks[0] += 1
        return False

    with stopping_when(look):
        look()
        longest[0] = 0.0
        worked_out(bench)
    said = f"{looks[0]} looks"
    return [at_most("work goes on when nobody waits any more, s of processor time", longest[0], 0.2, "{:.3f}", said)]


if __name__ == "__main__":
    print(table(rows("--quick" in sys.argv)))

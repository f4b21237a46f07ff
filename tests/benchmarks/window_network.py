"""How quick the table of a crossover is: from a written value to the painted curves, and to the drawn bands.

Run: python tests/benchmarks/run.py [--quick] window_network
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from PyQt5.QtWidgets import QApplication

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from reference.wild_two_ways import wild_two_way, write_build  # noqa: E402
from table import Row, at_most  # noqa: E402

from stillbox.capture.build.kept_networks import keep_network  # noqa: E402
from stillbox.capture.sweep.excitation import Excitation  # noqa: E402
from stillbox.gui.main_window import MainWindow  # noqa: E402
from stillbox.gui.results.parts_desk import COLUMNS  # noqa: E402
from stillbox.gui.start import SWITCH_S  # noqa: E402
from stillbox.gui.work.settings import Settings  # noqa: E402

TAKES = (("channel-match", ""), ("load", ""), ("free-air", "woofer"), ("free-air", "tweeter"), ("in-box", ""))
PAINTED_S, DRAWN_S = 0.1, 1.0
MOST_S = 120.0


def rows(quick: bool = False) -> list[Row]:
    """Medians and the slowest of some values of a capacitor, one after the other."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    application = QApplication.instance() or QApplication([])
    assert isinstance(application, QApplication)
    sys.setswitchinterval(SWITCH_S)
    painted, drawn = [], []
    with tempfile.TemporaryDirectory() as folder:
        speaker = wild_two_way(12)
        build = write_build(speaker, Path(folder) / "two", Excitation(repeats=1), takes=TAKES)
        keep_network(build, speaker.netlist())
        window = MainWindow(Settings(window_size=[1366, 768]), Path(folder) / "window.toml")
        window.show()

        def wait(reached: Callable[[], bool]) -> None:
            end_s = time.perf_counter() + MOST_S
            while not reached() and time.perf_counter() < end_s:
                application.processEvents()
                time.sleep(0.001)

        def still() -> bool:
            return not any(lane.busy for lane in window.lanes.values())

        wait(still)
        window.open_build(build.path)
        wait(lambda: bool(window.reading.takes))
        window._view_wanted("network")
        wait(lambda: still() and window.reading.results is not None and window.reading.results.complete)
        desk, pane = window.results.desk, window.results.pane
        row = [one.name for one in desk.draft.rows].index("C1")
        for number in range(6 if quick else 20):
            item = desk.table.item(row, COLUMNS.index("Value"))
            assert item is not None
            begin_s = time.perf_counter()
            item.setText(f"{6 + 0.3 * number:g}u")
            wait(lambda: bool(pane._overlay))
            painted.append(time.perf_counter() - begin_s)
            wait(lambda: still() and not pane._overlay)
            drawn.append(time.perf_counter() - begin_s)
        window.close()
    return [
        at_most("value of a part written to its curves painted, median, s", statistics.median(painted), PAINTED_S),
        at_most("the same, the slowest, s", max(painted), PAINTED_S),
        at_most("to the picture with bands of 2,000 draws, median, s", statistics.median(drawn), DRAWN_S),
    ]

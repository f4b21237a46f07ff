"""How quick the window is: start, end of a sweep to the drawn findings, cursor, meters, long lists, idling, blocking.

Run: python tests/benchmarks/window.py [--quick]
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from PyQt5.QtCore import QTimer
from PyQt5.QtWidgets import QApplication

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from sound_servers import jack_missing, jack_speaker  # noqa: E402
from table import Row, at_least, at_most, table  # noqa: E402

from stillbox.capture.build.build_folder import BuildFolder  # noqa: E402
from stillbox.capture.build.sidecar import write_sidecar  # noqa: E402
from stillbox.capture.live.devices import find_device  # noqa: E402
from stillbox.capture.live.live_take import LiveRequest, record_take  # noqa: E402
from stillbox.gui.main_window import MainWindow  # noqa: E402
from stillbox.gui.start import SWITCH_S  # noqa: E402
from stillbox.gui.work.session import practice_build  # noqa: E402
from stillbox.gui.work.settings import Settings  # noqa: E402

BARS = {
    "start": 1.5,
    "sweep to findings": 1.0,
    "cursor, impedance": 0.016,
    "cursor, decay": 0.033,
    "500 takes": 2.0,
    "idle": 0.01,
    "meters": 20.0,
    "blocked": 0.05,
}
_CHILD = """
import os, sys, time
from PyQt5.QtWidgets import QApplication
application = QApplication([])
from stillbox.gui.main_window import MainWindow
from stillbox.gui.work.settings import Settings
window = MainWindow(Settings(), __import__("pathlib").Path(sys.argv[2]))
window.show()
application.processEvents()
window.grab()
print(time.time() - float(sys.argv[1]), flush=True)
os._exit(0)
"""


def rows(quick: bool = False) -> list[Row]:
    """The table of the window's figures; ``quick`` takes fewer rounds and a short sweep."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    application = QApplication.instance() or QApplication([])
    assert isinstance(application, QApplication)
    sys.setswitchinterval(SWITCH_S)
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        found = [at_most("window visible after start, s", _start_s(base, 2 if quick else 5), BARS["start"])]
        stage = _Stage(application, base, quick)
        found += stage.sweep_rows()
        found += stage.cursor_rows()
        found.append(at_most("idle, share of one CPU", stage.idle_share(3.0 if quick else 10.0), BARS["idle"]))
        found.append(at_most("list of 500 takes shown, s", stage.long_list_s(), BARS["500 takes"]))
        stage.close()
        found += _jack_rows(base, 2 if quick else 5)
    return found


def _jack_rows(base: Path, sweeps: int) -> list[Row]:
    """Sweeps of the window on JACK with blocks of 1,024 frames: meters, and sweeps in which nothing was lost."""
    named = "updates of the meters a second, on JACK"
    missing = jack_missing()
    if missing is not None:
        return [Row(named, f">= {BARS['meters']:g}", missing, "", False)]
    measured, fault = _measured_on_jack(base / "jack", sweeps)
    if measured is None:
        return [Row(named, f">= {BARS['meters']:g}", fault, "", False)]
    clean = measured["attempts"].count(1)
    return [
        at_least(named, min(measured["rates"]), BARS["meters"]),
        Row(f"sweeps on JACK without a lost block, of {sweeps}", str(sweeps), str(clean), "", clean == sweeps),
        _server_kills(base / "kills", max(3, 4 * sweeps)),
    ]


def _server_kills(folder: Path, kills: int) -> Row:
    """kill -9 of the sound server under one window, again and again."""
    what = f"kill -9 of the sound server at {kills} random moments of sweeps in one window: said, and it goes on"
    measured, fault = _measured_on_jack(folder, 0, kills)
    clear = 0 if measured is None else round(sum(measured["clear"]))
    return Row(what, "all", fault or f"{clear} of {kills}", "", clear == kills)


def _measured_on_jack(folder: Path, *numbers: int) -> tuple[dict[str, list[float]] | None, str]:
    """What `window_on_jack.py` prints, or what went wrong."""
    folder.mkdir()
    with jack_speaker(1024) as (environment, _):
        done = subprocess.run(
            [sys.executable, str(Path(__file__).with_name("window_on_jack.py")), str(folder), *map(str, numbers)],
            env={**environment, "XDG_CONFIG_HOME": str(folder / "settings"), "QT_QPA_PLATFORM": "offscreen"},
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
    if done.returncode:
        return None, (done.stderr.splitlines() or [f"exit status {done.returncode}"])[-1]
    print(done.stderr, file=sys.stderr, end="")
    return json.loads(done.stdout.splitlines()[-1]), ""


def _start_s(base: Path, rounds: int) -> float:
    """Median time from the start of Python to the painted window."""
    times = []
    for _ in range(rounds):
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, str(time.time()), str(base / "none.toml")],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        times.append(float(done.stdout.split()[-1]))
    return statistics.median(times)


def _high(values: list[float]) -> float:
    """The value that one in a thousand exceeds."""
    return sorted(values)[int(0.999 * (len(values) - 1))]


class _Stage:
    """A window with a practice build."""

    def __init__(self, application: QApplication, base: Path, quick: bool) -> None:
        self._application, self._base, self._quick = application, base, quick
        self._build = practice_build(base)
        rig = find_device("practice rig")
        record_take(BuildFolder.open(self._build), rig, LiveRequest("free-air", seconds=2.0), say=lambda _: None)
        self.window = MainWindow(Settings(window_size=[1366, 768]), base / "window.toml")
        self.window.show()
        self.window.open_build(self._build)
        self._settle()

    def close(self) -> None:
        self.window.close()
        self._application.processEvents()

    def _wait(self, reached: Callable[[], bool], most_s: float = 120.0) -> None:
        end_s = time.monotonic() + most_s
        while not reached():
            if time.monotonic() > end_s:
                raise TimeoutError("the window did not get there in time")
            self._application.processEvents()
            time.sleep(0.001)

    def _settle(self) -> None:
        window = self.window
        self._wait(lambda: not window.sweeps.running and not any(lane.busy for lane in window.lanes.values()))

    def sweep_rows(self) -> list[Row]:
        """Sweeps in the box at the pace of a sound card: time to the drawn findings, meters, longest block."""
        window = self.window
        delays, rates, gaps = [], [], []
        for _ in range(2 if self._quick else 5):
            window.bench.choose_subject("in-box")
            window.bench.seconds.setCurrentIndex(window.bench.seconds.findData(2.0 if self._quick else 5.0))
            moments: dict[str, float] = {}
            last = [time.perf_counter()]

            def beat(last: list[float] = last) -> None:
                now = time.perf_counter()
                gaps.append(now - last[0])
                last[0] = now

            heart = QTimer()
            heart.timeout.connect(beat)
            heart.start(5)

            def drawn(moments: dict[str, float] = moments) -> None:
                picture = window.results.pane.picture
                shown = picture is not None and len(picture.panels) > 1  # the curve alone is one panel
                if "end" in moments and shown and window.reading.results is not None and window.results.findings.rows:
                    moments.setdefault("drawn", time.perf_counter())

            window.results.pane.drawn.connect(drawn)
            window.bench.takes.select_numbers([])
            window.sweep()
            stream = window.sweeps._stream
            assert stream is not None
            self._wait(lambda stream=stream: stream.sweeping)  # type: ignore[misc]
            begin, updates = time.perf_counter(), window.bench.meters.updates
            self._wait(lambda stream=stream: stream.progress >= 1.0)  # type: ignore[misc]
            moments["end"] = time.perf_counter()
            rates.append((window.bench.meters.updates - updates) / (moments["end"] - begin))
            self._wait(lambda moments=moments: "drawn" in moments)  # type: ignore[misc]
            delays.append(moments["drawn"] - moments["end"])
            self._settle()
            heart.stop()
            window.results.pane.drawn.disconnect(drawn)
        return [
            at_most(
                "end of sweep to drawn impedance and findings, s", statistics.median(delays), BARS["sweep to findings"]
            ),
            at_least("updates of the meters a second", min(rates), BARS["meters"]),
            at_most("pause of the window from sweep to decay, 99.9 %, s", _high(gaps), BARS["blocked"]),
            at_most("the longest pause of all, s", max(gaps), BARS["blocked"]),
        ]

    def cursor_rows(self) -> list[Row]:
        """Redraw after a move of the cursor: of frequency alone, and of frequency and time in 120 slices."""
        pane = self.window.results.pane
        steps = 60 if self._quick else 300
        plain, timed = [], []
        for index in range(steps):
            pane.cursor_hz, pane.cursor_time = 20.0 * 900 ** (index / steps), None
            begin = time.perf_counter()
            pane.repaint()
            plain.append(time.perf_counter() - begin)
        surface = pane.picture.panels[-1].panel.surface if pane.picture else None
        assert surface is not None and surface.starts.size >= 119
        for index in range(steps):
            pane.cursor_time = float(surface.starts[index % surface.starts.size])
            begin = time.perf_counter()
            pane.repaint()
            timed.append(time.perf_counter() - begin)
        pane.cursor_hz = None
        return [
            at_most(
                "cursor redraw, impedance, s (95 %)", statistics.quantiles(plain, n=20)[-1], BARS["cursor, impedance"]
            ),
            at_most(
                "cursor redraw, decay of 120 slices, s (95 %)",
                statistics.quantiles(timed, n=20)[-1],
                BARS["cursor, decay"],
            ),
        ]

    def idle_share(self, seconds: float) -> float:
        """CPU time of the whole process while nothing happens, under Qt's own event loop."""
        self._settle()
        begin, wall = time.process_time(), time.perf_counter()
        QTimer.singleShot(round(1000 * seconds), self._application.quit)
        self._application.exec_()
        return (time.process_time() - begin) / (time.perf_counter() - wall)

    def long_list_s(self) -> float:
        """From the order to open to the list with 500 takes."""
        path = self._base / "many"
        folder = BuildFolder.create(path)
        folder.set_calibration(10.0)
        first = BuildFolder.open(self._build).find_take("free-air")
        samples = (self._build / "takes" / first.audio_file).read_bytes()
        for number in range(1, 501):
            name = f"{number:04d}-free-air-A.flac"
            (path / "takes" / name).write_bytes(samples)
            info = first.model_copy(update={"number": number, "audio_file": name})
            write_sidecar(path / "takes" / f"{number:04d}-free-air-A.json", info)
        begin = time.perf_counter()
        self.window.open_build(path)
        self._wait(lambda: len(self.window.bench.takes.takes_model.takes) == 500)
        self.window.grab()
        shown = time.perf_counter() - begin
        self._settle()
        return shown


if __name__ == "__main__":
    print(table(rows("--quick" in sys.argv)))

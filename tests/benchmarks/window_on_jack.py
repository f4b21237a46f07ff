"""What `window.py` measures on real audio: python window_on_jack.py FOLDER SWEEPS, prints JSON.

The window sweeps a device of JACK; PortAudio finds the server by the environment of the process.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

from PyQt5.QtWidgets import QApplication

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from sound_servers import JACK_DEVICE  # noqa: E402
from virtual_speaker import JIG  # noqa: E402

from capture.build_folder import BuildFolder  # noqa: E402
from capture.devices import find_device  # noqa: E402
from capture.output_calibration import keep_loudest_volts  # noqa: E402
from capture.safety import acknowledge_cautions  # noqa: E402
from gui.main_window import MainWindow  # noqa: E402
from gui.settings import Settings  # noqa: E402
from gui.start import SWITCH_S  # noqa: E402

SWEEP_S = 5.0


def measure(folder: Path, sweeps: int) -> dict[str, list[float]]:
    """Updates of the meters a second during each sweep, and at which attempt it was kept."""
    build = BuildFolder.create(folder / "build")
    build.set_calibration(JIG.reference_ohm)
    acknowledge_cautions(build)
    keep_loudest_volts(find_device(JACK_DEVICE).info, 1.0)
    application = QApplication([])
    sys.setswitchinterval(SWITCH_S)
    window = MainWindow(Settings(window_size=[1366, 768]), folder / "window.toml")

    def until(reached: Callable[[], bool], most_s: float = 60.0) -> None:
        end_s = time.monotonic() + most_s
        while not reached():
            if time.monotonic() > end_s:
                raise TimeoutError(f"{window.results.trouble.text()} {window.bench.said.text()}")
            application.processEvents()
            time.sleep(0.001)

    window.show()
    window.open_build(build.path)
    field = window.bench.device
    until(lambda: window.session is not None and any(JACK_DEVICE in field.itemText(i) for i in range(field.count())))
    field.setCurrentIndex(next(i for i in range(field.count()) if JACK_DEVICE in field.itemText(i)))
    window.bench.seconds.setCurrentIndex(window.bench.seconds.findData(SWEEP_S))
    rates = []
    for number in range(1, sweeps + 1):
        window.bench.choose_subject("in-box")
        window.sweep()
        until(lambda: window.sweeps._sweeping)
        stream = window.sweeps._stream
        assert stream is not None
        begin, updates = time.perf_counter(), window.bench.meters.updates
        until(lambda stream=stream: stream.progress >= 1.0)  # type: ignore[misc]
        rates.append((window.bench.meters.updates - updates) / (time.perf_counter() - begin))
        until(lambda number=number: len(build.takes()) == number and not window.sweeps.running)  # type: ignore[misc]
    window.close()
    return {"rates": rates, "attempts": [take.live.attempts if take.live else 0 for take in build.takes()]}


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]), int(sys.argv[2]))))

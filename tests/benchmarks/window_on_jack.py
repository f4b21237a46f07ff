"""What `window.py` measures on real audio: python window_on_jack.py FOLDER SWEEPS [KILLS], prints JSON.

The window sweeps a device of JACK; PortAudio finds the server by the environment of the process.
"""

from __future__ import annotations

import json
import os
import random
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtWidgets import QApplication

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from sound_servers import JACK_DEVICE, jack_speaker  # noqa: E402
from virtual_speaker import JIG  # noqa: E402

from stillbox.capture.build.build_folder import BuildFolder  # noqa: E402
from stillbox.capture.practice.practice_rig import PracticeRig  # noqa: E402
from stillbox.capture.sound.output_calibration import keep_loudest_volts  # noqa: E402
from stillbox.capture.sound.safety import acknowledge_cautions  # noqa: E402
from stillbox.capture.sound.sound_host import sound_host  # noqa: E402
from stillbox.gui.main_window import MainWindow  # noqa: E402
from stillbox.gui.start import SWITCH_S  # noqa: E402
from stillbox.gui.work.settings import Settings  # noqa: E402

SWEEP_S = 5.0
KILLED_SWEEP_S = 2.0


def measure(folder: Path, sweeps: int, kills: int = 0) -> dict[str, list[float]]:
    """Updates of the meters a second during each sweep, and at which attempt it was kept.

    With ``kills`` (and no sweeps) what one window says after each of so many deaths of the sound server in a sweep: 1
    where it was a sentence about a device that went away, no take was harmed, and the window goes on.
    """
    build = BuildFolder.create(folder / "build")
    build.set_calibration(JIG.reference_ohm)
    acknowledge_cautions(build)
    # Known beforehand, as there may be no server yet.
    info = replace(PracticeRig().info, name=JACK_DEVICE, host_api="JACK Audio Connection Kit", loudest_volts=None)
    keep_loudest_volts(info, 1.0)
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

    if kills:
        clear = [float(_killed(window, build, until, seed)) for seed in range(kills)]
        window.close()
        return {"clear": clear}
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
        stream = window.sweeps._stream
        assert stream is not None
        until(lambda stream=stream: stream.sweeping)  # type: ignore[misc]
        begin, updates = time.perf_counter(), window.bench.meters.updates
        until(lambda stream=stream: stream.progress >= 1.0)  # type: ignore[misc]
        rates.append((window.bench.meters.updates - updates) / (time.perf_counter() - begin))
        until(lambda number=number: len(build.takes()) == number and not window.sweeps.running)  # type: ignore[misc]
    window.close()
    return {"rates": rates, "attempts": [take.live.attempts if take.live else 0 for take in build.takes()]}


def _killed(window: MainWindow, build: BuildFolder, until: Callable[..., None], seed: int) -> bool:
    """Sweep through a server of its own, kill it at a random moment; True if the window took it as it should."""
    draw = random.Random(seed)
    with jack_speaker(1024) as (environment, server):
        os.environ.update(environment)
        sound_host().end()  # the next process finds this server
        window.open_build(build.path)
        until(lambda: window.session is not None and not window.lanes["files"].busy)
        field = window.bench.device
        name = f"JACK Audio Connection Kit: {JACK_DEVICE}"
        if field.findData(name) < 0:
            field.addItem(name, name)
        field.setCurrentIndex(field.findData(name))
        window.bench.seconds.setCurrentIndex(window.bench.seconds.findData(KILLED_SWEEP_S))
        window.bench.choose_subject("in-box")
        window.results.clear_trouble()
        before = len(build.takes())
        window.sweep()
        until(lambda: "hecking" in window.bench.said.text() or not window.sweeps.running)
        end_s = time.monotonic() + draw.uniform(0.0, 5.0)
        until(lambda: time.monotonic() > end_s or not window.sweeps.running)
        server.kill()
        until(lambda: not window.sweeps.running, 30.0)
        said = window.results.trouble.text()
        told = "went away" in said or (not said and len(build.takes()) == before + 1)
        if not told:
            print(f"seed {seed}: {said}", file=sys.stderr)
        return told and not build.damaged() and not build.unfinished() and window.bench.sweep.isEnabled()


if __name__ == "__main__":
    print(json.dumps(measure(Path(sys.argv[1]), *map(int, sys.argv[2:]))))

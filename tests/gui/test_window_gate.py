"""The window before a sound, and what goes wrong there: refused is silent, and nothing sweeps for ever."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_host import Fate, invented_hosts
from places import ROOT
from PyQt5.QtWidgets import QDialog
from pytestqt.qtbot import QtBot
from window_driving import WAIT_MS, Card, agree, click, opened, settle, trouble

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.build_lock import build_lock
from stillbox.capture.errors import StillboxError
from stillbox.capture.sound.audio_device import DeviceInfo
from stillbox.capture.sound.output_calibration import keep_loudest_volts, loudest_volts
from stillbox.capture.sound.safety import cautions_acknowledged
from stillbox.capture.sound.sound_gate import read_cautions
from stillbox.capture.sound.sound_permit import share_below
from stillbox.gui.bench import sweep_control
from stillbox.gui.bench.safety_dialogs import CautionsDialog, OutputDialog
from stillbox.gui.main_window import MainWindow
from stillbox.gui.work.work import Failure, Lane


class Listened(Card):
    """A card that keeps what it plays."""

    def __init__(self) -> None:
        self.heard: list[np.ndarray] = []
        super().__init__(real_pace=True, listener=lambda block: self.heard.append(block.copy()))

    @property
    def sounded(self) -> np.ndarray:
        return np.concatenate([np.zeros(1), *self.heard])


@pytest.fixture
def card(qtbot: QtBot, window: MainWindow, quick: Path, monkeypatch: pytest.MonkeyPatch) -> Listened:
    """A card that is chosen in the window, with a build open."""
    made = Listened()
    opened(qtbot, window, quick)
    monkeypatch.setattr("stillbox.capture.live.devices.find_device", lambda *_, **__: made)
    window.bench.device.addItem("a card", "a card")
    window.bench.device.setCurrentIndex(window.bench.device.count() - 1)
    return made


def read(dialog: QDialog) -> None:
    assert isinstance(dialog, CautionsDialog)
    dialog.read.setChecked(True)


def limits(build: Path, lines: str) -> None:
    path = build / "build.toml"
    path.write_text(path.read_text() + f"\n[limits]\n{lines}\n")


def can_go_on(qtbot: QtBot, window: MainWindow) -> None:
    """Nothing runs, and the window closes when it is asked to."""
    assert not window.sweeps.running
    assert window.bench.sweep.isEnabled() and not window.bench.stop.isEnabled()
    window.close()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=2_000)


@pytest.mark.parametrize("button", ["sweep", "output"])
def test_no_to_the_cautions_is_silent_wherever_it_is_said(
    qtbot: QtBot, window: MainWindow, card: Listened, monkeypatch: pytest.MonkeyPatch, button: str
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(CautionsDialog, "exec_", lambda self: asked.append("cautions") or QDialog.Rejected)
    monkeypatch.setattr(OutputDialog, "exec_", lambda self: asked.append("output") or QDialog.Accepted)
    click(qtbot, window.bench.sweep if button == "sweep" else window.bench.output_button)
    settle(qtbot, window)
    assert asked == ["cautions"]
    assert card.heard == [] and window.session is not None
    assert not cautions_acknowledged(window.session.build)
    can_go_on(qtbot, window)


def test_the_output_button_needs_a_build(qtbot: QtBot, window: MainWindow) -> None:
    window.bench.output_button.clicked.emit()
    settle(qtbot, window)
    assert "No build is open" in trouble(window)


def test_the_tone_of_the_window_obeys_every_limit(
    qtbot: QtBot, window: MainWindow, card: Listened, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits(quick, "lowest_hz = 800\nclips_volts = 0.1")
    safe_volts = 0.1 / 10**0.5

    def measure(dialog: QDialog) -> None:
        assert isinstance(dialog, OutputDialog)
        click(qtbot, dialog.play)
        qtbot.waitUntil(lambda: bool(card.heard), timeout=WAIT_MS)
        levels = 0
        while dialog.louder.isEnabled():
            click(qtbot, dialog.louder)
            levels += 1
            qtbot.wait(150)
        assert levels >= 4 and dialog.louder.text() == "As loud as it gets"
        assert "10 dBFS" in dialog.level.text()
        dialog.silence()

        dialog._level_dbfs = -40.0
        click(qtbot, dialog.play)
        assert dialog.louder.isEnabled()
        dialog.reading.setValue(1.01 * safe_volts)
        assert not dialog.louder.isEnabled()

    agree(monkeypatch, CautionsDialog, read)
    agree(monkeypatch, OutputDialog, measure)
    monkeypatch.setattr(OutputDialog, "answer_volts", lambda self: self.silence() or None)
    click(qtbot, window.bench.output_button)
    settle(qtbot, window)
    assert not trouble(window)
    out = card.sounded
    assert 0 < share_below(out, 48_000, 640.0) + 1e-12 < 1e-3
    assert np.abs(out).max() <= 10 ** (-10 / 20) * 1.0001
    # Softly: no step from silence into a tone, and none back.
    assert np.abs(np.diff(out)).max() < 1.2 * np.abs(out).max() * 2 * np.pi * 800 / 48_000


def test_where_no_tone_may_sound_the_voltage_can_still_be_typed(
    qtbot: QtBot, window: MainWindow, card: Listened, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits(quick, "lowest_hz = 2500")

    def type_it(dialog: QDialog) -> None:
        assert isinstance(dialog, OutputDialog)
        assert not dialog.play.isEnabled()
        click(qtbot, dialog.play)
        dialog.volts.setValue(1.2)

    agree(monkeypatch, CautionsDialog, read)
    agree(monkeypatch, OutputDialog, type_it)
    click(qtbot, window.bench.output_button)
    settle(qtbot, window)
    assert card.heard == [] and loudest_volts(card.info) == 1.2
    can_go_on(qtbot, window)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (StillboxError("a card cannot be opened", "close the programs that use it"), "cannot be opened"),
        (TypeError("no such thing"), "went wrong inside Stillbox (TypeError"),
    ],
)
def test_a_tone_that_dies_is_said(
    qtbot: QtBot, window: MainWindow, card: Listened, monkeypatch: pytest.MonkeyPatch, error: Exception, words: str
) -> None:
    def refuse(*_: object) -> None:
        raise error

    monkeypatch.setattr(card, "play_and_record", refuse)

    def measure(dialog: QDialog) -> None:
        assert isinstance(dialog, OutputDialog)
        dialog.show()
        click(qtbot, dialog.play)
        qtbot.waitUntil(lambda: words in dialog.trouble.text(), timeout=WAIT_MS)
        assert "Play" in dialog.play.text()

    agree(monkeypatch, CautionsDialog, read)
    agree(monkeypatch, OutputDialog, measure)
    click(qtbot, window.bench.output_button)
    settle(qtbot, window)
    can_go_on(qtbot, window)


# Faults on the way to a sound


def raising(error: BaseException) -> Callable[..., object]:
    def fail(*_: object, **__: object) -> object:
        raise error

    return fail


@pytest.mark.parametrize("button", ["sweep", "output"])
@pytest.mark.parametrize(("place", "error", "words"), [
    ("stillbox.capture.live.devices.find_device", StillboxError("a card is no device", "plug it in"), "plug it in"),
    ("stillbox.gui.bench.gate_steps.cautions_due", OSError(5, "Input/output error"), "Input/output error"),
    ("stillbox.gui.bench.gate_steps.CautionsDialog", RuntimeError("no"), "went wrong inside Stillbox (RuntimeError"),
    ("stillbox.capture.sound.sound_gate.acknowledge_cautions", StillboxError("no room", "make some"), "make some"),
    ("stillbox.gui.bench.gate_steps.plan_tone", StillboxError("build.toml cannot be read", "mend it"), "mend it"),
    ("stillbox.gui.bench.gate_steps.OutputDialog", RuntimeError("no"), "went wrong inside Stillbox (RuntimeError"),
    ("stillbox.gui.bench.gate_steps.keep_loudest_volts", PermissionError(13, "Permission denied"), "Permission denied"),
    ("stillbox.gui.bench.gate_steps.plan_tone", SystemExit(3), "went wrong inside Stillbox (SystemExit"),
    ("stillbox.gui.bench.gate_steps.plan_tone", KeyboardInterrupt(), "went wrong inside Stillbox (KeyboardInterrupt"),
])  # fmt: skip
def test_a_fault_at_any_step_before_a_sound_is_said_and_ends_it(
    qtbot: QtBot,
    window: MainWindow,
    card: Listened,
    monkeypatch: pytest.MonkeyPatch,
    button: str,
    place: str,
    error: BaseException,
    words: str,
) -> None:
    agree(monkeypatch, CautionsDialog, read)
    agree(monkeypatch, OutputDialog, lambda dialog: dialog.volts.setValue(1.0))  # type: ignore[attr-defined]
    monkeypatch.setattr(place, raising(error))
    click(qtbot, window.bench.sweep if button == "sweep" else window.bench.output_button)
    settle(qtbot, window)
    assert words in trouble(window)
    assert card.heard == []
    can_go_on(qtbot, window)


def test_a_device_that_has_gone_before_it_was_asked_is_said(
    qtbot: QtBot, window: MainWindow, card: Listened, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(_: object) -> DeviceInfo:
        raise StillboxError("a card is not there any more", "plug it in")

    monkeypatch.setattr(Listened, "info", property(gone))
    click(qtbot, window.bench.sweep)
    settle(qtbot, window)
    assert "not there any more" in trouble(window)
    can_go_on(qtbot, window)


def test_a_lock_held_elsewhere_ends_the_sweep_with_a_word(
    qtbot: QtBot, window: MainWindow, card: Listened, quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held, release = threading.Event(), threading.Event()

    def hold() -> None:
        with build_lock(quick):
            held.set()
            release.wait(60)

    other = threading.Thread(target=hold)
    other.start()
    held.wait(10)
    agree(monkeypatch, CautionsDialog, read)
    try:
        click(qtbot, window.bench.sweep)
        settle(qtbot, window)
    finally:
        release.set()
        other.join()
    assert "is being written to by" in trouble(window)
    assert card.heard == []
    can_go_on(qtbot, window)


@pytest.mark.parametrize("error", [SystemExit(3), KeyboardInterrupt(), MemoryError(), ValueError("no")])
def test_whatever_ends_a_job_arrives_and_the_lane_lives(qtbot: QtBot, error: BaseException) -> None:
    lane = Lane("a lane")
    failures: list[Failure] = []
    results: list[int] = []
    lane.order(raising(error), results.append, failures.append)
    lane.order(lambda: 1, raising(error) if isinstance(error, Exception) else results.append, failures.append)
    lane.order(lambda: 2, results.append, failures.append)
    qtbot.waitUntil(lambda: not lane.busy, timeout=WAIT_MS)
    assert failures[0].error is error and type(error).__name__ in failures[0].sentence
    assert results[-1] == 2
    assert len(failures) == (2 if isinstance(error, Exception) else 1)  # what fails in the window is told too
    assert lane.end()


def test_a_sweep_that_never_ends_keeps_the_window_open_for_a_while_only(
    qtbot: QtBot, window: MainWindow, card: Listened, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert window.session is not None
    read_cautions(window.session.build, card.info, True)
    keep_loudest_volts(card.info, 1.0)
    stuck = threading.Event()
    monkeypatch.setattr(sweep_control, "STOP_PATIENCE_S", 0.5)
    monkeypatch.setattr(card, "play_and_record", lambda *_: stuck.wait(60))
    kept = Lane.end
    # Nothing waits for what is stuck; the lane has ended all the same, and says nothing to a window that is gone.
    monkeypatch.setattr(Lane, "end", lambda self: kept(self, patience_s=0.0) or True)
    window.sweep()
    qtbot.waitUntil(lambda: "checking" in window.bench.said.text().lower(), timeout=WAIT_MS)
    try:
        window.close()
        assert window.isVisible()
        qtbot.waitUntil(lambda: not window.isVisible(), timeout=WAIT_MS)
    finally:
        stuck.set()


# A device that dies in mid-sweep


@pytest.fixture
def mortal_card(monkeypatch: pytest.MonkeyPatch) -> Iterator[Fate]:
    """Gives a host whose processes find the invented card, with what is to befall it."""
    with invented_hosts(monkeypatch) as made:
        yield made


@pytest.mark.parametrize("fate", ["abort", "hang"])
def test_a_dying_sound_library_takes_neither_window_nor_takes(
    qtbot: QtBot, window: MainWindow, quick: Path, mortal_card: Fate, fate: str
) -> None:
    mortal_card(fate, 1.5)  # later than the check before the sweep
    build = BuildFolder.open(quick)
    info = replace(Card().info, name="invented card", host_api="invented")
    read_cautions(build, info, True)
    keep_loudest_volts(info, 1.0)
    opened(qtbot, window, quick)
    window.bench.device.addItem("invented", "invented: invented card")
    window.bench.device.setCurrentIndex(window.bench.device.count() - 1)
    window.bench.choose_subject("check-resistor")
    window.bench.load_ohm.setValue(10.0)
    for _ in range(2):
        window.sweep()
        settle(qtbot, window)
        assert "card went away while it ran" in trouble(window)
        assert len(build.takes()) == 3 and not build.damaged()
        assert window.bench.sweep.isEnabled()
    mortal_card("", 0.0)  # the server is there again
    window.sweep()
    settle(qtbot, window)
    assert not trouble(window) and len(build.takes()) == 4
    assert window.bench.meters.updates > 10
    can_go_on(qtbot, window)


SWEEPING_WINDOW = """
import sys
from pathlib import Path
sys.path[:0] = [sys.argv[1]]
from PyQt5.QtCore import QTimer
import stillbox.gui.main_window
kept = stillbox.gui.main_window.MainWindow.open_build
def open_and_sweep(self, path):
    self.opened.connect(lambda _: QTimer.singleShot(300, self.sweep))
    self.bench.hurry.setChecked(False)
    self.bench.seconds.setCurrentIndex(self.bench.seconds.count() - 1)
    kept(self, path)
stillbox.gui.main_window.MainWindow.open_build = open_and_sweep
from stillbox.commands import front_door
front_door.main([sys.argv[2]])
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_closes_the_window_after_a_fade(quick: Path, number: signal.Signals) -> None:
    program = subprocess.Popen(
        [sys.executable, "-c", SWEEPING_WINDOW, str(ROOT), str(quick)],
        stderr=subprocess.PIPE, text=True, env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
    )  # fmt: skip
    takes = quick / "takes"
    end_s = time.monotonic() + 60
    while not list(takes.glob("*.part")):
        assert time.monotonic() < end_s and program.poll() is None
        time.sleep(0.02)
    time.sleep(0.5)
    program.send_signal(number)
    _, errors = program.communicate(timeout=30)
    assert program.returncode == 128 + number, errors
    assert "Traceback" not in errors
    assert not list(takes.glob("*.part")) and len(BuildFolder.open(quick).takes()) == 3


def test_a_tweeter_by_name_is_silent_before_its_lowest_frequency_is_told(
    qtbot: QtBot, window: MainWindow, quick: Path
) -> None:
    opened(qtbot, window, quick)
    window.bench.choose_subject("free-air")
    window.bench.of.setText("tweeter")
    takes = len(BuildFolder.open(quick).takes())
    window.sweep()
    settle(qtbot, window)
    assert "how low driver 'tweeter' may be swept" in trouble(window)
    assert len(BuildFolder.open(quick).takes()) == takes
    path = quick / "build.toml"
    path.write_text(path.read_text() + "\n[limits.drivers.tweeter]\nlowest_hz = 900\n")
    window.sweep()
    settle(qtbot, window)
    made = BuildFolder.open(quick).takes()[-1]
    assert made.of == "tweeter" and made.excitation.low_hz == 900
    window.bench.choose_subject("load")
    assert not window.bench.of.isEnabled() and window.sweeps.request().of == ""

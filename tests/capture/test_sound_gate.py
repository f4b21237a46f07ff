"""The one gate before any sound: refused is silent, limits hold for every sound, and nothing goes past the gate."""

from __future__ import annotations

import ast
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from places import ROOT, TOPS
from practice_sound import leave, silent

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.first_use import Dialogue, heed_cautions, know_output
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.sound.audio_device import DeviceInfo, Playback, StreamState
from stillbox.capture.sound.measuring_tone import MeasuringTone, plan_tone
from stillbox.capture.sound.output_calibration import keep_loudest_volts, loudest_volts
from stillbox.capture.sound.safety import cautions_acknowledged
from stillbox.capture.sound.sound_gate import CautionsNotRead, practice_permit, read_cautions, sound_permit, tone_permit
from stillbox.capture.sound.sound_permit import OutputLimit, SoundPermit, share_below

SHORT = LiveRequest("in-box", seconds=1.0)
RATE_HZ = 48_000


pytestmark = pytest.mark.usefixtures("own_settings")


def set_limits(build: BuildFolder, limits: str) -> None:
    path = build.path / "build.toml"
    path.write_text(path.read_text().replace("[limits]", f"[limits]\n{limits}\n"))


class Card(PracticeRig):
    """A rig that says it drives something real and has never been measured; it keeps what it plays."""

    def __init__(self, loudest: float = 1.4) -> None:
        self.heard: list[np.ndarray] = []
        super().__init__(
            "good box",
            seed=1,
            parts=RigParts(loudest_volts=loudest),
            listener=lambda block: self.heard.append(block.copy()),
        )

    @property
    def info(self) -> DeviceInfo:
        return replace(super().info, kind="sound card", name="some card", harmless=False, loudest_volts=None)

    @property
    def sounded(self) -> np.ndarray:
        return np.concatenate([np.zeros(1), *self.heard])

    @property
    def loudest(self) -> float:
        return float(np.abs(self.sounded).max())


class Person:
    """Answers yes or no, reads the meter from ``least_volts`` on, and remembers what was asked."""

    def __init__(
        self, card: Card, loudest: float, least_volts: float = 0.1, yes: Callable[[str], bool] = lambda _: True
    ):
        self.card, self._loudest, self._least, self._yes = card, loudest, least_volts, yes
        self.asked: list[str] = []
        self.told: list[str] = []

    def confirm(self, question: str) -> bool:
        self.asked.append(question)
        return self._yes(question)

    def ask(self, question: str) -> str:
        blocks = len(self.card.heard)
        while len(self.card.heard) < blocks + 60:  # the rig plays in a thread of its own
            time.sleep(0.001)
        volts = self._loudest * float(np.abs(self.card.heard[-1]).max())
        self.asked.append(question)
        return f"{volts:.4f}" if volts >= self._least else ""

    @property
    def dialogue(self) -> Dialogue:
        return Dialogue(self.told.append, self.told.append, self.confirm, self.ask)


def steps_heard(card: Card) -> list[float]:
    """Peaks of the tones between silences, rising."""
    return sorted({round(20 * np.log10(np.abs(block).max()), 1) for block in card.heard if np.abs(block).max() > 0})


# Cautions


def test_cautions_come_first_and_once_per_build(build: BuildFolder) -> None:
    told: list[str] = []
    dialogue, card = Dialogue(told.append, told.append), Card()
    with pytest.raises(CautionsNotRead, match="cautions have not been read"):
        record_take(build, card, SHORT, say=silent)
    with pytest.raises(CautionsNotRead):
        heed_cautions(build, card, ["hot", "loud"], False, dialogue)
    assert told == ["caution: hot", "caution: loud"]
    assert not cautions_acknowledged(build)
    assert card.heard == []
    heed_cautions(build, card, ["hot"], True, dialogue)
    assert cautions_acknowledged(build)
    heed_cautions(build, PracticeRig(), ["hot"], False, Dialogue(pytest.fail, pytest.fail))


def test_whoever_says_no_to_the_cautions_hears_nothing(build: BuildFolder) -> None:
    card = Card()
    person = Person(card, 1.4, yes=lambda question: "read these" not in question)
    with pytest.raises(CautionsNotRead):
        heed_cautions(build, card, ["hot"], False, person.dialogue)
    # Not even by going on: each way to a sound ends at the gate.
    with pytest.raises(CautionsNotRead):
        know_output(build, card, None, person.dialogue)
    with pytest.raises(CautionsNotRead):
        plan_tone(build, card)
    with pytest.raises(CautionsNotRead):
        record_take(build, card, SHORT, say=silent)
    assert card.heard == [] and loudest_volts(card.info) is None


def test_the_practice_rig_needs_no_cautions(build: BuildFolder) -> None:
    rig = PracticeRig()
    assert sound_permit(build, rig, "in-box").limit.volts is not None
    assert tone_permit(build, rig).limit.lowest_hz == 0
    with pytest.raises(StillboxError, match="drives something real"):
        practice_permit(Card(), OutputLimit(1.0, None, 0.0, "no limit"))


# Permits


def test_a_permit_cannot_be_made_elsewhere_and_holds_for_one_device() -> None:
    with pytest.raises(TypeError, match=r"capture\.sound\.sound_gate alone"):
        SoundPermit("none: practice rig: bare box", OutputLimit(1.0, None, 0.0, "forged"))
    other = leave(PracticeRig("leaky"))
    with pytest.raises(StillboxError, match="not on none: practice rig: bare box; nothing was played"):
        PracticeRig("bare box").play_and_record(
            other, Playback(np.zeros(9, dtype=np.float32), RATE_HZ), lambda _: None, StreamState()
        )


@pytest.mark.parametrize("frequency_hz", [20.0, 100.0, 500.0, 630.0])
def test_no_device_plays_below_the_lowest_frequency_whatever_asks_for_it(frequency_hz: float) -> None:
    heard: list[np.ndarray] = []
    rig = PracticeRig(listener=lambda block: heard.append(block.copy()))
    tone = np.sin(2 * np.pi * frequency_hz / RATE_HZ * np.arange(RATE_HZ // 2)).astype(np.float32)
    above = np.sin(2 * np.pi * 3000.0 / RATE_HZ * np.arange(tone.size)).astype(np.float32)
    for samples in (tone, 0.1 * tone + above):
        with pytest.raises(StillboxError, match="goes below 800 Hz"):
            rig.play_and_record(leave(rig, lowest_hz=800.0), Playback(samples, RATE_HZ), lambda _: None, StreamState())
    assert heard == []
    rig.play_and_record(leave(rig, lowest_hz=800.0), Playback(above, RATE_HZ), lambda _: None, StreamState())
    assert heard


def test_share_of_power_below_a_frequency_against_its_definition() -> None:
    rng = np.random.default_rng(1)
    for size in (1000, 65_536, 300_000):
        noise = rng.standard_normal(size)
        power = np.abs(np.fft.rfft(noise)) ** 2
        below = np.fft.rfftfreq(size, 1 / RATE_HZ) < 6000.0
        assert share_below(noise, RATE_HZ, 6000.0) == pytest.approx(power[below].sum() / power.sum(), abs=0.03)
    assert share_below(np.zeros(1000), RATE_HZ, 100.0) == 0.0


# The measuring tone


@pytest.mark.parametrize("loudest", [0.3, 1.4, 5.0, 28.0, 40.0])
@pytest.mark.parametrize(
    "limits",
    [
        "",
        "clips_volts = 0.1",
        "clips_volts = 0.5\n[limits.free-air]\nclips_volts = 0.02",
        "resistor_watts = 0.0001",
        "speaker_watts = 0.0001",
    ],
)
def test_the_tone_keeps_within_the_limits_of_the_build(build: BuildFolder, loudest: float, limits: str) -> None:
    """For a person who only says yes where the meter shows less than is asked."""
    set_limits(build, limits)
    allowed = {"": 10**0.5 / 2, "clips_volts = 0.1": 0.1, "resistor_watts = 0.0001": 1e-3**0.5,
               "speaker_watts = 0.0001": 2 * 1e-3**0.5}.get(limits, 0.02)  # fmt: skip
    card = Card(loudest)
    read_cautions(build, card.info, True)

    def honest(question: str) -> bool:
        if "less than" not in question:
            return True
        bound = float(question.split("less than ")[1].split(" V")[0])
        return loudest * float(np.abs(card.heard[-60]).max()) < bound

    person = Person(card, loudest, 0.001, honest)
    know_output(build, card, None, person.dialogue)
    assert 0 < card.loudest * loudest <= allowed * 1.0001
    assert loudest_volts(card.info) == pytest.approx(loudest, rel=0.06)


def test_the_tone_rises_in_steps_with_a_yes_for_each_and_stops(build: BuildFolder) -> None:
    card = Card(0.001)  # nothing to read, ever
    read_cautions(build, card.info, True)
    person = Person(card, 0.001)
    with pytest.raises(StillboxError, match=r"nothing to read at -10 dBFS, where the tone stops"):
        know_output(build, card, None, person.dialogue)
    assert "it stops at -10 dBFS" in person.told[0]
    yes = [question for question in person.asked if question.endswith("?") or "Otherwise" in question]
    assert len(yes) == 4
    for question, level in zip(yes, (-40, -30, -20, -10), strict=True):
        assert f"{level} dBFS" in question
    assert card.loudest == pytest.approx(10 ** (-10 / 20), rel=1e-4)
    assert steps_heard(card)[-1] == -10.0
    # Each tone begins softly: no step from silence into the full level.
    assert np.abs(np.diff(card.sounded)).max() < 1.1 * card.loudest * 2 * np.pi * 100 / RATE_HZ


@pytest.mark.parametrize("steps", [0, 1, 2])
def test_a_no_stops_the_tone_where_it_is(build: BuildFolder, steps: int) -> None:
    card = Card(0.001)
    read_cautions(build, card.info, True)
    answers = iter([True] * steps + [False])
    person = Person(card, 0.001, yes=lambda _: next(answers))
    know_output(build, card, None, person.dialogue)
    assert loudest_volts(card.info) is None
    assert card.loudest == (0 if steps == 0 else pytest.approx(10 ** ((-50 + 10 * steps) / 20), rel=1e-4))


@pytest.mark.parametrize(("lowest_hz", "tone_hz"), [(20, 100.0), (300, 300.0), (800, 800.0)])
@pytest.mark.parametrize("section", ["", "[limits.free-air]\n"])
def test_the_tone_does_not_sound_below_the_lowest_frequency(
    build: BuildFolder, lowest_hz: int, tone_hz: float, section: str
) -> None:
    set_limits(build, f"{section}lowest_hz = {lowest_hz}\n")
    card = Card()
    read_cautions(build, card.info, True)
    know_output(build, card, None, Person(card, 1.4).dialogue)
    assert loudest_volts(card.info) == pytest.approx(1.4, rel=0.01)
    sounded = card.sounded
    assert np.argmax(np.abs(np.fft.rfft(sounded))) * RATE_HZ / sounded.size == pytest.approx(tone_hz, rel=0.02)
    assert share_below(sounded, RATE_HZ, 0.8 * lowest_hz) < 1e-3


def test_where_a_meter_does_not_read_no_tone_sounds(build: BuildFolder) -> None:
    set_limits(build, "lowest_hz = 2500")
    card = Card()
    read_cautions(build, card.info, True)
    person = Person(card, 1.4)
    know_output(build, card, None, person.dialogue)
    assert card.heard == [] and person.asked == []
    assert "nothing below 2500 Hz" in person.told[0] and "--loudest-volts" in person.told[0]


def test_a_tone_above_its_plan_is_held_down_and_one_that_fails_is_told(build: BuildFolder) -> None:
    card = Card()
    read_cautions(build, card.info, True)
    keep_loudest_volts(card.info, 1.4)
    set_limits(build, "clips_volts = 0.05")
    plan = plan_tone(build, card)
    with MeasuringTone(card, plan, 0.0) as tone:
        Person(card, 1.4).ask("")
        assert tone.loudest_volts(1.4 * card.loudest) == pytest.approx(1.4, rel=1e-4)
    assert card.loudest * 1.4 <= 0.05 * 1.0001
    other = PracticeRig()
    with MeasuringTone(other, plan, -40.0) as tone:
        tone._thread.join()
        with pytest.raises(StillboxError, match=r"the measuring tone stopped: .*not on none: practice rig"):
            tone.require_sound()


def test_an_unmeasured_output_stays_at_the_lowest_level_until_it_is_measured(build: BuildFolder) -> None:
    card = Card()
    told: list[str] = []
    heed_cautions(build, card, [], True, Dialogue(silent, silent))
    know_output(build, card, None, Dialogue(told.append, told.append))
    assert "is not known" in told[0]
    record_take(build, card, SHORT, say=silent)
    assert 0 < card.loudest <= 0.01
    know_output(build, card, None, Person(card, 1.4).dialogue)
    assert loudest_volts(card.info) == pytest.approx(1.4, rel=1e-3)
    assert card.loudest <= 0.1 * 1.0001
    record_take(build, card, SHORT, say=silent)
    assert card.loudest > 0.25
    know_output(build, card, 3.0, Dialogue(silent, silent))
    assert loudest_volts(card.info) == 3.0
    with pytest.raises(StillboxError, match="outside"):
        know_output(build, card, -1.0, Dialogue(silent, silent))


# The source


SOUND_LIBRARIES = {
    "sounddevice", "pyaudio", "simpleaudio", "winsound", "playsound", "ossaudiodev", "soundcard", "jack", "alsaaudio",
    "pygame", "sdl2", "miniaudio", "PyQt5.QtMultimedia", "rtaudio", "beepy",
}  # fmt: skip
ONLY_DOOR = Path("capture/sound/sound_worker.py")
GATE = Path("capture/sound/sound_gate.py")


def sources() -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted(path for room in TOPS for path in (ROOT / room).rglob("*.py")):
        yield path.relative_to(ROOT), ast.parse(path.read_text(encoding="utf-8"))


def calls_of(tree: ast.Module, name: str) -> list[ast.Call]:
    """Calls of a function or method of that name."""
    return [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and name == getattr(node.func, "attr", getattr(node.func, "id", None))
    ]


def ways_past_the_gate(path: Path, tree: ast.Module) -> list[str]:
    """What in a module opens an output, or makes leave to do so, where only the gate and its door may."""
    found = []
    for node in ast.walk(tree):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            names = [str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)]
        if path != ONLY_DOOR and any({name, name.split(".")[0]} & SOUND_LIBRARIES for name in names):
            found.append(f"imports {names}")
        if isinstance(node, ast.FunctionDef) and node.name == "play_and_record" and path.name != "audio_device.py":
            first = node.body[0]
            required = isinstance(first, ast.Expr) and ast.unparse(first).startswith("permit.require(self.info.key, ")
            if not required or node.args.args[1].arg != "permit":
                found.append("a device that does not require its permit first")
    for call in calls_of(tree, "play_and_record"):
        if len(call.args) != 4 or not ast.unparse(call.args[0]).lower().endswith("permit"):
            found.append("plays without a permit")
    if path != GATE and (calls_of(tree, "_grant") or calls_of(tree, "SoundPermit")):
        found.append("makes a permit")
    if calls_of(tree, "_granted") and path != GATE:
        found.append("makes a permit")
    if path != Path("capture/sound/sound_card.py") and any(
        "sound_host" in ast.unparse(call.func) for call in calls_of(tree, "play")
    ):
        found.append("plays past the card")
    if calls_of(tree, "practice_permit"):
        found.append("takes leave without a build")
    if calls_of(tree, "beep"):
        found.append("beeps")
    return found


def test_nothing_opens_an_output_but_through_the_gate() -> None:
    wrong = {str(path): found for path, tree in sources() if (found := ways_past_the_gate(path, tree))}
    assert wrong == {}
    players = {str(path) for path, tree in sources() if calls_of(tree, "play_and_record")}
    assert players == {"capture/live/live_take.py", "capture/sound/measuring_tone.py", "capture/live/tone_burst.py"}


@pytest.mark.parametrize("text", [
    "import sounddevice",
    "def f():\n    from sounddevice import play",
    "from PyQt5.QtMultimedia import QSound",
    "from PyQt5 import QtMultimedia",
    "device.play_and_record(playback, sink, state)",
    "class C:\n    def play_and_record(self, permit, playback, sink, state):\n        self.open()",
    "class C:\n    def play_and_record(self, playback, sink, state):\n        permit.require(self.info.key, x, y)",
    "permit = SoundPermit('x', limit, key)",
    "permit = SoundPermit._grant('x', limit)",
    "sound_host().play(order, playback, sink, state)",
    "permit = practice_permit(device, limit)",
    "QApplication.beep()",
])  # fmt: skip
def test_a_way_past_the_gate_would_be_seen(text: str) -> None:
    assert ways_past_the_gate(Path("gui/later.py"), ast.parse(text))

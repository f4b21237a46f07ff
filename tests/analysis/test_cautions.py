"""Cautions: one home, shown where they apply, in one line where much else is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from invoked import run

from stillbox.analysis.cautions import CAUTIONS, PARTS_IN_BRIEF, WHERE, cautions_for, topics_of
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.recording.take import SUBJECTS
from stillbox.capture.sound.audio_device import DeviceInfo


def test_what_product_and_law_ask_for_is_there() -> None:
    for topic, words in {
        "parts": ("discharge", "through a resistor", "lift one leg", "hot enough to burn", "amplifier off", "rated"),
        "soldering": ("burn", "fumes", "glasses"),
        "heat and mains": ("mains-powered",),
        "limits": ("Local electrical codes and licensed practice come first", "no safety instrument"),
    }.items():
        assert not [word for word in words if word not in CAUTIONS[topic]], topic  # type: ignore[index]
    for word in ("amplifier off", "discharge", "cool", "fumes", WHERE):
        assert word in PARTS_IN_BRIEF
    assert len(PARTS_IN_BRIEF) < 200


@pytest.mark.parametrize("subject", SUBJECTS)
def test_each_sweep_has_what_applies_to_it(subject: str) -> None:
    topics = topics_of(subject)
    assert {"amplifier", "heat and mains"} <= set(topics)
    assert ("parts" in topics) == (subject == "part")
    assert ("tweeter" in topics) == (subject in ("free-air", "added-mass"))
    assert cautions_for(*topics)[-1] == CAUTIONS["limits"]


def test_all_of_them_are_printed_by_one_command() -> None:
    status, out, _ = run("cautions")
    assert status == 0
    for topic, text in CAUTIONS.items():
        assert f"{topic}: {text}" in out


class Card(PracticeRig):
    """A rig that passes for a sound card."""

    @property
    def info(self) -> DeviceInfo:
        return replace(super().info, name="a card", kind="sound card", harmless=False)


@pytest.mark.usefixtures("own_settings")
def test_a_part_is_not_swept_before_its_caution(build: BuildFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Card("wrong capacitor", seed=1)
    monkeypatch.setattr("stillbox.capture.live.devices.find_device", lambda *_, **__: rig)
    call = ("record", build.path, "--seconds", "0.5", "--repeats", "1", "--fast", "--cautions-read")
    told = {}
    for subject in ("part", "free-air"):
        status, told[subject], error = run(*call, "--subject", subject)
        assert status == 0, error
    assert told["part"].index(PARTS_IN_BRIEF) < told["part"].index("sweeping")
    assert PARTS_IN_BRIEF not in told["free-air"]


def test_advice_about_parts_carries_it_once(tmp_path: Path) -> None:
    drawer = tmp_path / "drawer.csv"
    drawer.write_text("value,count\n4.7u,2\n2.2u,1\n", encoding="utf-8")
    status, out, _ = run("combine", "--target", "6.9u", "--from", drawer)
    assert status == 0 and out.count("caution:") == 1 and PARTS_IN_BRIEF in out

"""Sections of the report about driver, box and bass where something is missing: each says what."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from recorded import RecordedBuild
from reference.random_drivers import random_driver, true_driver
from reference.speaker_circuit import Cavity, SpeakerCircuit

from stillbox.analysis.bass.topic import BASS
from stillbox.analysis.bench import Bench as AnalysisBench
from stillbox.analysis.box.topic import BOX
from stillbox.analysis.driver.topic import DRIVER
from stillbox.analysis.section import Section
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.sweep.excitation import Excitation

SHORT = Excitation(seconds=3.0, repeats=1, silence_after_s=1.0)


def sections_of(opened: AnalysisBench, *states: str) -> list[Section]:
    takes = [opened.in_box(state) for state in states]
    return [section for topic in (DRIVER, BOX, BASS) for section in topic.sections(opened, takes)]


def test_section_without_what_it_needs(tmp_path: Path) -> None:
    """Resistors instead of speakers: nothing can be fitted, and every part says so."""
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add(8.0, "in-box", state="stock")

    def sentences() -> list[str]:
        opened = AnalysisBench(BuildFolder.open(tmp_path / "build"))
        sections = sections_of(opened, "stock")
        assert all(not section.warnings or section.parts[0].table is not None for section in sections)
        return [sentence for section in sections for part in section.parts for sentence in part.sentences]

    assert sentences() == ["There is no free-air take of unit A: driver, box and bass need one (--subject free-air)."]
    build.add(8.0, "free-air")
    (sentence,) = sentences()
    assert sentence.startswith("No numbers of the driver: no motional peak shows in the free-air take")
    build.add(SpeakerCircuit(random_driver(np.random.default_rng(77))), "free-air")
    assert any(sentence.startswith("No numbers of the box: no motional peak") for sentence in sentences())


def test_the_bass_is_told_though_the_box_of_another_state_cannot_be_had(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    driver = random_driver(np.random.default_rng(77))
    build.add(SpeakerCircuit(driver), "free-air")
    closed = SpeakerCircuit(driver, Cavity(0.6 * true_driver(driver).vas_m3))
    for states in (("stock", "lined"), ("lined", "stock")):
        for state in states:
            build.add(8.0 if state == "stock" else closed, "in-box", state=state)
        sections = sections_of(AnalysisBench(BuildFolder.open(tmp_path / "build")), *states)
        assert [section.title for section in sections][-1] == "Bass"
        (part,) = sections[-1].parts
        assert part.table is not None and part.table.heads == ("bass", "as measured")
        said = [sentence for section in sections for one in section.parts for sentence in one.sentences]
        assert any(sentence.startswith("No numbers of the box") for sentence in said)

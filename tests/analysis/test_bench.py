"""The one flow on builds on disk: which takes are meant, and what a build cannot answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invoked import run
from recorded import RecordedBuild

from stillbox.analysis.bench import Bench
from stillbox.analysis.calibration_report import calibration_report, resistor_check
from stillbox.analysis.curve.topic import curve_text
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation

SHORT = Excitation(seconds=1.0, silence_before_s=0.5, silence_after_s=0.4, repeats=1)


def build_of(path: Path, *takes: tuple[str, str]) -> RecordedBuild:
    """In-box takes of the states and units given; the devices are resistors, as only the choice is looked at."""
    build = RecordedBuild.create(path / "build", SHORT)
    for state, unit in takes:
        build.add(8.0, "in-box", state=state, unit=unit)
    return build


@pytest.mark.parametrize(
    ("takes", "unit", "meant"),
    [
        ((("stock", "A"), ("stock", "B"), ("lined", "A")), None, (1, 3)),
        ((("stock", "A"), ("lined", "A"), ("stock", "B"), ("lined", "B")), None, (3, 4)),
        ((("stock", "A"), ("lined", "A"), ("stock", "B"), ("lined", "B")), "A", (1, 2)),
        ((("stock", "A"), ("stock", "A"), ("lined", "A")), None, (2, 3)),
        ((("stock", "A"), ("lined", "B")), None, (1, 2)),
    ],
)
def test_one_unit_is_compared_where_one_has_both_states(
    tmp_path: Path, takes: tuple[tuple[str, str], ...], unit: str | None, meant: tuple[int, int]
) -> None:
    bench = Bench(build_of(tmp_path, *takes).folder)
    before, after = bench.compared("stock", "lined", unit)
    assert (before.number, after.number) == meant


def test_a_dash_is_the_empty_state(tmp_path: Path) -> None:
    bench = Bench(build_of(tmp_path, ("", "A"), ("lined", "A")).folder)
    assert [take.number for take in bench.compared("-", "lined")] == [1, 2]
    assert bench.in_box("-").number == 1
    with pytest.raises(StillboxError, match="no in-box take of state stock; there are, as state/unit: -/A, lined/A"):
        bench.in_box("stock")


def test_a_microphone_has_no_impedance(tmp_path: Path) -> None:
    build = build_of(tmp_path)
    take = build.add(8.0, "microphone")
    with pytest.raises(StillboxError, match="take 1 is of a microphone, which has no impedance"):
        Bench(build.folder).curve(take)


def test_the_report_says_what_a_check_resistor_leaves_open(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add_standard("check-resistor")
    said = " ".join(calibration_report(Bench(build.folder)))
    assert "check-resistor (take 1): measured 8.2 ohm" in said
    assert "tolerance of the check resistor was not given" in said


def test_a_short_corrected_by_itself_can_be_shown(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, standards=("short",))
    bench = Bench(build.folder)
    take = bench.takes[0]
    assert "lowest impedance 0 ohm" in curve_text(take, bench.curve(take))


def test_a_load_sets_the_ohm_and_never_proves_itself(tmp_path: Path) -> None:
    """Whatever is on the clips reads its marked value, here 10 ohm marked 8.2; another resistor tells."""
    build = RecordedBuild.create(tmp_path / "build", SHORT, standards=("open", "short"))
    build.folder.set_calibration(10.0, 1.0)
    load = build.add(10.0, "load", load_ohm=8.2)
    curve = Bench(build.folder).curve(load)
    assert np.abs(curve.impedance_ohm) == pytest.approx(8.2, rel=1e-3)
    with pytest.raises(StillboxError, match=r"sets the ohm.*proves nothing; sweep another resistor"):
        resistor_check(Bench(build.folder), load)

    def said() -> list[str]:
        return [text for text in calibration_report(Bench(build.folder)) if "prove" in text]

    assert said() == ["the load of 8.2 ohm (take 3) " + said()[0].partition("(take 3) ")[2]]
    build.add(10.0, "check-resistor", load_ohm=8.2)
    assert len(said()) == 1 and "it proves only that it reads the same twice" in said()[0]
    other = build.add(15.0, "check-resistor", load_ohm=15.0, load_tolerance_percent=1.0)
    assert said() == [] and resistor_check(Bench(build.folder), other).verdict == "differs"


def test_calibrate_alone_shows_what_is_corrected(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, standards=("open", "short", "load"))
    build.folder.set_calibration(10.0, 1.0)
    before = build.folder.calibration
    code, out, err = run("calibrate", build.folder.path)
    assert (code, err) == (0, "") and build.folder.calibration == before
    assert out.startswith("reference resistor 10 ohm, +-1 %\ncorrected by open + short + load")
    code, out, _ = run("calibrate", build.folder.path, "--reference-tolerance", 0.1)
    assert code == 0 and out.startswith("reference resistor 10 ohm, +-0.1 %\n")
    bare = BuildFolder.create(tmp_path / "bare")
    code, _, err = run("calibrate", bare.path)
    assert code == 2 and "--reference-ohms R" in err

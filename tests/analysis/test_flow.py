"""The one flow from files in a build folder to findings, with whole, partial and missing calibration."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matching import match
from recorded import LOAD_OHM, RecordedBuild, remembered
from reference.analytic import impedance_ohm
from reference.random_speakers import random_speaker
from reference.recordings import BAD, CLEAN, Chain, record, record_standard, write_recording

from stillbox.analysis.bench import Bench
from stillbox.analysis.calibration_report import calibration_report, resistor_check
from stillbox.analysis.page.write_up import write_build_report
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation
from stillbox.commands import front_door

SHORT = Excitation(seconds=2.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)
SPEAKER = random_speaker(21, "mixed")
IN_BOX = remembered(SPEAKER.in_box)
SPOILT = replace(BAD, noise_dbfs=(-95.0, -95.0), hum_hz=50.02, hum_dbfs=(-70.0, -75.0))


def error_95(bench: Bench) -> float:
    """95th percentile of the relative error of the newest in-box take above 20 Hz."""
    curve = bench.curve(bench.in_box())
    inside = curve.frequency_hz > 20
    truth = impedance_ohm(SPEAKER.in_box, curve.frequency_hz[inside])
    return float(np.quantile(np.abs(curve.impedance_ohm[inside] / truth - 1), 0.95))


# The whole way


def test_from_recorded_files_to_findings_and_comparison(tmp_path: Path) -> None:
    """Files through a spoilt chain, imported as a person would, calibrated by three standards."""
    build = BuildFolder.create(tmp_path / "build", SPEAKER.inside_mm, rated_ohm=6.0)
    build.set_calibration(SPOILT.jig.reference_ohm, 1.0)
    other_box = random_speaker(21, "null")  # what was there is gone
    devices = {
        ("open", ""): np.inf,
        ("short", ""): 0.0,
        ("load", ""): LOAD_OHM,
        ("free-air", ""): SPEAKER.free_air,
        ("in-box", "stock"): SPEAKER.in_box,
        ("in-box", "other"): other_box.in_box,
    }
    for seed, ((subject, state), device) in enumerate(devices.items()):
        path = tmp_path / f"{subject}-{state}.wav"
        write_recording(path, record(device, SHORT, SPOILT, seed), SHORT.sample_rate_hz)
        load_ohm = LOAD_OHM if subject == "load" else None
        import_take(build, path, SHORT, subject, state or None, load_ohm=load_ohm)

    said: list[str] = []
    bench = Bench(BuildFolder.open(tmp_path / "build"), progress=said.append)
    report = bench.findings("stock")
    assert report.build == "build"
    assert (report.state, report.unit) == ("stock", "A")
    matched = match([finding.resonance.frequency_hz for finding in report.findings], SPEAKER.truth)
    assert matched.missed == []
    assert matched.false == []
    for index, one in matched.pairs:
        assert report.findings[index].cause == one.cause
        assert report.findings[index].resonance.height_ohm == pytest.approx(one.height_ohm, rel=0.05)
    assert any("computing the response of take 5 (in-box/stock/A)" in text for text in said)

    comparison = bench.comparison("stock", "other")
    verdicts = {change.before.resonance.frequency_hz: change.verdict for change in comparison.changes if change.before}
    assert {verdicts[report.findings[index].resonance.frequency_hz] for index, _ in matched.pairs} == {"gone"}
    take = bench.in_box("stock")
    assert bench.decay(take) is bench.decay(take)


def test_nothing_is_computed_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add(IN_BOX, "in-box", state="stock")
    bench = Bench(build.folder)
    report = bench.findings("stock")
    monkeypatch.setattr(BuildFolder, "load", None)
    assert bench.findings("stock").fit is report.fit
    bench.curve(bench.in_box("stock"))


def test_the_newest_take_of_a_state_and_unit_counts(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    for state, unit in (("stock", "A"), ("stock", "B"), ("lined", "A"), ("stock", "A")):
        build.add(8.0, "in-box", state=state, unit=unit)
    bench = Bench(build.folder)
    assert bench.in_box("stock", "A").number == 4
    assert bench.in_box("stock", "B").number == 2
    assert bench.in_box("lined").number == 3
    assert bench.in_box().number == 4


def test_a_renewed_bench_keeps_what_still_holds(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    first = build.add(IN_BOX, "in-box", state="stock")
    bench = Bench(build.folder)
    fit = bench.fit(first)
    build.add(8.0, "in-box", state="lined")
    renewed = bench.renewed()
    assert len(renewed.takes) == 2
    assert renewed.fit(first) is fit
    build.folder.set_calibration(9.9)
    recalibrated = bench.renewed()
    assert recalibrated.fit(first) is not fit
    assert recalibrated.ratio(first) is bench.ratio(first)


# Calibration


@pytest.fixture(scope="module")
def spoilt_takes() -> dict[str, np.ndarray]:
    """Recordings of the speaker and of all standards through one chain, with next to no noise."""
    chain = replace(BAD, noise_dbfs=(-110.0, -110.0))
    return {
        "channel-match": record_standard("channel-match", SHORT, chain, 1),
        "open": record_standard("open", SHORT, chain, 2),
        "short": record_standard("short", SHORT, chain, 3),
        "load": record_standard("load", SHORT, chain, 4, LOAD_OHM),
        "in-box": record(IN_BOX, SHORT, chain, 5),
    }


@pytest.mark.parametrize(
    ("standards", "most_error", "left"),
    [
        ((), 3.0, {"gain", "loading", "leads"}),
        (("channel-match",), 0.06, {"loading", "leads"}),
        (("channel-match", "short"), 0.02, {"loading"}),
        (("channel-match", "open", "short"), 0.002, set()),
        (("open", "short", "load"), 0.001, set()),
        (("channel-match", "open", "short", "load"), 0.001, set()),
    ],
)
def test_more_standards_leave_less_error(
    tmp_path: Path,
    spoilt_takes: dict[str, np.ndarray],
    standards: tuple[str, ...],
    most_error: float,
    left: set[str],
) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, BAD)
    for subject in standards:
        build.keep(spoilt_takes[subject], subject, load_ohm=LOAD_OHM if subject == "load" else None)
    take = build.keep(spoilt_takes["in-box"], "in-box", state="stock")
    bench = Bench(build.folder)
    assert error_95(bench) < most_error
    if left:
        assert error_95(bench) > most_error / 50
    uncorrected = " ".join(bench.calibration(take).uncorrected)
    assert {word for word in ("gain", "loading", "leads") if word in uncorrected} == left
    assert any("not corrected" in text or "uncorrected" in text for text in calibration_report(bench))


def test_standards_of_another_jig_or_rate_do_not_count(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, BAD, standards=("channel-match", "short"))
    take = build.add(8.0, "in-box", state="stock")
    bench = Bench(build.folder)
    assert set(bench.standards("high-side", 48_000)) == {"channel-match", "short"}
    assert bench.standards("low-side", 48_000) == {}
    assert bench.standards("high-side", 96_000) == {}
    assert bench.calibration(take).model == "channel-match + short"


def test_the_newest_standard_counts(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, CLEAN, standards=("short",))
    build.chain = Chain(jig=replace(CLEAN.jig, lead_ohm=0.3), noise_dbfs=CLEAN.noise_dbfs)
    build.add_standard("short")
    take = build.add(8.0, "in-box", state="stock")
    bench = Bench(build.folder)
    assert bench.standards("high-side", 48_000)["short"].number == 2
    np.testing.assert_allclose(bench.curve(take).impedance_ohm.real, 8.0, rtol=1e-3)


def test_standards_of_a_narrower_sweep_narrow_the_band(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, CLEAN)
    build.excitation = SHORT.model_copy(update={"low_hz": 40.0, "high_hz": 8_000.0})
    build.add_standard("channel-match")
    build.excitation = SHORT
    take = build.add(8.0, "in-box", state="stock")
    spectrum = Bench(build.folder).spectrum(take)
    assert spectrum.frequency_hz[0] >= 40
    assert spectrum.frequency_hz[-1] <= 8_000
    np.testing.assert_allclose(spectrum.impedance_ohm, 8.0, rtol=1e-2)


def test_check_resistor(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT, BAD, standards=("open", "short", "load"))
    build.folder.set_calibration(10.0, 1.0)
    build.add(8.2 * 1.004, "check-resistor", load_ohm=8.2, load_tolerance_percent=1.0)
    build.add(10.0, "check-resistor", load_ohm=8.2, load_tolerance_percent=1.0)
    bench = Bench(build.folder)
    good, bad = (resistor_check(bench, take) for take in bench.takes[-2:])
    assert good.verdict == "agrees"
    assert good.measured_ohm == pytest.approx(8.2 * 1.004, rel=1e-4)
    assert bad.verdict == "differs"
    report = calibration_report(bench)
    assert sum(text.startswith("check-resistor") for text in report) == 2


def test_check_resistor_without_its_value(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    take = build.add(8.2, "check-resistor")
    with pytest.raises(StillboxError, match=r"no marked value.*--load-ohms"):
        resistor_check(Bench(build.folder), take)


def test_missing_calibration(tmp_path: Path) -> None:
    folder = BuildFolder.create(tmp_path / "build")
    build = RecordedBuild(folder, SHORT)
    take = build.add(8.0, "in-box", state="stock")
    with pytest.raises(StillboxError, match=r"reference resistor of .* is not known.*stillbox calibrate .*--reference"):
        Bench(folder).curve(take)


# What is not there


def test_missing_state_lists_what_there_is(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    bench = Bench(build.folder)
    with pytest.raises(StillboxError, match=r"has no in-box take; import or record one"):
        bench.findings()
    for state, unit in (("stock", "A"), ("lined", "B")):
        build.add(8.0, "in-box", state=state, unit=unit)
    bench = Bench(build.folder)
    with pytest.raises(StillboxError, match=r"take of state braced; there are, as state/unit: lined/B, stock/A"):
        bench.findings("braced")
    with pytest.raises(StillboxError, match=r"no in-box take of state stock and unit B; there are"):
        bench.comparison("stock", "lined", "B")


def test_causes_need_a_take_of_the_box(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    take = build.add(8.0, "free-air")
    with pytest.raises(StillboxError, match="take 1 is of free-air"):
        Bench(build.folder).findings_of(take)


# The time gate


def test_a_gate_that_smears_says_so(tmp_path: Path) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    take = build.add(IN_BOX, "in-box", state="stock")
    assert not any("gate" in text for text in Bench(build.folder).curve(take).warnings)
    warnings = Bench(build.folder, gate_s=0.05).curve(take).warnings
    assert any("gate of 0.05 s smears the resonance at" in text for text in warnings)


# What is printed


def test_the_decay_table_names_the_resonances_as_the_findings_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add(IN_BOX, "in-box", state="stock")
    build.add(remembered(SPEAKER.free_air), "free-air")

    def rows(*arguments: str) -> list[tuple[str, ...]]:
        """Words of the lines that begin with a frequency and its uncertainty, parted by two spaces or more."""
        with pytest.raises(SystemExit):
            front_door.main([arguments[0], str(build.folder.path), *arguments[1:]])
        lines = [re.split(r" {2,}", line.strip()) for line in capsys.readouterr().out.splitlines()]
        return [tuple(line) for line in lines if re.fullmatch(r"[\d.]+ ± [\d.]+", line[0])]

    found = [(frequency, cause) for frequency, _, _, _, cause, *_ in rows("findings", "--state", "stock", "--all")]
    decays = rows("decay", "in-box/stock")
    assert sorted((frequency, cause) for frequency, cause, *_ in decays) == sorted(found)
    assert len(found) >= 3
    # Not more digits than a take repeats, and no cause where none is told.
    for frequency, _ in found:
        value, std = frequency.split(" ± ")
        assert len(re.sub(r"\D", "", value).lstrip("0")) <= 5 or float(std) >= 1e-4 * float(value)
    assert all(not re.match("[a-z]", decayed) for _, decayed, *_ in rows("decay", "free-air"))


def test_the_report_of_a_build(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The newest state against the one before, one state alone, two units; everything named in it."""
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    other_box = random_speaker(21, "null")
    build.add(remembered(SPEAKER.free_air), "free-air")
    build.add(IN_BOX, "in-box", state="stock")
    build.add(remembered(other_box.in_box), "in-box", state="other")
    build.add(IN_BOX, "in-box", state="stock", unit="B")
    page = tmp_path / "report.html"

    def report(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as end:
            front_door.main(["report", str(build.folder.path), *arguments, "--out", str(page)])
        said = capsys.readouterr()
        return int(str(end.value.code or 0)), said.out, said.err

    status, said, _ = report("--unit", "A")
    assert status == 0
    assert said.strip() == f"wrote {page}: in-box/stock/A and in-box/other/A"
    text = page.read_text(encoding="utf-8")
    numbers = [float(number) for number in re.findall(r"<td[^>]*>\s*([\d.]+)", text)]
    assert match(numbers, SPEAKER.truth).missed == []
    assert "What changed from stock to other" in text
    assert "Box, stock" in text and "Box, other" in text and "three-point method" in text
    assert text.count("data:image/") == 3  # curves with decay, difference, bass

    status, said, _ = report("stock", "--unit", "A")
    assert (status, said.strip()) == (0, f"wrote {page}: in-box/stock/A")
    assert "What changed" not in page.read_text(encoding="utf-8")

    # Two units stand beside each other, each with its own driver, or the reason why there is none.
    bench = Bench(build.folder)
    write_build_report(bench, [bench.in_box("stock", "A"), bench.in_box("stock", "B")], page)
    text = page.read_text(encoding="utf-8")
    assert "What changed from stock A to stock B" in text
    assert "no free-air take of unit B" in text and "Driver, unit A" in text

    for command in (("bass", "--against", "stock"), ("box",), ("driver", "--unit", "B")):
        with pytest.raises(SystemExit, match="2"):
            front_door.main([command[0], str(build.folder.path), *command[1:]])
        said = capsys.readouterr().err
        assert "no free-air take of unit B, but one of unit A; for that give --unit A, or record one" in said

    for wrong, said in (
        (("stock", "stock"), "state stock cannot be compared with itself; name the states before and after"),
        (("stock", "other", "third"), "not of 3 (stock, other, third)"),
        (("unheard",), "there are, as state/unit: other/A, stock/A, stock/B"),
    ):
        status, _, error = report(*wrong)
        assert status == 2 and said in error
    with pytest.raises(SystemExit, match="2"):
        front_door.main(["compare", str(build.folder.path), "stock", "stock"])
    assert "state stock cannot be compared with itself" in capsys.readouterr().err


def test_a_report_without_decay_says_why(tmp_path: Path) -> None:
    """A resistor in the place of the speaker: no decay, no driver, no box, but a page."""
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    for subject, state in (("free-air", ""), ("in-box", "stock")):
        build.add(8.0, subject, state=state)
    bench, page = Bench(build.folder), tmp_path / "report.html"
    write_build_report(bench, bench.reported(), page)
    text = page.read_text(encoding="utf-8")
    assert "no decay: the fit has no motional peak" in text
    assert "No numbers of the driver: no motional peak shows" in text

"""A coil over the level: inductance, harmonics of its current, saturation; iron told from air."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from iron_takes import SWEEP, Bending, IronBench, iron_bench
from reference.iron_core import Cores, Magnetised, step

from stillbox.analysis.bench import Bench
from stillbox.analysis.cautions import LOUDER_IN_BRIEF
from stillbox.analysis.drawing.layout import save_picture
from stillbox.analysis.levels.level_reading import source_resistance
from stillbox.analysis.levels.level_series import level_series
from stillbox.analysis.levels.level_words import Into, level_document, saturation_sentence
from stillbox.analysis.levels.saturation import Evidence, core_of, saturation
from stillbox.analysis.part.part_report import PartReport
from stillbox.analysis.part.topic import PART
from stillbox.analysis.sweeps.sweep_harmonics import sweep_harmonics
from stillbox.capture.build.build_folder import BuildFolder

COIL = Bending(henry=1.8e-3, limit_a=1.3, ohm=0.2)
AIR = Bending(henry=1.8e-3, limit_a=1e6, ohm=0.6)
LEVELS = (-16.0, -11.0, -6.0, -1.0)
QUICK = SWEEP.model_copy(update={"seconds": 0.6, "repeats": 2, "silence_before_s": 0.4, "silence_after_s": 0.25})


@pytest.fixture(scope="module")
def jig() -> IronBench:
    bench = iron_bench(3, 4.7, 10.0)
    return IronBench(bench.jig, bench.loudest_v, bench.seed, QUICK)


@pytest.fixture(scope="module")
def swept(jig: IronBench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """An iron coil L1 at four levels, an air coil L2 at two."""
    folder = jig.start(tmp_path_factory.mktemp("levels") / "build")
    for name, coil, levels in (("L1", COIL, LEVELS), ("L2", AIR, LEVELS[1::2])):
        for number, level in enumerate(levels):
            jig.keep(folder, coil.swept(jig, level, number), level, "part", of=name)
    return Bench(BuildFolder.open(folder.path))


@pytest.fixture(scope="module")
def report(swept: Bench) -> PartReport:
    return PART.compute(swept, {"name": "L1"})


def test_current_inductance_and_harmonics_are_those_of_single_frequencies(jig: IronBench, report: PartReport) -> None:
    series = report.levels
    assert series is not None and [level.take.excitation.level_dbfs for level in series.levels] == list(LEVELS)
    told = 0
    for level, dbfs in zip(series.levels, LEVELS, strict=True):
        current, inductance, harmonics_db = COIL.steady(jig, dbfs, series.at_hz)
        assert series.known and level.current == pytest.approx(current, rel=2e-3)
        assert level.inductance is not None and level.inductance.value == pytest.approx(inductance, rel=1e-3)
        for order, harmonic in level.harmonics.items():
            if harmonic.db is not None and harmonic.db > harmonic.floor_db + 15:
                assert harmonic.db == pytest.approx(harmonics_db[order], abs=0.3)
                told += 1
            if order in (2, 4):
                assert harmonic.db is None
    assert told >= 5


def test_it_saturates_where_a_tenth_of_its_inductance_is_gone(jig: IronBench, report: PartReport) -> None:
    series = report.levels
    assert series is not None and series.core == "iron" and series.saturation is not None
    fine = [COIL.steady(jig, dbfs, series.at_hz)[:2] for dbfs in np.arange(-16.0, 3.0, 0.5)]
    gone = next(current for current, inductance in fine if inductance < 0.9 * fine[0][1])
    assert series.saturation.current == pytest.approx(gone, rel=0.1)
    assert series.saturation.high is not None and series.saturation.low < gone < series.saturation.high


def words_of(report: PartReport) -> str:
    return "\n".join(item for item in PART.said(report, False) if isinstance(item, str))


def test_it_is_said_in_volts_and_watts_with_what_it_is_driven_into(report: PartReport) -> None:
    words = words_of(report)
    told = re.search(r"iron core: third harmonic of the current \S(\S+) dB at (\d+) Hz in take (\d)", words)
    assert told is not None and report.levels is not None
    curves = next(one for one in report.levels.levels if str(one.take.number) == told[3]).curves
    drawn_db = np.interp(float(told[2]), curves.frequency_hz, curves.harmonic_db[3])
    assert drawn_db == pytest.approx(-float(told[1]), abs=0.5)
    assert "saturates from" in words and "W into 8 ohm, assumed) on" in words
    assert LOUDER_IN_BRIEF in words
    document = PART.document(report) if PART.document else {}
    levels: dict[str, Any] = document["levels"]
    found = levels["saturation"]
    assert found["watts"] == pytest.approx(found["volts"] ** 2 / 8) and found["into_ohm"] == 8
    assert levels["core"] == "iron" and [row["take"] for row in levels["levels"]] == [1, 2, 3, 4]


def test_the_table_of_all_parts_reads_the_same_take(swept: Bench, report: PartReport) -> None:
    """The quietest where a core bends; of an air coil the newest."""
    table = PART.compute(swept, {})
    first, second = table.readings
    assert first == report.readings[0] and first.take.number == 1 and first.kind == "coil"
    assert second.take.number == max(take.number for take in swept.takes if take.of == "L2")


def test_an_air_coil_shows_nothing(swept: Bench) -> None:
    report = PART.compute(swept, {"name": "L2"})
    assert report.levels is not None and report.levels.core == "air" and report.levels.saturation is None
    assert "no sign of saturation up to" in words_of(report)


def test_without_volts_levels_are_relative_and_it_says_so(swept: Bench, tmp_path: Path) -> None:
    takes = [
        take.model_copy(update={"live": take.live and take.live.model_copy(update={"loudest_volts": None})})
        for take in swept.takes_of("part") if take.of == "L1"
    ]  # fmt: skip
    untold, told = (level_series(swept, takes, 140.0, volts) for volts in (None, 10 / 2**0.5))
    assert untold is not None and told is not None and told.known and not untold.known
    assert untold.saturation is not None and told.saturation is not None
    relative, absolute = (one.saturation.current / one.loudest.current for one in (untold, told))  # type: ignore[union-attr]
    assert relative == pytest.approx(absolute, rel=0.01)


def test_the_picture_is_drawn(report: PartReport, tmp_path: Path) -> None:
    path = tmp_path / "levels.svg"
    save_picture(PART.pictures[0].picture(report), path)
    assert path.stat().st_size > 10_000


def test_an_amplifier_that_bends_is_no_iron(jig: IronBench, tmp_path: Path) -> None:
    """Its harmonics stand in both channels as the linear answer has them."""
    folder = jig.start(tmp_path / "build")
    drive = AIR.swept(jig, -1.0, 1)
    bent = drive[:, 0] + 0.05 * drive[:, 0] ** 3
    hz = np.fft.rfftfreq(len(bent), 1 / 48_000)
    loop = jig.jig.reference_ohm + AIR.ohm + 2j * np.pi * hz * AIR.henry
    answer = 1 - jig.jig.reference_ohm / loop
    other = np.fft.irfft(np.fft.rfft(bent) * answer, len(bent))
    noise = np.random.default_rng(5).normal(0, 1e-5, (len(bent), 2))
    jig.keep(folder, np.stack([bent, other], axis=1) + noise, -1.0, "part", of="L2")
    series = level_series(Bench(BuildFolder.open(folder.path)), folder.takes()[-1:], 140.0)
    assert series is not None and series.core != "iron"


def test_rayleigh_loops_of_the_reference_are_as_published() -> None:
    """Of B = mu H + eta H |H|: first harmonic mu + eta H, loss 4/(3 pi) eta H, third 4/(15 pi) eta H^2."""
    one = np.ones(1)
    iron = Magnetised(
        Cores(1e-3 * one, np.inf * one, 0 * one, np.inf * one, 2 * one, 1e-4 * one, 1e4 * one, np.inf * one)
    )
    flux, voltage, fluxes, currents = 0 * one, 0 * one, [], []
    count = 512
    for number in range(1, 2 * count + 1):
        drive = 1e4 * np.sin(2 * np.pi * number / count) * one
        flux, voltage, current = step(iron, flux, voltage, drive, 1e4 * one, 0.01 / count * one)
        fluxes.append(flux[0])
        currents.append(current[0])
    flux_by, current_by = (np.fft.rfft(values[-count:]) * 2j / count for values in (fluxes, currents))
    ratio = flux_by[1] / current_by[1]
    assert ratio.real == pytest.approx(1.1e-3, rel=1e-4)
    assert ratio.imag == pytest.approx(-4 / (3 * np.pi) * 1e-4, rel=2e-3)
    assert abs(flux_by[3]) == pytest.approx(4 / (15 * np.pi) * 1e-4, rel=2e-3)


def test_the_source_shows_in_channel_1() -> None:
    hz = np.geomspace(30.0, 5000.0, 90)
    loop = 4.9 + 2j * np.pi * hz * 2e-3
    assert source_resistance(hz, 0.3 * np.abs(loop / (loop + 0.7)), loop) == pytest.approx(0.7, abs=0.02)


def cases() -> Iterator[Any]:
    quiet = {"harmonic_db": None, "over_db": 0.0, "masked_db": -90.0, "change": 0.0, "change_std": 1e-4,
             "span_db": 20.0, "amperes": 1.0}  # fmt: skip
    for change, core in (
        ({}, "air"), ({"harmonic_db": -60.0}, "iron"), ({"change": -0.05}, "iron"), ({"change": 0.003}, "air"),
        ({"amperes": None}, "cannot be told"), ({"amperes": 0.1}, "cannot be told"),
        ({"masked_db": -60.0}, "cannot be told"), ({"span_db": 0.0}, "cannot be told"),
    ):  # fmt: skip
        yield pytest.param({**quiet, **change}, core, id=f"{change or 'quiet'}")


@pytest.mark.parametrize(("evidence", "core"), list(cases()))
def test_iron_where_it_shows_and_air_where_it_would(evidence: dict[str, Any], core: str) -> None:
    assert core_of(Evidence(**evidence)) == core


def test_saturation_counts_from_the_top_and_not_from_the_quietest() -> None:
    current = np.geomspace(0.1, 3.2, 6)
    inductance = np.array([1.0, 1.05, 1.1, 1.08, 0.95, 0.7])
    found = saturation(current, inductance, np.full(6, 1e-4))
    assert found is not None and found.high is not None
    assert current[3] < found.low < found.current < found.high < 1.2 * current[4]
    assert saturation(current[:4], inductance[:4], np.full(4, 1e-4)) is None


def test_the_interval_of_saturation_holds_it_and_stays_open_where_its_end_is_not_seen() -> None:
    """What moves all levels alike moves no ratio; each level has its own noise."""
    current, inductance = np.geomspace(0.1, 3.2, 6), np.array([1.0, 1.01, 1.0, 0.97, 0.93, 0.89])
    exact = saturation(current, inductance, np.full(6, 1e-6))
    rough = saturation(current, inductance, np.full(6, 0.02))
    assert exact is not None and rough is not None and rough.current == exact.current
    assert exact.high is not None and rough.high is None and rough.low < 0.75 * exact.low
    steep, rng = np.array([1.0, 1.03, 1.05, 1.0, 0.85, 0.6]), np.random.default_rng(3)
    true = saturation(current, steep, np.full(6, 1e-6))
    assert true is not None
    drawn = [saturation(current, steep + 0.02 * rng.standard_normal(6), np.full(6, 0.02)) for _ in range(60)]
    assert sum(one is not None and one.low <= true.current <= (one.high or np.inf) for one in drawn) >= 54


def test_an_end_that_is_not_seen_is_said(report: PartReport) -> None:
    series, into = report.levels, Into(8.0, "assumed")
    assert series is not None and series.saturation is not None
    found = replace(series, saturation=replace(series.saturation, high=None))
    said = saturation_sentence(found, into, "coil")
    assert said.startswith("saturates above ") and "upper end not seen" in said
    untold = saturation_sentence(replace(found, known=False), into, "coil")
    assert "upper end not seen" in untold
    document = level_document(found, into, "coil")
    assert document is not None and document["saturation"]["current"]["interval_95"][1] is None
    assert document["saturation"]["relative_interval_95_db"][1] is None


def test_harmonics_are_absent_where_noise_masks_them(swept: Bench) -> None:
    take = next(take for take in swept.takes_of("part") if take.of == "L2")
    found = sweep_harmonics(swept.build.load(take), swept.ratio(take))
    inside = found.frequency_hz < 500
    third = found.orders[3]
    told = np.isfinite(third.ratio) & inside
    assert np.mean(np.abs(third.ratio[told]) > third.floor[told]) < 0.02
    scatter = np.abs(third.ratio[told] / third.std[told])
    assert 0.5 < np.sqrt(np.mean(scatter**2)) < 2.0

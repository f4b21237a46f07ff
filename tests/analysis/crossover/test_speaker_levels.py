"""A finished speaker over the level, and what another resistance before its woofer does to its Q."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from iron_takes import SWEEP, Bending, IronBench, iron_bench

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.crossover import CrossoverReport
from stillbox.analysis.crossover.damping import source_ohm
from stillbox.analysis.crossover.topic import CROSSOVER
from stillbox.analysis.drawing.layout import save_picture
from stillbox.analysis.network.netlist import network_from_text
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network

RE_OHM, FS_HZ, QMS, HEIGHT_OHM = 5.2, 62.0, 3.4, 22.0
QUICK = SWEEP.model_copy(update={"seconds": 1.0, "repeats": 2, "silence_before_s": 0.4, "silence_after_s": 0.3})
LEVELS = (-15.0, -10.0, -5.0, 0.0)
NETLIST = "* one coil\nL1 in a 1.5m\nRL1 a b 0.2\nXwoofer b 0 any\n"


def woofer_ohm(hz: np.ndarray) -> np.ndarray:
    s, omega = 2j * np.pi * np.maximum(hz, 0.5), 2 * np.pi * FS_HZ
    cone = 1 / (1 / HEIGHT_OHM + s * QMS / (omega * HEIGHT_OHM) + omega * QMS / (s * HEIGHT_OHM))
    return RE_OHM + 1 / (1 / (s * 0.4e-3) + 1 / 12) + cone


SPEAKER = Bending(henry=1.5e-3, limit_a=1.6, ohm=0.2, behind=woofer_ohm)
ALONE = Bending(henry=1e-9, limit_a=1e6, ohm=0.0, behind=woofer_ohm)


@pytest.fixture(scope="module")
def jig() -> IronBench:
    bench = iron_bench(7, 4.7, 16.0)
    return IronBench(bench.jig, bench.loudest_v, bench.seed, QUICK)


@pytest.fixture(scope="module")
def report(jig: IronBench, tmp_path_factory: pytest.TempPathFactory) -> CrossoverReport:
    folder = jig.start(tmp_path_factory.mktemp("speaker") / "build")
    jig.keep(folder, ALONE.swept(jig, -20.0, 1), -20.0, "free-air", of="woofer")
    for number, level in enumerate(LEVELS):
        jig.keep(folder, SPEAKER.swept(jig, level, 10 + number), level, "in-box", state="stock")
    keep_network(folder, NETLIST)
    return CROSSOVER.compute(Bench(BuildFolder.open(folder.path)), {"swaps": ("L1.loss=0.7",)})


def test_a_coil_in_the_speaker_is_told_over_the_level(jig: IronBench, report: CrossoverReport) -> None:
    assert report.levels is not None
    series = report.levels.series
    assert series.coil is not None and series.coil.name == "L1" and 80 <= series.at_hz <= 800
    quietest = SPEAKER.steady(jig, LEVELS[0], series.at_hz)[1]
    for level, dbfs in zip(series.levels, LEVELS, strict=True):
        current, inductance, harmonics_db = SPEAKER.steady(jig, dbfs, series.at_hz)
        assert level.current == pytest.approx(current, rel=5e-3)
        assert level.inductance is not None  # in the quietest take it counts as planned
        assert level.inductance.value / 1.5e-3 == pytest.approx(inductance / quietest, rel=0.005)
        third = level.harmonics[3]
        assert third.db is not None and third.db == pytest.approx(harmonics_db[3], abs=0.3)
    fine = [SPEAKER.steady(jig, dbfs, series.at_hz)[:2] for dbfs in np.arange(-15.0, 3.0, 0.5)]
    gone = next(current for current, inductance in fine if inductance < 0.9 * fine[0][1])
    assert series.saturation is not None and series.saturation.current == pytest.approx(gone, rel=0.1)


def test_a_core_that_bends_passes_for_no_wrong_part(report: CrossoverReport) -> None:
    assert report.take.excitation.level_dbfs == LEVELS[0]
    assert report.wrong is None or report.wrong.suspect is None


def test_it_is_said_in_volts_at_the_terminals_and_that_a_driver_bends_alike(
    report: CrossoverReport, tmp_path: Path
) -> None:
    words = "\n".join(item for item in CROSSOVER.said(report, False) if isinstance(item, str))
    assert "something bends with the level" in words and "iron core in L1, or the driver itself" in words
    assert "the speaker's own at" in words and "the quietest of these" in words
    assert CROSSOVER.document is not None
    document = CROSSOVER.document(report)
    assert "L1 or the driver itself saturates" in words and document["levels"]["core"] == "cannot be told"
    assert document["levels"]["coil"] == "L1" and document["levels"]["saturation"]["watts"] > 0
    save_picture(CROSSOVER.pictures[0].picture(report), tmp_path / "levels.svg")
    assert "3rd harmonic" in (tmp_path / "levels.svg").read_text(encoding="utf-8")


def test_more_resistance_before_the_woofer_raises_its_q(report: CrossoverReport) -> None:
    """Of a peak of height h on Re: Qts = Qms/(1 + h/(Re + R))."""
    peaks = {peak.q_name: peak for peak in report.damping}
    assert set(peaks) == {"Qts", "Qtc"}
    for peak in peaks.values():
        assert peak.hz == pytest.approx(FS_HZ, rel=0.01)
        assert peak.built_ohm == pytest.approx(0.2, abs=0.01) and peak.changed_ohm == pytest.approx(0.7, abs=0.01)
        for found, ohm in ((peak.own, 0.0), (peak.built, 0.2), (peak.changed, 0.7)):
            assert found == pytest.approx(QMS / (1 + HEIGHT_OHM / (RE_OHM + ohm)), rel=0.02)


def test_what_a_driver_sees_is_what_theory_says() -> None:
    text = "R1 in a 2\nL1 a b 1m\nC1 b 0 10u\nR2 b c 1.5\nXwoofer c 0 any\n"
    network = network_from_text(text, "x.cir")
    s = 2j * np.pi * 300.0
    wanted = 1.5 + 1 / (1 / (2 + s * 1e-3) + s * 10e-6)
    assert source_ohm(network, "woofer", 300.0, {"woofer": np.array([8 + 0j])}) == pytest.approx(wanted, rel=1e-9)

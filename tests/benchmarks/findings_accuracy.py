"""What is found in random speakers: all of it, nothing else, the right numbers and causes; beside two rivals.

Each speaker is recorded in free air and in its box through the chain of the case, kept as takes of a build with its
inside dimensions, and the findings are those a person would get. The rivals see the same impedance:
`scipy.signal.find_peaks` on |Z| (prominence of the least height that is asked for, Q from the width at 3 dB below
the prominence), and poles of sdypy-EMA's least-squares complex frequency method that stay from order to order. For
both the motional peaks count neither as right nor as wrong.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from matching import Matched, match
from recorded import RecordedBuild
from reference.random_speakers import KINDS, LEAST_HEIGHT_OHM, Kind, RandomSpeaker, random_speaker
from reference.recordings import BAD, CLEAN, Chain
from scipy import signal
from sdypy import EMA
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve, ImpedanceSpectrum
from stillbox.capture.sweep.excitation import Excitation

STANDARDS = ("open", "short", "load")
CASES: dict[str, tuple[Chain, tuple[str, ...]]] = {
    "-100 dBFS": (CLEAN, ()),
    "-80 dBFS": (replace(CLEAN, noise_dbfs=(-80.0, -80.0)), ()),
    "bad chain": (replace(BAD, noise_dbfs=(-95.0, -90.0), hum_hz=50.02, hum_dbfs=(-60.0, -66.0)), STANDARDS),
}
"""Chain and calibration takes. The bad chain: gain, delay, loading, leads, hum at -60 dBFS, unequal noise."""
SPEAKERS_OF_A_KIND = 24
EMA_BAND_HZ = (30.0, 5_000.0)
EMA_ORDER = 40
EMA_STAYS = (5, 8)
"""A pole counts when so many of so many orders below the highest hold it (0.5 % in frequency, 5 % in damping)."""


@dataclass
class Score:
    """Counts and errors of one method over many speakers."""

    asked: int = 0
    found: int = 0
    findings: int = 0
    false: int = 0
    right_causes: int = 0
    frequency_errors: list[float] = field(default_factory=list)
    q_errors: list[float] = field(default_factory=list)
    height_errors: list[float] = field(default_factory=list)

    def add(self, matched: Matched, values: Sequence[tuple[float, float, float]]) -> None:
        """Count one speaker; ``values`` are frequency, Q and height of all that was found."""
        self.asked += len(matched.pairs) + len(matched.missed)
        self.found += len(matched.pairs)
        self.findings += matched.findings
        self.false += len(matched.false)
        for index, one in matched.pairs:
            frequency_hz, q, height_ohm = values[index]
            self.frequency_errors.append(abs(frequency_hz / one.frequency_hz - 1))
            self.q_errors.append(abs(q / one.q - 1))
            self.height_errors.append(abs(height_ohm / one.height_ohm - 1))

    @property
    def found_share(self) -> float:
        return 100 * self.found / max(self.asked, 1)

    @property
    def false_share(self) -> float:
        return 100 * self.false / max(self.findings, 1)


@dataclass
class Scores:
    """Ours and the rivals', on the same data."""

    ours: Score = field(default_factory=Score)
    peaks: Score = field(default_factory=Score)
    ema: Score = field(default_factory=Score)


def rows(quick: bool = False) -> list[Row]:
    """All figures for each case."""
    count = 3 if quick else SPEAKERS_OF_A_KIND
    speakers = {kind: [random_speaker(seed, kind) for seed in range(100, 100 + count)] for kind in KINDS}
    return [row for case in CASES for row in _rows_of(case, speakers)]


def _rows_of(head: str, speakers: dict[Kind, list[RandomSpeaker]]) -> list[Row]:
    by_kind = {kind: _scores(ones, head) for kind, ones in speakers.items()}
    null = by_kind["null"]
    result = [
        Row(
            f"{head}: findings on {len(speakers['null'])} null speakers",
            "none",
            str(null.ours.findings),
            f"peaks {null.peaks.findings}, EMA {null.ema.findings}",
            null.ours.findings == 0,
        )
    ]
    for kind, scores in by_kind.items():
        if kind != "null":
            what = f"{head}: found of {scores.ours.asked} asked for, {len(speakers[kind])} speakers, {kind}"
            rival = f"peaks {scores.peaks.found_share:.0f} %, EMA {scores.ema.found_share:.0f} %"
            result.append(at_least(what, scores.ours.found_share, 95, "{:.1f} %", rival))
    ours, peaks, ema = (_sum([getattr(one, name) for one in by_kind.values()]) for name in ("ours", "peaks", "ema"))
    rival = f"peaks {peaks.false_share:.0f} % of {peaks.findings}, EMA {ema.false_share:.0f} % of {ema.findings}"
    result.append(at_most(f"{head}: false of {ours.findings} findings", ours.false_share, 5, "{:.1f} %", rival))
    for what, name, bar in (
        ("frequency", "frequency_errors", 0.3),
        ("Q", "q_errors", 10),
        ("height", "height_errors", 10),
    ):
        own, *theirs = (100 * float(np.median(getattr(score, name) or [np.nan])) for score in (ours, peaks, ema))
        rival = f"peaks {theirs[0]:.2g} %, EMA {theirs[1]:.2g} %" if what != "height" else f"peaks {theirs[0]:.2g} %"
        result.append(at_most(f"{head}: median error of {what}", own, bar, "{:.2g} %", rival))
    share = 100 * ours.right_causes / max(ours.found, 1)
    return [*result, at_least(f"{head}: cause right, of {ours.found} found", share, 90, "{:.1f} %")]


def _sum(scores: Sequence[Score]) -> Score:
    total = Score()
    for score in scores:
        for name, value in vars(score).items():
            setattr(total, name, getattr(total, name) + value)
    return total


def _scores(speakers: Sequence[RandomSpeaker], case: str) -> Scores:
    scores = Scores()
    for speaker in speakers:
        report, curve, spectrum = _measured(speaker, case)
        own = [finding.resonance for finding in report.findings]
        matched = match([one.frequency_hz for one in own], speaker.truth)
        scores.ours.add(matched, [(one.frequency_hz, one.q, one.height_ohm) for one in own])
        scores.ours.right_causes += sum(report.findings[index].cause == one.cause for index, one in matched.pairs)
        for score, found in ((scores.peaks, peaks_of(curve)), (scores.ema, ema_of(spectrum))):
            score.add(match([one[0] for one in found], speaker.truth, with_fundamentals=True), found)
    return scores


def _measured(speaker: RandomSpeaker, case: str) -> tuple[FindingsReport, ImpedanceCurve, ImpedanceSpectrum]:
    chain, standards = CASES[case]
    with tempfile.TemporaryDirectory() as folder:
        path, seed = Path(folder) / "build", 10 * speaker.seed
        build = RecordedBuild.create(path, Excitation(), chain, seed, speaker.inside_mm, standards)  # type: ignore[arg-type]
        build.add(speaker.free_air, "free-air")
        take = build.add(speaker.in_box, "in-box", state="stock")
        bench = Bench(build.folder)
        return bench.findings("stock"), bench.curve(take), bench.spectrum(take)


def peaks_of(curve: ImpedanceCurve) -> list[tuple[float, float, float]]:
    """Frequency, Q and height of the peaks of |Z| on the logarithmic grid."""
    magnitude = np.abs(curve.impedance_ohm)
    places, about = signal.find_peaks(magnitude, prominence=LEAST_HEIGHT_OHM)
    _, _, left, right = signal.peak_widths(magnitude, places, rel_height=1 - np.sqrt(0.5))
    low_hz, high_hz = (np.interp(edge, np.arange(magnitude.size), curve.frequency_hz) for edge in (left, right))
    return [
        (float(curve.frequency_hz[place]), float(curve.frequency_hz[place] / max(high - low, 1e-9)), float(height))
        for place, low, high, height in zip(places, low_hz, high_hz, about["prominences"], strict=True)
    ]


def ema_of(spectrum: ImpedanceSpectrum) -> list[tuple[float, float, float]]:
    """Frequency and Q of sdypy-EMA's stable poles; it gives no height in ohms, so that is not a number."""
    low_hz, high_hz = EMA_BAND_HZ
    inside = spectrum.frequency_hz < 1.2 * high_hz
    model = EMA.Model(
        spectrum.impedance_ohm[inside][None, :],
        spectrum.frequency_hz[inside],
        lower=low_hz,
        upper=high_hz,
        pol_order_high=EMA_ORDER,
        frf_form="mobility",
    )
    model.get_poles(show_progress=False)
    enough, orders = EMA_STAYS
    found = []
    for frequency_hz, damping in zip(model.pole_freq[-1], model.pole_xi[-1], strict=True):
        if not (low_hz < frequency_hz < high_hz and 0 < damping < 0.25):
            continue
        stays = sum(
            bool(
                np.any(
                    (np.abs(model.pole_freq[-order] / frequency_hz - 1) < 0.005)
                    & (np.abs(model.pole_xi[-order] / damping - 1) < 0.05)
                )
            )
            for order in range(2, orders + 2)
        )
        if stays >= enough and not any(abs(frequency_hz / other[0] - 1) < 1e-6 for other in found):
            found.append((float(frequency_hz), float(1 / (2 * damping)), float("nan")))
    return found

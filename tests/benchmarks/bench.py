"""How well takes hold on a bench as it is: sound, steps, contacts, mains, bends, warmth, each kind mild and strong.

The takes come from `reference.wild_bench`, whose truth is that of the moment and the level at which each frequency was
swept, and are read as a person's are. The rival sees the same recordings with what was done before: the plain mean of
the sweeps, with the noise of the silences and nothing else in the intervals.

- A false finding has 50 mohm or more and lies where no resonance of the speaker is (a third of its width, or 2 %).
- A wrong verdict says, of two takes of one state, that something went, came, grew, shrank or moved. What a person did
  between them is told as a person tells it: the thermometer's reading where the air is warmer; where the driver was out
  and in, a take with `--remounted` beforehand, which shows what that does. Not told, and no fault of a verdict on
  `driver`, is that the driver was out.
- An interval of |Z| is right where it holds the truth, counted over the points of 15 Hz to 20 kHz. Where suspension or
  magnet bend (kinds nonlinear, level_dependence) that is what the sweep itself answers without noise (``as_swept``):
  an impedance at one steady level is not what a sweep passes through.
"""

from __future__ import annotations

import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from reference.wild_bench import WILDNESS, WildTake, wild_pair, wild_take
from reference.wild_draw import Strength
from table import Row, at_least, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve, ImpedanceSpectrum, curve_of_spectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.sweeps.deconvolution import sweep_spectra
from stillbox.analysis.sweeps.hum import find_hum
from stillbox.analysis.sweeps.silence_noise import noise_spectra, silent_spans
from stillbox.calibration.jig import fit_jig
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.recording.take import Recording
from stillbox.capture.sweep.excitation import Excitation

TAKES = 20
"""Of each kind and strength."""
PAIRS = 6
RIVAL_FITS = 5
"""Of each kind and strength the rival's resonances are looked for in so many takes: that costs most of all."""
LEAST_OHM = 0.05
THERMOMETER_K = 0.5
"""Standard deviation of a reading."""
CLEAN = "clean"


@dataclass
class Tally:
    """What was counted for one kind of bench."""

    held: list[float] = field(default_factory=list)
    half_widths: list[float] = field(default_factory=list)
    square_errors: list[float] = field(default_factory=list)
    false: int = 0
    takes: int = 0
    fitted: int = 0
    wrong: int = 0
    pairs: int = 0

    def add_curve(self, curve: ImpedanceCurve, take: WildTake) -> None:
        """Count an impedance: share of points held, median half width, mean square error, relative to |Z|."""
        assert take.truth is not None
        inside = (curve.frequency_hz >= 15) & (curve.frequency_hz <= 20_000) & take.truth.is_sharp(curve.frequency_hz)
        truth = np.abs(take.truth.impedance_ohm(curve.frequency_hz[inside], as_swept=True))
        impedance = curve.impedance_ohm[inside]
        along = np.stack([impedance.real, impedance.imag], axis=-1) / np.abs(impedance)[:, None]
        std = np.sqrt(np.einsum("ni,nij,nj->n", along, curve.covariance_ohm2[inside], along))
        error = np.abs(impedance) / truth - 1
        self.takes += 1
        self.held.append(float(np.mean(np.abs(error) < 1.96 * std / truth)))
        self.half_widths.append(float(np.median(1.96 * std / truth)))
        self.square_errors.append(float(np.mean(error**2)))

    def add_false(self, found: list[tuple[float, float]], take: WildTake) -> None:
        """Count what was found (frequency, height) where nothing is."""
        self.fitted += 1
        self.false += len(false_findings(found, take))

    @property
    def coverage(self) -> float:
        return 100 * float(np.mean(self.held))

    @property
    def width_over_error(self) -> float:
        return float(np.median(self.half_widths) / np.sqrt(np.mean(self.square_errors)))

    @property
    def false_a_take(self) -> float:
        return self.false / max(self.fitted, 1)


def false_findings(found: list[tuple[float, float]], take: WildTake) -> list[tuple[float, float]]:
    """Those of 50 mohm or more where the speaker has nothing."""
    assert take.truth is not None
    there = [(pair.frequency_hz, max(0.02, 0.3 / pair.q)) for pair in take.truth.poles]
    return [
        (hz, ohm)
        for hz, ohm in found
        if ohm >= LEAST_OHM and not any(abs(hz / true_hz - 1) < width for true_hz, width in there)
    ]


def rows(quick: bool = False) -> list[Row]:
    """Bars for every kind, and the sums."""
    takes, pairs = (2, 1) if quick else (TAKES, PAIRS)
    result, wild, rival_wild = [], Tally(), Tally()
    kinds = (CLEAN, *WILDNESS)
    begin = time.perf_counter()
    with ProcessPoolExecutor() as pool:
        found = pool.map(measured, kinds, [takes] * len(kinds), [pairs] * len(kinds))
        for kind, (ours, rival) in zip(kinds, found, strict=True):
            result += _rows_of(kind, ours, rival)
            print(f"... bench, {kind}: after {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)
            if kind != CLEAN:
                for total, one in ((wild, ours), (rival_wild, rival)):
                    total.false += one.false
                    total.fitted += one.fitted
    what = f"bench, all wild kinds: false findings of 50 mohm and more a take, {wild.fitted} takes"
    return [*result, at_most(what, wild.false_a_take, 0.1, "{:.3f}", f"silence only {rival_wild.false_a_take:.3f}")]


def measured(kind: str, takes: int, pairs: int) -> tuple[Tally, Tally]:
    """Ours and the rival's, over both strengths."""
    ours, rival = Tally(), Tally()
    strengths: tuple[Strength, ...] = ("mild", "strong")
    for strength in strengths:
        for seed in range(takes):
            take = wild_take(kind, strength, seed, Excitation())
            with tempfile.TemporaryDirectory() as folder:
                bench = _bench_of(Path(folder) / "build", [take])
                info = bench.takes[0]
                ours.add_curve(bench.curve(info), take)
                ours.add_false(_of_report(bench.findings_of(info)), take)
                plain = from_silence_only(bench.build.load(info), take.reference_ohm)
            rival.add_curve(curve_of_spectrum(plain), take)
            if seed >= RIVAL_FITS:
                continue
            rival.add_false([(one.frequency_hz, one.height_ohm) for one in fit_resonances(plain).resonances], take)
        for seed in range(pairs):
            with tempfile.TemporaryDirectory() as folder:
                bench = told_pair(Path(folder) / "build", kind, strength, 100 + seed, Excitation())
                ours.wrong += len(wrong_verdicts(bench, kind))
                ours.pairs += 1
    return ours, rival


def _bench_of(path: Path, takes: list[WildTake]) -> Bench:
    build = BuildFolder.create(path)
    build.set_calibration(takes[0].reference_ohm)
    for number, take in enumerate(takes):
        take.keep_in(build, "in-box", state=f"state-{number}")
    return Bench(build)


def told_pair(path: Path, kind: str, strength: Strength, seed: int, excitation: Excitation) -> Bench:
    """Two states that are one, with what a person tells of what happened between."""
    pair = wild_pair(kind, strength, seed, excitation)
    build = BuildFolder.create(path)
    build.set_calibration(pair.first.reference_ohm)
    warmer_c = 293.15 * pair.air_factor**2 - 273.15
    read_c = {} if pair.air_factor == 1.0 else {"celsius": round(warmer_c + THERMOMETER_K * _reading(seed), 1)}
    pair.first.keep_in(build, "in-box", state="state-0", **({"celsius": 20.0} if read_c else {}))
    second = pair.second
    if kind == "remount":
        second.keep_in(build, "in-box", state="state-0", remounted=True)
        second = wild_take(kind, strength, seed, excitation, occasion="third")
    second.keep_in(build, "in-box", state="state-1", **read_c)
    return Bench(build)


def _reading(seed: int) -> float:
    """How far a thermometer is off, in its standard deviations."""
    return float(np.random.default_rng([seed, 9]).normal())


def _of_report(report: FindingsReport) -> list[tuple[float, float]]:
    return [(finding.resonance.frequency_hz, finding.resonance.height_ohm) for finding in report.findings]


def wrong_verdicts(bench: Bench, kind: str) -> list[tuple[float, str]]:
    """Frequencies and verdicts that say of one state that it changed."""
    comparison = bench.comparison("state-0", "state-1")
    said = [
        (change.frequency_hz, change.verdict, (change.before or change.after).cause)  # type: ignore[union-attr]
        for change in comparison.changes
        if change.verdict != "unchanged"
    ]
    if kind == "remount":
        said = [one for one in said if one[2] != "driver"]
    return [(hz, verdict) for hz, verdict, _ in said]


def from_silence_only(recording: Recording, reference_ohm: float) -> ImpedanceSpectrum:
    """The rival: plain mean of the sweeps, noise from the silences."""
    info = recording.info
    rate_hz = info.excitation.sample_rate_hz
    spans = silent_spans(info.frames, info.sweep_starts, info.excitation)
    hum = find_hum(recording.samples, rate_hz, spans)
    noise = noise_spectra(recording.samples, rate_hz, spans, hum)
    spectra = sweep_spectra(recording, hum, None)
    ratio = spectra.ratios.mean(axis=0)
    each = spectra.ratio_variance(noise.of_ratio(spectra.frequency_hz, ratio))
    variance = each.sum(axis=0) / len(each) ** 2
    jig = fit_jig("high-side", reference_ohm, spectra.frequency_hz, {})
    return ImpedanceSpectrum(
        frequency_hz=spectra.frequency_hz,
        impedance_ohm=jig.impedance_from_ratio(ratio),
        noise_variance_ohm2=jig.noise_variance(ratio, variance),
        calibration_variance_ohm2=np.zeros(ratio.size),
        scale_std=0.0,
    )


def _rows_of(kind: str, ours: Tally, rival: Tally) -> list[Row]:
    head = f"bench, {kind}, {ours.takes} takes"
    width = f"{ours.width_over_error:.2f} times the rms error of {100 * np.sqrt(np.mean(ours.square_errors)):.2g} %"
    return [
        at_most(
            f"{head}: false findings of 50 mohm and more a take",
            ours.false_a_take,
            0.0 if kind == CLEAN else 0.1,
            "{:.3f}",
            f"silence only {rival.false_a_take:.3f}",
        ),
        at_least(
            f"{head}: 95 % intervals of |Z| that hold the truth",
            ours.coverage,
            88,
            "{:.1f} %",
            f"silence only {rival.coverage:.1f} %",
        ),
        Row(
            f"{head}: median half width of |Z|",
            "<= 3 times the rms error",
            width,
            f"silence only {rival.width_over_error:.2f}",
            ours.width_over_error <= 3,
        ),
        at_most(f"{head}: wrong verdicts, {ours.pairs} pairs of one state", ours.wrong / ours.pairs, 0.2, "{:.2f}"),
    ]

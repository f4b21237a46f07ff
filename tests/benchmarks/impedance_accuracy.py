"""How true the ohms are, and how true what is said of their uncertainty.

The Cramer-Rao bound that the variance is held against: in the spectrum of the record channel 1 is S_k + N1_k and
channel 2 is m_k S_k + N2_k, with an unknown excitation S_k, circular noise of variances n1 and n2, and a ratio m_k
that nothing ties to its neighbours. The information matrix of (S_k, m_k), with 1/n1 + |m|^2/n2, m* S/n2 and |S|^2/n2 as
its entries, gives, S_k eliminated,

    var(m_k) >= (n2 + |m|^2 n1) / |S_k|^2.

White noise of variance s^2 a sample has n = W s^2 in a record of W frames. The ratio is given at bins W frames apart
(1/W of the rate), so W is the part of the response that is kept: with fewer frames neighbouring bins could not
differ. |S_k|^2 is the energy spectrum of the excitation at channel 1. The ends of the W frames are tapered, so a
ratio a few percent below 1 is what an efficient estimate gives.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import skrf
from recorded import LOAD_OHM, RecordedBuild, recording, remembered, spectrum_of
from reference.analytic import impedance_ohm
from reference.jig_circuit import Jig, node_voltages
from reference.random_speakers import KINDS, RandomSpeaker, random_speaker
from reference.recordings import BAD, CLEAN, Chain, Device, record
from reference.speaker_circuit import SpeakerCircuit
from scipy import fft
from table import Row, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.impedance.impedance import ImpedanceCurve, curve_of_spectrum
from stillbox.analysis.sweeps.transfer import channel_ratio
from stillbox.calibration.jig import fit_jig
from stillbox.calibration.jig_models import StandardReading
from stillbox.calibration.smoothing import smooth_ratio
from stillbox.capture.sweep.excitation import Excitation, sweep_samples

STANDARDS = ("open", "short", "load")
SPREAD_SEED = 31


def rows(quick: bool = False) -> list[Row]:
    """Accuracy, agreement with scikit-rf, coverage, efficiency."""
    speakers = [random_speaker(seed, kind) for seed in range(1 if quick else 3) for kind in KINDS]
    seeds = 6 if quick else 50
    return [
        *(_clean_row(speakers, kind) for kind in ("high-side", "low-side")),
        *(_bad_row(speakers[:5], kind) for kind in ("high-side", "low-side")),
        _agreement_row(),
        *_coverage_rows(seeds),
        *_bound_rows(seeds),
    ]


def error_95(curve: ImpedanceCurve, circuit: SpeakerCircuit) -> float:
    """95th percentile of the relative error, 15 Hz to 20 kHz."""
    inside = (curve.frequency_hz >= 15) & (curve.frequency_hz <= 20_000)
    truth = impedance_ohm(circuit, curve.frequency_hz[inside])
    return float(np.quantile(np.abs(curve.impedance_ohm[inside] / truth - 1), 0.95))


def curve_through(device: Device, chain: Chain, seed: int, standards: tuple = STANDARDS) -> ImpedanceCurve:
    """Curve of a device through a build on disk with its standards."""
    with tempfile.TemporaryDirectory() as folder:
        build = RecordedBuild.create(Path(folder) / "build", Excitation(), chain, seed, standards=standards)
        return Bench(build.folder).curve(build.add(device, "in-box", state="stock"))


def _clean_row(speakers: list[RandomSpeaker], kind: str) -> Row:
    chain = replace(CLEAN, jig=Jig(kind))  # type: ignore[arg-type]
    errors = [
        error_95(curve_of_spectrum(spectrum_of(one.in_box, Excitation(), chain, one.seed)), one.in_box)
        for one in speakers
    ]
    what = f"error of ohms, clean chain, {kind}, worst of {len(errors)} speakers (95 %, 15 Hz-20 kHz)"
    return at_most(what, 100 * max(errors), 0.05, "{:.4f} %", f"median {100 * np.median(errors):.4f} %")


def _bad_row(speakers: list[RandomSpeaker], kind: str) -> Row:
    chain = replace(BAD, jig=replace(BAD.jig, kind=kind))
    errors = [error_95(curve_through(one.in_box, chain, 100 * one.seed), one.in_box) for one in speakers]
    plain = error_95(curve_through(speakers[0].in_box, chain, 1, ()), speakers[0].in_box)
    what = f"error of ohms, bad chain with open/short/load, {kind}, worst of {len(errors)}"
    return at_most(what, 100 * max(errors), 0.1, "{:.4f} %", f"uncorrected {100 * plain:.3g} %")


def _agreement_row() -> Row:
    """The same smoothed readings of the standards through scikit-rf's one-port calibration (at 50 ohm)."""
    excitation = Excitation()
    devices: dict[str, Device] = {"open": np.inf, "short": 0.0, "load": LOAD_OHM}
    ratios = {
        subject: channel_ratio(recording(record(device, excitation, BAD, seed), excitation, BAD.offset_frames))
        for seed, (subject, device) in enumerate(devices.items())
    }
    measured = channel_ratio(
        recording(record(random_speaker(1, "mixed").in_box, excitation, BAD, 9), excitation, BAD.offset_frames)
    )
    step = slice(None, None, 16)
    frequency_hz = measured.frequency_hz[step]
    smooth = {
        subject: smooth_ratio(ratio.frequency_hz, ratio.ratio, ratio.noise_variance, frequency_hz)
        for subject, ratio in ratios.items()
    }
    readings = {
        subject: StandardReading(ratio, variance, LOAD_OHM if subject == "load" else None, None)
        for subject, (ratio, variance) in smooth.items()
    }
    ours = fit_jig("high-side", 10.0, frequency_hz, readings).impedance_from_ratio(measured.ratio[step])

    frequency = skrf.Frequency.from_f(frequency_hz, unit="Hz")

    def network(reflection: np.ndarray | float) -> skrf.Network:
        values = np.broadcast_to(np.asarray(reflection, dtype=complex), frequency_hz.shape)
        return skrf.Network(frequency=frequency, s=values.reshape(-1, 1, 1), z0=50)

    ideals = [network(value) for value in (1.0, -1.0, (LOAD_OHM - 50) / (LOAD_OHM + 50))]
    peer = skrf.calibration.OnePort(measured=[network(smooth[name][0]) for name in STANDARDS], ideals=ideals)
    peer.run()
    corrected = peer.apply_cal(network(measured.ratio[step])).s[:, 0, 0]
    theirs = 50 * (1 + corrected) / (1 - corrected)
    return at_most(
        "correction against scikit-rf's one-port, worst difference", float(np.max(np.abs(ours / theirs - 1))), 1e-9
    )


def _coverage_rows(seeds: int) -> list[Row]:
    """Share of resistances and reactances whose 95 % interval holds the truth."""
    circuit = random_speaker(SPREAD_SEED, "mixed").in_box
    device = remembered(circuit)
    humming = replace(CLEAN, hum_hz=50.02, hum_dbfs=(-60.0, -66.0))
    cases = {
        "clean chain": lambda seed: curve_of_spectrum(spectrum_of(device, Excitation(), CLEAN, seed)),
        "clean chain with hum at -60 dBFS": lambda seed: curve_of_spectrum(
            spectrum_of(device, Excitation(), humming, seed)
        ),
        "bad chain with open/short/load": lambda seed: curve_through(device, BAD, 10 * seed),
    }
    return [
        _coverage_row(f"95 % intervals that hold the truth, {name}, {seeds} seeds", circuit, map(make, range(seeds)))
        for name, make in cases.items()
    ]


def _coverage_row(what: str, circuit: SpeakerCircuit, curves: map) -> Row:
    shares = []
    for curve in curves:
        inside = (curve.frequency_hz >= 15) & (curve.frequency_hz <= 20_000)
        error = (curve.impedance_ohm - impedance_ohm(circuit, curve.frequency_hz))[inside]
        held = np.stack(
            [
                np.abs(error.real) < 1.96 * curve.resistance_std_ohm[inside],
                np.abs(error.imag) < 1.96 * curve.reactance_std_ohm[inside],
            ]
        )
        shares.append(held.mean(axis=0))
    by_third = [100 * float(np.mean(part)) for part in np.array_split(np.mean(shares, axis=0), 3)]
    share = 100 * float(np.mean(shares))
    thirds = ", ".join(f"{value:.1f}" for value in by_third)
    return Row(what, "93 to 97 %", f"{share:.2f} % (thirds of the band {thirds})", "", 93 <= share <= 97)


def _bound_rows(seeds: int) -> list[Row]:
    """Scatter of the ungated ratio over seeds against the bound of the module's docstring."""
    cases = {"equal noise": (-100.0, -100.0), "channel 2 noisier": (-100.0, -85.0)}
    result = []
    for name, levels_dbfs in cases.items():
        frequency_hz, relative = _variance_over_bound(levels_dbfs, seeds)
        octaves = np.array_split(relative, np.searchsorted(frequency_hz, 15 * 2.0 ** np.arange(1, 11)))
        what = f"variance over the Cramer-Rao bound, {name}, {seeds} seeds (worst octave)"
        result.append(at_most(what, float(np.mean(relative)), 1.15, "{:.3f}"))
        worst = max(float(np.mean(part)) for part in octaves)
        result[-1] = replace(result[-1], measured=f"{result[-1].measured} ({worst:.3f})")
    return result


def _variance_over_bound(levels_dbfs: tuple[float, float], seeds: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequency in Hz, and mean square error of the ratio over the bound, shape (bins,) each."""
    excitation = Excitation()
    circuit = random_speaker(SPREAD_SEED, "mixed").in_box
    device = remembered(circuit)
    chain = Chain(jig=Jig(source_ohm=2.0), noise_dbfs=levels_dbfs)
    measured = [channel_ratio(recording(record(device, excitation, chain, seed), excitation)) for seed in range(seeds)]
    frequency_hz = measured[0].frequency_hz
    first, second = node_voltages(chain.jig, impedance_ohm(circuit, frequency_hz))
    square = np.mean([np.abs(one.ratio - second / first) ** 2 for one in measured], axis=0)

    rate_hz = excitation.sample_rate_hz
    frames = rate_hz / (frequency_hz[1] - frequency_hz[0])
    noise_1, noise_2 = (frames * 10 ** (level / 10) for level in levels_dbfs)
    length = round(8 * frames)
    sweep = np.abs(fft.rfft(sweep_samples(excitation), length))
    excited = np.abs(first) * np.interp(frequency_hz, fft.rfftfreq(length, 1 / rate_hz), sweep)
    bound = (noise_2 + np.abs(second / first) ** 2 * noise_1) / excited**2
    return frequency_hz, square / bound

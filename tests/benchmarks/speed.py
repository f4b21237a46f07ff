"""Time and memory of the main job, measured in fresh processes, and deconvolution beside pyfar's."""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyfar
from recorded import RecordedBuild
from reference.random_speakers import random_speaker
from reference.recordings import BAD, record, write_recording
from scipy import fft
from table import ROOT, Row, at_most

from stillbox.analysis.sweeps.deconvolution import band_filter, deconvolved, inverse_filter
from stillbox.capture.sweep.excitation import (
    Excitation,
    excitation_samples,
    sweep_samples,
    sweep_starts,
    write_excitation,
)

FRESH = Path(__file__).with_name("fresh_process.py")
SECONDS_BAR = 1.5
MEMORY_BAR_MB = 1_000.0
LONG = Excitation(seconds=58.0, sample_rate_hz=192_000, high_hz=24_000.0)
"""60 s with its silences."""


def rows(quick: bool = False) -> list[Row]:
    """From files to findings, deconvolution, memory."""
    return [*_findings_rows(3 if quick else 9), _deconvolution_row(15 if quick else 41), *_memory_rows()]


def measured(what: str, folder: Path) -> dict[str, float]:
    """One measurement of ``fresh_process.py``."""
    ran = subprocess.run(
        [sys.executable, str(FRESH), what, str(folder)], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return json.loads(ran.stdout)


# From files to findings


def _findings_rows(times: int) -> list[Row]:
    """Three takes of 5 s, stereo, 48 kHz; the same with standards beside them, and with the import before."""
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        _record_files(base)
        plain = [measured("findings", base / "plain") for _ in range(times)]
        calibrated = [measured("findings", base / "calibrated") for _ in range(times)]
        imported = []
        for number in range(times):
            shutil.copytree(base / "files", base / f"files-{number}")
            imported.append(measured("import-and-findings", base / f"files-{number}"))
    return [
        _time_row("three takes in a build to the findings of both states", plain),
        _time_row("the same with open/short/load: six takes", calibrated, asked=False),
        _time_row("the same three takes, their import from WAV files included", imported, asked=False),
    ]


def _record_files(base: Path) -> None:
    excitation = Excitation()
    speaker, lined = random_speaker(104, "mixed"), random_speaker(104, "wall")
    devices = {"free-air": speaker.free_air, "in-box-stock": speaker.in_box, "in-box-lined": lined.in_box}
    for name, standards in (("plain", ()), ("calibrated", ("open", "short", "load"))):
        build = RecordedBuild.create(base / name, excitation, BAD, 1, speaker.inside_mm, standards)  # type: ignore[arg-type]
        build.add(speaker.free_air, "free-air")
        build.add(speaker.in_box, "in-box", state="stock")
        build.add(lined.in_box, "in-box", state="lined")
    files = RecordedBuild.create(base / "files", excitation, BAD, 1, speaker.inside_mm).folder.path
    write_excitation(excitation, files / "sweep.wav")
    for seed, (name, device) in enumerate(devices.items()):
        write_recording(files / f"{name}.wav", record(device, excitation, BAD, seed), excitation.sample_rate_hz)


def _time_row(what: str, results: list[dict[str, float]], asked: bool = True) -> Row:
    wall_s, processor_s = (statistics.median(one[name] for one in results) for name in ("wall_s", "processor_s"))
    value = f"{wall_s:.2f} s (processor {processor_s:.2f} s, load of the machine {os.getloadavg()[0]:.1f})"
    bar = f"<= {SECONDS_BAR} s" if asked else "-"
    return Row(f"{what}, median of {len(results)}", bar, value, "", wall_s <= SECONDS_BAR or not asked)


# Deconvolution


def _deconvolution_row(rounds: int) -> Row:
    """From two channels and the sweep as arrays to two impulse responses, turn by turn."""
    excitation = Excitation()
    samples = record(random_speaker(104, "mixed").in_box, excitation, BAD, 1)
    start = BAD.offset_frames + sweep_starts(excitation)[0]
    frames = excitation.sweep_frames + excitation.silence_after_frames
    segment, sweep = samples[start : start + frames].T.copy(), sweep_samples(excitation)
    rate_hz = excitation.sample_rate_hz

    def ours() -> np.ndarray:
        frequency_hz = fft.rfftfreq(frames, 1 / rate_hz)
        inverse = inverse_filter(fft.rfft(sweep, frames), band_filter(frequency_hz, excitation))
        return np.stack([deconvolved(channel, inverse) for channel in segment])

    def theirs() -> np.ndarray:
        padded = pyfar.Signal(np.pad(sweep, (0, frames - sweep.size)), rate_hz)
        inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(padded, (10.0, 22_800.0)).invert
        return (pyfar.Signal(segment, rate_hz) * inverse).time

    times = _times_in_turn((ours, theirs), rounds)
    our_s, their_s = (statistics.median(values) for values in times)
    spectra = [fft.rfft(work(), axis=1) for work in (ours, theirs)]
    inside = slice(round(20 * frames / rate_hz), round(15_000 * frames / rate_hz))
    same = float(np.max(np.abs(spectra[0][:, inside] / spectra[1][:, inside] - 1)))
    what = f"time of deconvolution over pyfar's, two channels, medians of {rounds} (they agree to {same:.0e})"
    return at_most(what, our_s / their_s, 1.0, "{:.2f}", f"{1e3 * our_s:.0f} ms, pyfar {1e3 * their_s:.0f} ms")


def _times_in_turn(contestants: tuple[Callable[[], object], ...], rounds: int) -> list[list[float]]:
    times: list[list[float]] = [[] for _ in contestants]
    for _ in range(rounds):
        for values, work in zip(times, contestants, strict=True):
            begin = time.perf_counter()
            work()
            values.append(time.perf_counter() - begin)
    return times


# Memory


def _memory_rows() -> list[Row]:
    """Peak resident memory of a process that imports a take of 60 s at 192 kHz and computes its impedance."""
    with tempfile.TemporaryDirectory() as folder:
        build = RecordedBuild.create(Path(folder) / "long", LONG)
        write_excitation(LONG, build.folder.path / "sweep.wav")
        signal = excitation_samples(LONG)
        noise = 1e-5 * np.random.default_rng(1).standard_normal((signal.size, 2))
        write_recording(
            build.folder.path / "long.wav", signal[:, None] * np.array([1.0, 0.44]) + noise, LONG.sample_rate_hz
        )
        taken = measured("long-take", build.folder.path)
        found = measured("long-findings", build.folder.path)
    seconds = f"{signal.size / LONG.sample_rate_hz:.0f} s"
    about = "MB (imports {imports_mb:.0f}; {wall_s:.0f} s)"
    return [
        Row(
            f"peak memory, {what} of a stereo take of {seconds} at 192 kHz",
            f"< {MEMORY_BAR_MB:.0f} MB",
            f"{one['peak_mb']:.0f} " + about.format(**one),
            "",
            one["peak_mb"] < MEMORY_BAR_MB,
        )
        for what, one in (("import and impedance", taken), ("curve and findings", found))
    ]

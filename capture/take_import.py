"""Import of a recording made elsewhere: read, find the sweeps, check, keep."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from capture.audio_file import AudioClip, RawSamples, quantum, read_audio
from capture.build_folder import BuildFolder
from capture.errors import StillboxError
from capture.excitation import Excitation
from capture.recording_checks import (
    Circumstances,
    check_channels,
    check_clipping,
    check_hum,
    check_identical,
    check_level,
    mains_hum,
)
from capture.recording_gaps import check_gaps
from capture.sweep_search import SweepSearch, find_sweeps
from capture.sweep_track import silence_before, track_sweep
from capture.take import SUBJECTS, JigKind, Subject, TakeInfo

MARKED_LOAD_SUBJECTS = ("load", "check-resistor")
JIGS = ("high-side", "low-side")


def import_take(
    build: BuildFolder,
    audio_path: Path,
    excitation: Excitation,
    subject: str,
    state: str | None = None,
    unit: str = "A",
    jig: str = "high-side",
    load_ohm: float | None = None,
    load_tolerance_percent: float | None = None,
) -> TakeInfo:
    """Import a recording as a new take of ``build``: all of it or nothing.

    Parameters
    ----------
    state : str or None
        None stands for ``stock`` in the box and for no state elsewhere.

    Raises
    ------
    StillboxError
        If an option is wrong or the recording cannot be used; names the fault and the remedy.
    """
    _check_options(subject, jig, load_ohm, load_tolerance_percent)
    clip = read_audio(audio_path, (1, 2) if subject == "microphone" else (2,))
    if clip.sample_rate_hz != excitation.sample_rate_hz:
        raise StillboxError(
            f"{audio_path} has the wrong rate: {clip.sample_rate_hz} Hz where its excitation has "
            f"{excitation.sample_rate_hz} Hz; record at {excitation.sample_rate_hz} Hz, or play an excitation made "
            f"with --rate {clip.sample_rate_hz}"
        )
    case = Circumstances(cast(Subject, subject), cast(JigKind, jig), excitation, quantum(clip.subtype))
    try:
        starts, flags = check_recording(clip, case)
    except StillboxError as error:
        raise StillboxError(f"{audio_path}: {error}") from error
    if state is None:
        state = "stock" if subject == "in-box" else ""
    return build.add_take(
        clip.samples,
        clip.subtype,
        subject=case.subject,
        state=state,
        unit=unit,
        jig=case.jig,
        load_ohm=load_ohm,
        load_tolerance_percent=load_tolerance_percent,
        excitation=excitation,
        sweep_starts=starts,
        origin=audio_path.name.encode("utf-8", "replace").decode("utf-8"),
        flags=flags,
    )


def check_recording(clip: AudioClip, case: Circumstances) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Find the sweeps of a recording and check it.

    Returns
    -------
    starts : tuple of int
        Frame at which each whole sweep starts.
    flags : tuple of str

    Raises
    ------
    StillboxError
        If the recording cannot be used; names the fault and the remedy.
    """
    samples = clip.samples
    search = _search(samples, case)
    flags = list(search.flags)
    flags += check_identical(samples, case)
    for number, sweep in enumerate(search.sweeps, start=1):
        track = track_sweep(samples, sweep, case.excitation)
        found = check_channels(track, case)
        found += check_hum(silence_before(samples, sweep, case.excitation), track, case)
        found += check_clipping(samples, track, case)
        name = "the sweep" if len(search.sweeps) == 1 else f"sweep {number}"
        found += check_gaps(samples, sweep, track, case, name)
        if number == 1:
            flags += found + check_level(track, samples, case)
    return search.starts, tuple(flags)


def _check_options(subject: str, jig: str, load_ohm: float | None, tolerance_percent: float | None) -> None:
    if subject not in SUBJECTS:
        raise StillboxError(f"there is no subject '{subject}'; choose one of {', '.join(SUBJECTS)}")
    if jig not in JIGS:
        raise StillboxError(f"there is no jig '{jig}'; choose one of {', '.join(JIGS)}")
    if subject in MARKED_LOAD_SUBJECTS and load_ohm is None:
        raise StillboxError(f"a take of {subject} needs the marked value of the resistor; give --load-ohms")
    if subject not in MARKED_LOAD_SUBJECTS and (load_ohm is not None or tolerance_percent is not None):
        wanted = " and ".join(MARKED_LOAD_SUBJECTS)
        raise StillboxError(f"only takes of {wanted} have a marked value, not {subject}; leave --load-ohms out")


def _search(samples: RawSamples, case: Circumstances) -> SweepSearch:
    """Find the sweeps on channel 1; where there are none, say what can be said by channel 2 and by the hum."""
    first = _one_channel(samples, 0)
    try:
        return find_sweeps(first, case.excitation)
    except StillboxError as error:
        if samples.shape[1] == 2 and case.on_jig:
            try:
                find_sweeps(_one_channel(samples, 1), case.excitation)
            except StillboxError:
                pass
            else:
                raise StillboxError(
                    "channel 1 is dead or the channels are swapped: the sweep is on channel 2 only; "
                    "check the cable and gain of input 1, or exchange the two inputs, and record again"
                ) from error
        begin = first[: 2 * case.excitation.sample_rate_hz].astype(np.float64)
        hum, mains_hz = mains_hum(begin, case.excitation.sample_rate_hz)
        if hum**2 > 0.5 * float(np.mean(begin**2)) > 0:
            raise StillboxError(f"{error} (the recording is mostly mains hum of {mains_hz} Hz)") from error
        raise


def _one_channel(samples: RawSamples, index: int) -> NDArray[np.float32]:
    """One channel with full scale 1, in single precision: enough for a search, and half the memory."""
    scale = np.float32(2.0**-31 if samples.dtype == np.int32 else 1.0)
    return samples[:, index].astype(np.float32) * scale

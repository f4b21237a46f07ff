"""Import of a recording made elsewhere: read, find the sweeps, check, keep."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import AudioClip, RawSamples, quantum, read_audio, to_float
from stillbox.capture.recording.channel_offset import check_offset
from stillbox.capture.recording.jig_kind_check import doubt_of_jig_kind
from stillbox.capture.recording.recording_checks import (
    Circumstances,
    check_alive,
    check_channels,
    check_clipping,
    check_hum,
    check_identical,
    check_level,
    mains_hum,
    sample_step,
)
from stillbox.capture.recording.recording_gaps import check_gaps
from stillbox.capture.recording.sweep_search import (
    SURE_AGREEMENT,
    FoundSweep,
    SweepSearch,
    find_sweeps,
    with_new_segments,
)
from stillbox.capture.recording.sweep_track import (
    SweepTrack,
    SweepTracks,
    refined_clock,
    silence_before,
    source_share,
)
from stillbox.capture.recording.sweeps_so_far import SweepsSoFar
from stillbox.capture.recording.take import (
    SUBJECTS,
    JigKind,
    Subject,
    TakeInfo,
    check_circumstances,
    check_of,
    check_state,
    usual_state,
)
from stillbox.capture.sweep.excitation import MOST_NEW_FRAMES, Excitation

MARKED_LOAD_SUBJECTS = ("load", "check-resistor")
LOAD_RANGE_OHM = (0.01, 100_000.0)
JIGS = ("high-side", "low-side")
CLOCK_ROUNDS = 3
SPARE_S = 120.0
"""So much longer than its excitation a recording may be, s."""


def import_take(
    build: BuildFolder,
    audio_path: Path,
    excitation: Excitation,
    subject: str,
    state: str | None = None,
    unit: str = "A",
    of: str = "",
    jig: str = "high-side",
    load_ohm: float | None = None,
    load_tolerance_percent: float | None = None,
    celsius: float | None = None,
    remounted: bool = False,
    port_closed: bool = False,
) -> TakeInfo:
    """Import a recording as a new take of ``build``: all of it or nothing.

    Parameters
    ----------
    state : str or None
        None stands for ``stock`` in the box and for no state elsewhere.
    of : str
        Name of the driver or part, see `named_of`.
    celsius : float, optional
        Temperature of the air at this take.
    remounted : bool
        The driver was taken out and put back since the take before, with nothing else done.
    port_closed : bool
        The port was closed by hand.

    Raises
    ------
    StillboxError
        If an option is wrong or the recording cannot be used; names the fault and the remedy.
    """
    check_options(subject, jig, load_ohm, load_tolerance_percent, state)
    check_circumstances(subject, celsius, remounted, port_closed)
    check_of(subject, of)
    most_frames = min(excitation.total_frames, MOST_NEW_FRAMES) + round(SPARE_S * excitation.sample_rate_hz)
    clip = read_audio(audio_path, (1, 2) if subject == "microphone" else (2,), most_frames)
    if clip.sample_rate_hz != excitation.sample_rate_hz:
        raise StillboxError(
            f"{audio_path} has the wrong rate: {clip.sample_rate_hz} Hz where its excitation has "
            f"{excitation.sample_rate_hz} Hz",
            f"record at {excitation.sample_rate_hz} Hz, or play an excitation made with --rate {clip.sample_rate_hz}",
        )
    calibration = build.calibration
    case = Circumstances(
        cast(Subject, subject),
        cast(JigKind, jig),
        excitation,
        sample_step(clip.samples, quantum(clip.subtype)),
        load_ohm,
        None if calibration is None else calibration.reference_ohm,
    )
    try:
        found = check_recording(clip, case)
    except StillboxError as error:
        raise StillboxError(f"{audio_path}: {error.fault}", error.remedy) from error
    return build.add_take(
        clip.samples,
        clip.subtype,
        subject=case.subject,
        state=usual_state(subject) if state is None else state,
        unit=unit,
        of=of,
        jig=case.jig,
        load_ohm=load_ohm,
        load_tolerance_percent=load_tolerance_percent,
        celsius=celsius,
        remounted=remounted,
        port_closed=port_closed,
        excitation=excitation,
        sweep_starts=found.starts,
        origin=audio_path.name.encode("utf-8", "replace").decode("utf-8"),
        flags=found.flags,
    )


@dataclass(frozen=True)
class CheckedRecording:
    """What `check_recording` finds.

    Attributes
    ----------
    starts : tuple of int
        Frame at which each whole sweep starts.
    flags : tuple of str
        What is worth knowing, as sentences.
    uneven : tuple of str
        Those of the flags that say of samples lost or doubled between two sweeps.
    """

    starts: tuple[int, ...]
    flags: tuple[str, ...]
    uneven: tuple[str, ...]


def check_recording(clip: AudioClip, case: Circumstances, so_far: SweepsSoFar | None = None) -> CheckedRecording:
    """Find the sweeps of a recording and check it.

    Parameters
    ----------
    so_far : SweepsSoFar, optional
        What is known of the sweeps that it begins with; taken only where it begins with just these samples.

    Raises
    ------
    StillboxError
        If the recording cannot be used; names the fault and the remedy.
    """
    samples = clip.samples
    if so_far is None or not so_far.hold_for(samples):
        so_far = SweepsSoFar(samples[:0])
    tracks = SweepTracks(samples, case.excitation, so_far, "samples")
    search, source, source_tracks = _search(samples, tracks, case, so_far)
    flags = list(search.flags)
    flags += check_identical(samples, case)
    for number, sweep in enumerate(search.sweeps, start=1):
        name = "the sweep" if len(search.sweeps) == 1 else f"sweep {number}"
        found = so_far.of(
            ("checked", source_tracks.name, case, sweep),
            sweep.start,
            case.excitation,
            partial(_check_sweep, samples, source, sweep, (tracks.of(sweep), source_tracks.of(sweep)), case, name),
        )
        if number == 1:
            flags += found + check_level(tracks.of(sweep), samples, case)
    return CheckedRecording(search.starts, tuple(flags), search.uneven)


def _check_sweep(
    samples: RawSamples,
    source: NDArray[np.float32],
    sweep: FoundSweep,
    tracks: tuple[SweepTrack, SweepTrack],
    case: Circumstances,
    name: str,
) -> list[str]:
    """Flags of one sweep; ``tracks`` are of the samples and of the source."""
    track, _ = tracks
    check_alive(track, case)
    # Clipping first, then channels apart: what these do to the ratio would be taken for another fault.
    found = check_clipping(samples, track, case)
    check_offset(samples[:, -1], sweep, case)
    found += check_channels(track, case) + doubt_of_jig_kind(track, case)
    found += check_hum(silence_before(samples, sweep, case.excitation), track, case)
    check_gaps(samples, source, sweep, tracks, case, name)
    return found


def check_options(
    subject: str, jig: str, load_ohm: float | None, tolerance_percent: float | None, state: str | None
) -> None:
    """StillboxError if what a take is said to be of makes no sense."""
    if subject not in SUBJECTS:
        raise StillboxError(f"there is no subject '{subject}'", f"choose one of {', '.join(SUBJECTS)}")
    if jig not in JIGS:
        raise StillboxError(f"there is no jig '{jig}'", f"choose one of {', '.join(JIGS)}")
    if subject in MARKED_LOAD_SUBJECTS and load_ohm is None:
        raise StillboxError(f"a take of {subject} needs the marked value of the resistor", "give --load-ohms")
    if subject not in MARKED_LOAD_SUBJECTS and (load_ohm is not None or tolerance_percent is not None):
        wanted = " and ".join(MARKED_LOAD_SUBJECTS)
        raise StillboxError(f"only takes of {wanted} have a marked value, not {subject}", "leave --load-ohms out")
    low_ohm, high_ohm = LOAD_RANGE_OHM
    if load_ohm is not None and not low_ohm <= load_ohm <= high_ohm:
        raise StillboxError(
            f"load_ohm {load_ohm:g} is outside {low_ohm:g} to {high_ohm:g} ohm", "give the marked value"
        )
    if tolerance_percent is not None and not 0 <= tolerance_percent <= 50:
        raise StillboxError(f"a tolerance of {tolerance_percent:g} % is outside 0 to 50 %", "give the marked one")
    check_state(subject, state)


def _search(
    samples: RawSamples, tracks: SweepTracks, case: Circumstances, so_far: SweepsSoFar
) -> tuple[SweepSearch, NDArray[np.float32], SweepTracks]:
    """The sweeps, and the signal in which they were found, full scale = 1, with its tracks.

    That is channel 1, or, where the source's own resistance lets the load shape channel 1, the source itself as both
    channels tell it. Where channel 1 has no sweep, channel 2 and the hum help to say why.
    """
    source, name = _one_channel(samples, 0), ("channel", 0.0)
    search, fault = _try(source, name, case.excitation, so_far)
    if case.on_jig and (search is None or search.sweeps[0].agreement < SURE_AGREEMENT):
        # A load may shape one channel beyond recognition: whether channel 1 is dead, its level says below.
        second, _ = _try(_one_channel(samples, 1), ("channel", 1.0), case.excitation, so_far)
        search = max(filter(None, (search, second)), key=lambda found: found.sweeps[0].agreement, default=None)
    if search is None:
        raise _with_hum(cast(StillboxError, fault), samples, case)
    if not case.on_jig:
        return search, source, SweepTracks(source[:, None], case.excitation, so_far, name)
    track = tracks.of(search.sweeps[0])
    check_alive(track, case)
    share = source_share(track, case.jig)
    if share:
        mixed = _one_channel(samples, 1)
        mixed *= -np.float32(share)
        mixed += source
        second, _ = _try(mixed, ("mixed", share), case.excitation, so_far)
        if second is not None and second.sweeps[0].agreement > search.sweeps[0].agreement - 0.1:
            search, source, name = second, mixed, ("mixed", share)
    source_tracks = SweepTracks(source[:, None], case.excitation, so_far, name)
    return _with_true_clocks(search, source, source_tracks, case), source, source_tracks


def _try(
    channel: NDArray[np.float32], name: tuple[str, float], excitation: Excitation, so_far: SweepsSoFar
) -> tuple[SweepSearch | None, StillboxError | None]:
    def followed(start: int, look: Callable[[], FoundSweep]) -> FoundSweep:
        return so_far.of(("sweep", name, start), start, excitation, look)

    try:
        return find_sweeps(channel, excitation, followed), None
    except StillboxError as error:
        return None, error


def _with_hum(error: StillboxError, samples: RawSamples, case: Circumstances) -> StillboxError:
    """The error, and that the recording is mostly hum where it is."""
    begin = to_float(samples[: 2 * case.excitation.sample_rate_hz, :1])[:, 0]
    hum, mains_hz = mains_hum(begin, case.excitation.sample_rate_hz)
    if hum**2 > 0.5 * float(np.mean(begin**2)) > 0:
        return type(error)(error.fault, f"{error.remedy} (the recording is mostly mains hum of {mains_hz} Hz)")
    return error


def _with_true_clocks(
    search: SweepSearch, source: NDArray[np.float32], tracks: SweepTracks, case: Circumstances
) -> SweepSearch:
    """Get the difference between the clocks of player and recorder right by the phase of the blocks."""

    def corrected(sweep: FoundSweep) -> FoundSweep:
        # Again and again, as blocks and segments on a wrong clock are blurred.
        for _ in range(CLOCK_ROUNDS):
            better = refined_clock(sweep, tracks.of(sweep), case.excitation)
            if better is sweep:
                break
            sweep = with_new_segments(source, better, case.excitation)
        return sweep

    return replace(search, sweeps=tuple(map(corrected, search.sweeps)))


def _one_channel(samples: RawSamples, index: int) -> NDArray[np.float32]:
    """One channel with full scale 1, in single precision: enough for a search, and half the memory."""
    scale = np.float32(2.0**-31 if samples.dtype == np.int32 else 1.0)
    return np.multiply(samples[:, index], scale, dtype=np.float32)

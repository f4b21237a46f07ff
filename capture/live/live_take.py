"""A live take from the lock to the sidecar: check, level, sweep, checks of the recording, again if need be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network, kept_networks
from stillbox.capture.build.take_import import CheckedRecording, check_options, check_recording
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.check_ahead import CheckAhead
from stillbox.capture.live.pre_check import PreCheck, check_before_sweep
from stillbox.capture.live.sweep_agreement import disagreement
from stillbox.capture.live.take_writer import SUBTYPE, TakeWriter
from stillbox.capture.live.wiring import JigFacts
from stillbox.capture.recording.audio_file import AudioClip, RawSamples, quantum, read_audio, to_float
from stillbox.capture.recording.recording_checks import Circumstances, ClippedError, sample_step
from stillbox.capture.recording.sweep_disturbance import disturbance
from stillbox.capture.recording.sweep_search import NoSweepError
from stillbox.capture.recording.sweeps_so_far import SweepsSoFar
from stillbox.capture.recording.take import (
    JigKind,
    LiveRecord,
    Subject,
    TakeInfo,
    check_circumstances,
    check_of,
    usual_state,
)
from stillbox.capture.sound.audio_device import (
    RATES_HZ,
    RECORDED_CHANNELS,
    AudioDevice,
    Clips,
    Playback,
    RecordingStopped,
    StreamReport,
    StreamState,
)
from stillbox.capture.sound.output_calibration import loudest_volts
from stillbox.capture.sound.sound_gate import sound_permit
from stillbox.capture.sound.sound_permit import OutputLimit
from stillbox.capture.stop_signals import answered_by
from stillbox.capture.sweep.excitation import Excitation, default_high_hz, excitation_samples, make_excitation
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS

USUAL_RATE_HZ = 48_000
USUAL_LOW_HZ = 10.0
USUAL_ACCURACY_PERCENT = 1.0
ATTEMPTS = 3
LATENCY_TAIL_S = 0.4
QUIETER_DB = 3.0
"""By how much the next attempt is quieter where the last one clipped, dB."""

Say = Callable[[str], None]


@dataclass(frozen=True)
class LiveRequest:
    """What a person asks of a live take; None takes the usual.

    Attributes
    ----------
    of, celsius, remounted, port_closed
        As in `TakeInfo`.
    level_dbfs : float or None
        Level not to be exceeded; None for the highest that is safe and clean.
    repeats : int
        Sweeps in the take.
    accuracy_percent : float
        Standard uncertainty of the impedance that noise may leave, percent.
    """

    subject: str
    state: str | None = None
    unit: str = "A"
    of: str = ""
    jig: str = "high-side"
    load_ohm: float | None = None
    load_tolerance_percent: float | None = None
    celsius: float | None = None
    remounted: bool = False
    port_closed: bool = False
    level_dbfs: float | None = None
    repeats: int = SWEEPS
    seconds: float = SECONDS
    sample_rate_hz: int | None = None
    accuracy_percent: float = USUAL_ACCURACY_PERCENT


def record_take(
    build: BuildFolder, device: AudioDevice, request: LiveRequest, state: StreamState | None = None, say: Say = print
) -> TakeInfo:
    """Record a take of ``build`` and keep it: all of it or nothing.

    Parameters
    ----------
    state : StreamState, optional
        To watch the sweep by and to stop it.
    say : callable
        Is told in words what is going on.

    Raises
    ------
    RecordingStopped
    CautionsNotRead
    DeviceLost
        The device went away; it is not opened again.
    StillboxError
        If a value is out of range, the check before the sweep finds a fault, no
        good sweep came of ATTEMPTS, or the disk refuses. The build is then as it was.
    """
    check_options(request.subject, request.jig, request.load_ohm, request.load_tolerance_percent, request.state)
    check_circumstances(request.subject, request.celsius, request.remounted, request.port_closed)
    check_of(request.subject, request.of)
    if not 0.001 <= request.accuracy_percent <= 100:
        raise StillboxError(f"an accuracy of {request.accuracy_percent:g} % cannot be asked", "give 0.001 to 100")
    if request.level_dbfs is not None and not -80 <= request.level_dbfs <= 0:
        raise StillboxError(f"a level of {request.level_dbfs:g} dBFS cannot be played", "give -80 to 0, or none")
    stream = state or StreamState()
    # A signal that asks for the end stops the sound with a fade, like anyone else who asks by the state.
    with build.lock(), answered_by(stream.request_stop):
        return _Session(build, device, request, stream, say).run()


class _Session:
    """One call of record_take."""

    def __init__(
        self, build: BuildFolder, device: AudioDevice, request: LiveRequest, state: StreamState, say: Say
    ) -> None:
        self._build, self._device, self._request = build, device, request
        self._state, self._say = state, say
        named = usual_state(request.subject) if request.state is None else request.state
        self._clips = Clips(
            cast(Subject, request.subject),
            named,
            request.unit,
            request.load_ohm,
            cast(JigKind, request.jig),
            request.port_closed,
            request.of,
        )
        description, calibration = build.description, build.calibration
        reference_ohm = None if calibration is None else calibration.reference_ohm
        self._facts = JigFacts(self._clips, reference_ohm, description.rated_ohm)
        self._loudest_volts = loudest_volts(device.info)
        self._permit = sound_permit(build, device, self._clips.subject, self._clips.of)
        self._limit = self._permit.limit

    def run(self) -> TakeInfo:
        excitation = self._excitation()
        self._device.require_rate(excitation.sample_rate_hz)
        clips = self._clips
        partial_path = self._build.partial_path(clips.subject, clips.state, clips.unit, clips.of)
        self._device.connect(self._clips)
        self._say(f"checking the wiring quietly on {self._device.info.name}")
        check = check_before_sweep(
            self._device,
            self._permit,
            excitation,
            self._facts,
            self._request.accuracy_percent / 100,
            self._request.level_dbfs,
            self._state,
        )
        for note in check.notes:
            self._say(f"note: {note.sentence}")
        self._say(_level_sentence(check, self._limit, self._loudest_volts))
        level_dbfs, faults = check.level_dbfs, []
        for attempt in range(1, ATTEMPTS + 1):
            quiet = excitation.model_copy(update={"level_dbfs": level_dbfs})
            try:
                info = self._attempt(quiet, check, attempt, partial_path)
                self._keep_netlist()
                return info
            except _BadSweep as fault:
                self._state.sweeping = False
                faults.append(fault)
                self._say(f"sweep {attempt} of at most {ATTEMPTS} was no good: {fault}")
                level_dbfs -= QUIETER_DB if fault.clipped else 0.0
        last = faults[-1]
        raise StillboxError(
            f"{ATTEMPTS} sweeps were no good, nothing was kept; the last one: {last.fault}", last.remedy
        )

    def _keep_netlist(self) -> None:
        """The crossover that a practised speaker was planned with, in a build of practice alone that knows of none.

        The take is kept already, so that what goes wrong here is only said.
        """
        netlist, clips = self._device.info.netlist, self._clips
        if not netlist or clips.subject != "in-box" or clips.of:
            return
        try:
            if kept_networks(self._build):
                return
            if any(take.live is None or take.live.kind != "practice rig" for take in self._build.takes()):
                self._say("the plan of this practice speaker is not kept: the build holds takes of something real")
                return
            kept = keep_network(self._build, netlist)
        except (StillboxError, OSError) as error:
            self._say(f"warning: the take is kept, the plan of this practice speaker is not: {error}")
            return
        self._say(f"the crossover of this practice speaker as planned is kept with the build: {kept.path}")

    def _excitation(self) -> Excitation:
        request = self._request
        rate_hz = request.sample_rate_hz or self._usual_rate_hz()
        return make_excitation(
            low_hz=max(USUAL_LOW_HZ, self._limit.lowest_hz),
            high_hz=default_high_hz(rate_hz),
            seconds=request.seconds,
            sample_rate_hz=rate_hz,
            repeats=request.repeats,
        )

    def _usual_rate_hz(self) -> int:
        """48 kHz where the device takes it, else its own rate."""
        own_hz = self._device.info.default_rate_hz
        for rate_hz in (USUAL_RATE_HZ, own_hz):
            try:
                self._device.require_rate(rate_hz)
            except StillboxError:
                continue
            return rate_hz
        return own_hz if own_hz in RATES_HZ else USUAL_RATE_HZ

    def _attempt(self, excitation: Excitation, check: PreCheck, attempt: int, partial_path: Path) -> TakeInfo:
        with TakeWriter(partial_path, excitation.sample_rate_hz, RECORDED_CHANNELS) as writer:
            ahead = CheckAhead(excitation, SUBTYPE, lambda samples, so_far: self._found(samples, excitation, so_far))
            report = self._play(excitation, writer, ahead)
            if report.stopped or self._state.stop_requested:
                raise RecordingStopped
            report.require_device(self._device.info.name)
            if report.faults:
                raise _BadSweep("; ".join(report.faults), "")
            writer.keep()
        try:
            so_far = ahead.so_far()
            starts, flags = self._check(excitation, check, partial_path, so_far, last=attempt == ATTEMPTS)
            if self._state.stop_requested:
                raise RecordingStopped
            return self._build.keep_recorded(
                partial_path,
                subject=self._clips.subject,
                state=self._clips.state,
                unit=self._clips.unit,
                of=self._clips.of,
                jig=self._clips.jig,
                load_ohm=self._request.load_ohm,
                load_tolerance_percent=self._request.load_tolerance_percent,
                celsius=self._request.celsius,
                remounted=self._request.remounted,
                port_closed=self._request.port_closed,
                excitation=excitation,
                sweep_starts=starts,
                origin=self._device.info.name,
                latency_s=(starts[0] - excitation.silence_before_frames) / excitation.sample_rate_hz,
                live=self._live_record(check, report, attempt),
                flags=flags,
            )
        finally:
            partial_path.unlink(missing_ok=True)

    def _play(self, excitation: Excitation, writer: TakeWriter, ahead: CheckAhead) -> StreamReport:
        self._state.progress, self._state.sweeping = 0.0, True
        seconds = excitation.total_frames / excitation.sample_rate_hz
        self._say(f"sweeping {excitation.low_hz:g} to {excitation.high_hz:g} Hz, {seconds:.1f} s")
        playback = Playback(
            excitation_samples(excitation).astype(np.float32),
            excitation.sample_rate_hz,
            round(LATENCY_TAIL_S * excitation.sample_rate_hz),
        )

        def kept(block: NDArray[np.float32]) -> None:
            writer(block)
            ahead(block)

        return self._device.play_and_record(self._permit, playback, kept, self._state)

    def _found(self, samples: RawSamples, excitation: Excitation, so_far: SweepsSoFar | None) -> CheckedRecording:
        """What the usual check finds in a recording, or in its beginning."""
        clips, reference_ohm = self._clips, self._facts.reference_ohm
        step = sample_step(samples, quantum(SUBTYPE))
        case = Circumstances(clips.subject, clips.jig, excitation, step, clips.load_ohm, reference_ohm)
        return check_recording(AudioClip(samples, excitation.sample_rate_hz, SUBTYPE), case, so_far)

    def _check(
        self, excitation: Excitation, check: PreCheck, partial_path: Path, so_far: SweepsSoFar | None, last: bool
    ) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """Sweep starts and flags; _BadSweep if the recording is no good. The ``last`` one may hold sounds."""
        clip = read_audio(partial_path)
        try:
            found = self._found(clip.samples, excitation, so_far)
        except StillboxError as error:
            # What to do with an imported recording is no advice here.
            remedy = "" if isinstance(error, NoSweepError) else error.remedy
            raise _BadSweep(error.fault, remedy, clipped=isinstance(error, ClippedError)) from error
        starts, flags = found.starts, found.flags
        if len(starts) != excitation.repeats:
            raise _BadSweep(f"only {len(starts)} of {excitation.repeats} sweeps came back", "")
        if found.uneven:
            raise _BadSweep(f"the recording has a gap: {found.uneven[0]}, so samples were lost", "close other programs")
        samples = to_float(clip.samples)
        fault = disagreement(samples[:, 0], starts, excitation, check.reading)
        if fault is not None:
            raise _BadSweep(fault, "")
        sound = disturbance(samples, starts, excitation)
        if sound is not None and not last:
            raise _BadSweep(sound, "")
        return starts, flags if sound is None else (*flags, sound)

    def _live_record(self, check: PreCheck, report: StreamReport, attempt: int) -> LiveRecord:
        info = self._device.info
        return LiveRecord(
            device=info.name,
            host_api=info.host_api,
            kind=info.kind,
            reported_latency_s=report.reported_latency_s,
            loudest_volts=self._loudest_volts,
            output_limit_dbfs=self._limit.dbfs,
            attempts=attempt,
            notes=tuple(note.sentence for note in check.notes),
        )


class _BadSweep(StillboxError):
    """A sweep that is worth repeating, one that was ``clipped`` at a lower level."""

    def __init__(self, fault: str, remedy: str, clipped: bool = False) -> None:
        super().__init__(fault, remedy)
        self.clipped = clipped


def _level_sentence(check: PreCheck, limit: OutputLimit, loudest: float | None) -> str:
    volts = "" if loudest is None else f", {loudest * 10 ** (check.level_dbfs / 20):.2g} V rms at the open clips"
    noise = f"noise will leave {_percent(check.expected_error)} of uncertainty in the impedance"
    text = f"level {check.level_dbfs:.1f} dBFS{volts}; {noise}"
    if math.isclose(check.level_dbfs, limit.dbfs, abs_tol=0.01):
        text += f" (limited: {limit.reason})"
    return text


def _percent(part: float) -> str:
    """Digits that mean something beside resistors and contacts."""
    return "less than 0.01 %" if part < 1e-4 else f"about {100 * part:.2g} %"

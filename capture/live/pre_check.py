"""Before a sweep: read the wiring quietly, then raise the level to the highest that is safe and clean."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stillbox.capture.errors import StillboxError
from stillbox.capture.live.tone_burst import BurstLost, ToneReading, read_tones, tone_burst
from stillbox.capture.live.wiring import SURE, JigFacts, WiringFault, conversion_fault, wiring_fault
from stillbox.capture.recording.recording_checks import SPEAKER_SUBJECTS, mains_hum
from stillbox.capture.recording.take import CALIBRATION_SUBJECTS
from stillbox.capture.sound.audio_device import AudioDevice, StreamState
from stillbox.capture.sound.sound_permit import OutputLimit, SoundPermit
from stillbox.capture.sweep.excitation import Excitation
from stillbox.capture.sweep.sweep_noise import ratio_variance, relative_std

QUIET_DBFS = -50.0
QUIET_BELOW_LIMIT_DB = 16.0
QUIET_STEP_DB = 10.0
QUIET_TRIES = 3
CLEAR = 30.0
"""The wiring is judged when tones stand so many times above the noise beside them."""

FULL = 0.98
"""Peaks from here on count as full scale."""

HEADROOM_DB = 6.0
BETWEEN_TONES_DB = 0.6
"""By how much a response may peak between two tones, dB."""

STEP_DB = 15.0
LEAST_SPAN_DB = 6.0
PROPORTION_DB = 0.5
LEAST_LEVEL_DBFS = -70.0
STREAM_TRIES = 3

HUM_NOTE_DBFS = -80.0
HUM_SHARE = 0.3
"""Part of the power in the silence that must be hum before it is named."""

HUM_REFUSED = 0.5
"""Hum is refused from so many times the rms of the sweep."""

MOST_SWEEPS = 64


@dataclass(frozen=True)
class PreCheck:
    """What the check before a sweep found.

    Attributes
    ----------
    level_dbfs : float
        Peak level for the sweep.
    notes : tuple of WiringFault
        What does not forbid the sweep.
    expected_error : float
        See the function of that name.
    reading : ToneReading
        Of the tones at the level of the sweep.
    """

    level_dbfs: float
    notes: tuple[WiringFault, ...]
    expected_error: float
    reading: ToneReading


class PreCheckRefusal(StillboxError):
    """The check before the sweep found a fault.

    Attributes
    ----------
    wiring : WiringFault
    """

    def __init__(self, wiring: WiringFault) -> None:
        super().__init__(wiring.fault, wiring.remedy)
        self.wiring = wiring


def check_before_sweep(
    device: AudioDevice,
    permit: SoundPermit,
    excitation: Excitation,
    facts: JigFacts,
    accuracy: float,
    wanted_dbfs: float | None = None,
    state: StreamState | None = None,
) -> PreCheck:
    """Read wiring, hum and noise with quiet tones, then raise the level in steps.

    Parameters
    ----------
    excitation : Excitation
        Of the sweep to come; its level is not used.
    accuracy : float
        Relative standard uncertainty of the impedance that is asked for.
    wanted_dbfs : float, optional
        Level that is not to be exceeded; the highest clean one is taken without it.
    state : StreamState, optional
        To stop by.

    Raises
    ------
    PreCheckRefusal
        With the fault that was found.
    RecordingStopped
    """
    check = _Check(device, permit, excitation, facts, state or StreamState())
    breaks = ""
    for _ in range(STREAM_TRIES):
        try:
            return _checked_once(check, permit.limit, excitation, facts, accuracy, wanted_dbfs)
        except _OutOfProportion as refusal:
            # A stream that breaks may lower a whole burst; but an automatic gain is there again the next time.
            last, breaks = refusal, breaks or refusal.breaks
    raise PreCheckRefusal(_dropouts(breaks) if breaks else last.wiring)


def _checked_once(
    check: _Check,
    limit: OutputLimit,
    excitation: Excitation,
    facts: JigFacts,
    accuracy: float,
    wanted_dbfs: float | None,
) -> PreCheck:
    quiet = check.quiet_reading()
    _require(_forbidding(hum_fault(quiet, -HEADROOM_DB)))
    gain = float(np.abs(quiet.gain).max()) * 10 ** (BETWEEN_TONES_DB / 20)
    reachable_dbfs = min(limit.dbfs, -HEADROOM_DB - 20 * math.log10(max(gain, 1e-6)))
    if SURE < max(quiet.clearness(0), quiet.clearness(1)) < CLEAR:
        _require(_noise_fault(quiet, excitation, facts, accuracy, (reachable_dbfs, reachable_dbfs)))
    _require(wiring_fault(quiet, facts))
    _require(conversion_fault(quiet))
    level_dbfs = reachable_dbfs if wanted_dbfs is None else min(reachable_dbfs, wanted_dbfs)
    loudest = check.raise_level(quiet, level_dbfs)
    hum = hum_fault(loudest, level_dbfs + 20 * math.log10(gain))
    _require(_forbidding(hum))
    # Of the quiet reading: breaks in a louder one would look like noise.
    _require(_noise_fault(quiet, excitation, facts, accuracy, (level_dbfs, reachable_dbfs)))
    notes = () if hum is None else (hum,)
    return PreCheck(level_dbfs, notes, expected_error(quiet, excitation, level_dbfs, facts), loudest)


class _OutOfProportion(PreCheckRefusal):
    """Two readings do not fit their levels; ``breaks``: what the system flagged in them."""

    def __init__(self, wiring: WiringFault, breaks: str) -> None:
        super().__init__(wiring)
        self.breaks = breaks


def _require(fault: WiringFault | None) -> None:
    if fault is not None:
        raise PreCheckRefusal(fault)


def _forbidding(fault: WiringFault | None) -> WiringFault | None:
    return fault if fault is not None and fault.forbids else None


class _Check:
    """The steps of one check."""

    def __init__(
        self, device: AudioDevice, permit: SoundPermit, excitation: Excitation, facts: JigFacts, state: StreamState
    ) -> None:
        self._device, self._permit, self._facts, self._state = device, permit, facts, state
        self._rate_hz = excitation.sample_rate_hz

    def read(self, level_dbfs: float, strong: int | None = None) -> ToneReading:
        """A reading without breaks in its tones; ``strong`` as in tone_burst.

        What the system flagged outside of the tones does no harm here.
        """
        burst = tone_burst(self._rate_hz, self._permit.limit.lowest_hz, strong)
        for _ in range(STREAM_TRIES):
            try:
                reading = read_tones(self._device, self._permit, burst, level_dbfs, self._state)
            except BurstLost as error:
                reason = error.fault
                continue
            if reading.steady:
                return reading
            reason = "; ".join(reading.report.faults) or "the test tones come back with breaks in them"
        raise PreCheckRefusal(_dropouts(reason))

    def quiet_reading(self) -> ToneReading:
        """The quietest reading whose tones are clear of the noise, far below the level of sweeps."""
        highest_dbfs = self._permit.limit.dbfs - QUIET_BELOW_LIMIT_DB
        for attempt in range(QUIET_TRIES):
            reading = self.read(min(QUIET_DBFS + QUIET_STEP_DB * attempt, highest_dbfs))
            if max(reading.clearness(0), reading.clearness(1)) >= CLEAR or reading.peak.max() >= FULL:
                break
        return reading

    def raise_level(self, quiet: ToneReading, target_dbfs: float) -> ToneReading:
        """Go up to the target in steps, watching that the inputs follow; returns the reading there.

        The last burst is as strong as the sweep will be, which is what wakes an automatic gain.
        """
        if target_dbfs < LEAST_LEVEL_DBFS:
            _require(
                WiringFault(
                    "overload",
                    f"only {target_dbfs:.0f} dBFS at the output would keep the inputs {HEADROOM_DB:g} dB below "
                    "clipping",
                    "turn the gain of the inputs down",
                )
            )
        span_db = target_dbfs - quiet.level_dbfs
        if span_db < LEAST_SPAN_DB:  # too near to tell whether the inputs follow
            _require_proportion(self.read(min(quiet.level_dbfs, target_dbfs) - LEAST_SPAN_DB), quiet)
        steps = max(1, math.ceil(span_db / STEP_DB))
        for step in range(1, steps + 1):
            reading = self.read(quiet.level_dbfs + span_db * step / steps)
            _require_proportion(quiet, reading)
        strongest = int(np.argmax(np.abs(quiet.gain[:-1, 0])))
        _require_proportion(quiet, self.read(target_dbfs, strongest))
        return reading


def _dropouts(reason: str) -> WiringFault:
    return WiringFault(
        "dropouts",
        f"samples get lost or repeated on their way ({reason}, {STREAM_TRIES} times)",
        "close other programs, and choose "
        "another device, rate or host API ('stillbox devices')",
    )


def _require_proportion(one: ToneReading, other: ToneReading) -> None:
    """Gains that follow the level are no gains of a jig."""
    sure = (np.abs(one.gain) > CLEAR * one.noise_gain) & (np.abs(other.gain) > CLEAR * other.noise_gain)
    sure[-1] = False
    if not sure.any():
        return
    change_db = float(np.median(20 * np.log10(np.abs(other.gain[sure]) / np.abs(one.gain[sure]))))
    if abs(change_db) <= PROPORTION_DB:
        return
    step_db = other.level_dbfs - one.level_dbfs
    fault = WiringFault(
        "automatic gain",
        f"the level is not proportional: {step_db:.0f} dB more at the output gave {step_db + change_db:.1f} dB more "
        "at the inputs",
        "switch automatic gain and other enhancements of the inputs off in the system's settings",
    )
    raise _OutOfProportion(fault, "; ".join((*one.report.faults, *other.report.faults)))


def hum_fault(reading: ToneReading, sweep_dbfs: float) -> WiringFault | None:
    """Mains hum in the silence, with its frequency; refused where it comes near the level of the sweep.

    Parameters
    ----------
    sweep_dbfs : float
        Peak of the sweep in the louder input, dB re full scale.
    """
    found = [(*mains_hum(channel, reading.sample_rate_hz), float(np.var(channel))) for channel in reading.silence.T]
    rms, mains_hz, power = max(found)
    if rms < 10 ** (HUM_NOTE_DBFS / 20) or rms**2 < HUM_SHARE * power:
        return None
    what = f"mains hum of {mains_hz} Hz at {20 * math.log10(rms):.0f} dBFS on input {found.index(max(found)) + 1}"
    if rms > HUM_REFUSED * 10 ** (sweep_dbfs / 20) / math.sqrt(2):
        remedy = "find its source (a ground loop, a dimmer, a lead beside a transformer) before sweeping"
        return WiringFault("hum", f"{what}, nearly as loud as the sweep", remedy)
    remedy = "it is taken out of the result, yet better taken out of the wiring"
    return WiringFault("hum", what, remedy, forbids=False)


def expected_error(reading: ToneReading, excitation: Excitation, level_dbfs: float, facts: JigFacts) -> float:
    """Relative standard uncertainty that the noise beside the tones will leave in a point of the curve.

    Of the impedance at the worst tone for speakers and at the middle one for parts; of the ratio of the channels for
    calibration takes, whose impedance may be 0 or infinite; 0 for the microphone.
    """
    subject = facts.clips.subject
    inside = np.abs(reading.gain[:-1, 0]) > 0
    if subject == "microphone" or not inside.any():
        return 0.0
    gain = reading.gain[:-1][inside]
    ratio = gain[:, 1] / gain[:, 0]
    amplitude = 10 ** (level_dbfs / 20) * np.abs(gain[:, 0])
    density = reading.noise_density[:-1][inside]
    variance = ratio_variance(ratio, density, amplitude, excitation.rate_constant_s, excitation.repeats)
    if subject in CALIBRATION_SUBJECTS:
        return float(np.median(np.sqrt(0.5 * variance)))
    error = relative_std(ratio, variance)
    return float(error.max() if subject in SPEAKER_SUBJECTS else np.median(error))


def _noise_fault(
    reading: ToneReading,
    excitation: Excitation,
    facts: JigFacts,
    accuracy: float,
    levels_dbfs: tuple[float, float],
) -> WiringFault | None:
    """Noise that leaves more uncertainty than asked; ``levels_dbfs``: of the sweep, and the highest possible."""
    level_dbfs, reachable_dbfs = levels_dbfs
    error = expected_error(reading, excitation, level_dbfs, facts)
    if error <= accuracy:
        return None
    needed_dbfs = level_dbfs + 20 * math.log10(error / accuracy)
    if needed_dbfs <= reachable_dbfs:
        remedy = f"{needed_dbfs:.0f} dBFS would do, so give --level {math.ceil(needed_dbfs)} or leave it out"
    else:
        sweeps = math.ceil(excitation.repeats * 10 ** ((needed_dbfs - reachable_dbfs) / 10))
        more = f"take {sweeps} sweeps (--repeats), or " if sweeps <= MOST_SWEEPS else ""
        remedy = (
            f"{needed_dbfs:.0f} dBFS would do, but {reachable_dbfs:.0f} dBFS is the most here; {more}find what makes "
            "the noise"
        )
    return WiringFault(
        "noise",
        f"noise would leave {100 * error:.2g} % of uncertainty at {level_dbfs:.0f} dBFS where {100 * accuracy:g} % "
        "is asked",
        remedy,
    )

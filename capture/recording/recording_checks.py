"""Checks of a recording whose sweeps have been found: channels, level, clipping, hum and noise.

Each check is a pure function on the samples, the excitation and the blocks of a sweep (see sweep_track). What makes
the take worthless raises StillboxError; what is only worth knowing becomes a flag, a sentence with numbers.

The limits on the two channels follow from the jig: a passive load in series with the reference resistor takes a part
of the voltage, so channel 2 is never louder than channel 1, nor more than a quarter of a period away from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import RawSamples
from stillbox.capture.recording.sweep_track import SweepTrack, chunks_of_blocks
from stillbox.capture.recording.take import JigKind, Subject
from stillbox.capture.sweep.excitation import Excitation

SPEAKER_SUBJECTS = ("free-air", "added-mass", "test-box", "in-box")

RATIO_BAND_HZ = (30.0, 10_000.0)
"""Where the ratio of the channels is judged: above what coupling capacitors and below what delays do to it."""

POLARITY_BAND_HZ = (30.0, 2_000.0)
"""Narrower, as a frame of delay between the channels turns the phase at high frequencies."""

MOST_RATIO = 1.08
"""|channel 2 / channel 1| above it is a fault; 1 is the most of a passive load, unequal inputs allowed for."""

LIKELY_RATIO = 1.04
"""|channel 2 / channel 1| above it is worth a flag: inputs are rarely so unequal."""

LEAST_SPEAKER_RATIO = 0.005
"""|channel 2 / channel 1| below it is no speaker: 3 ohm on 100 ohm give 0.03."""

LEAST_PART_RATIO = 2e-4
LEAST_SAME_RATIO = 0.5
"""Where both channels should see the same voltage."""

SURE_GAIN = 4.0
"""A gain counts where it is so many times that of noise and hum alone."""

LEAST_SNR_DB = 20.0
LEAST_LEVEL_DBFS = -45.0
FULL_SCALE = 0.99999
HUM_HARMONICS = 20
LEAST_MAINS_HZ = 40
"""A silence shorter than a period of it tells nothing of hum."""

TOP_WINDOW = 0.02
"""Part of the amplitude that counts as the top of a wave."""

FLAT_TOP = 1.5
"""A wave is flat-topped when so many times more samples lie in the window than a sine has there."""

TIED_SHARE = 0.02
"""Part of the samples of a block that have its largest value exactly: more is digital clipping."""

CLIPPED_SHARE = 0.03
"""Part of the blocks with flat tops from which on the take is refused."""


LEAST_VALUES = 200
"""Fewer values than that in a channel tell nothing of its steps."""

RARE_DISTANCES = 0.002
"""So many of the distances between values may be smaller than a step: clicks, or a few samples that were mended."""

COARSEST_STEP = 2.0**-11
"""Of a converter, full scale = 1: 12 bit. What is coarser is a fault."""


@dataclass(frozen=True)
class Circumstances:
    """What is known about a recording besides its samples."""

    subject: Subject
    jig: JigKind
    excitation: Excitation
    quantum: float
    """Step between sample values, full scale = 1; see ``sample_step``."""
    load_ohm: float | None = None
    """Marked value of the resistor on the clips, where there is one."""
    reference_ohm: float | None = None
    """The reference resistor of the jig, where it is known already."""

    @property
    def same_voltage(self) -> bool:
        """Both inputs see the same voltage, or nearly so."""
        alike = {"high-side": "open", "low-side": "short"}[self.jig]
        return self.subject in ("channel-match", alike)

    @property
    def quiet_second(self) -> bool:
        """Channel 2 sees next to nothing."""
        return self.subject == {"high-side": "short", "low-side": "open"}[self.jig]

    @property
    def on_jig(self) -> bool:
        return self.subject != "microphone"


class ClippedError(StillboxError):
    """The recording is clipped: a quieter sweep may not be."""


def sample_step(samples: RawSamples, quantum: float) -> float:
    """Step between neighbouring values that the samples really take, full scale = 1; at least ``quantum``.

    A converter of 16 bit in a file of 24 bit or float takes steps 256 times those of the file, or of any other size
    where a volume was applied behind it. The step is the smallest usual distance of the values that occur: so small are
    a few in a thousand of the distances wherever the values of the file itself are used.
    """
    steps = []
    for channel in samples.T:
        values = np.sort(channel)  # not np.unique: on millions of values its table is slow
        # Of whole numbers the difference is right without a sign, whatever it is with one.
        distances = np.diff(values.view(np.uint32) if values.dtype == np.int32 else values)
        distances = distances[distances > 0]
        if len(distances) >= LEAST_VALUES:
            steps.append(float(np.quantile(distances, RARE_DISTANCES, method="higher", overwrite_input=True)))
    full_scale = 2.0**31 if samples.dtype == np.int32 else 1.0
    # A silent channel says nothing; where both speak, the finer one is the converter.
    found = min(steps, default=0.0) / full_scale
    return max(quantum, found) if found <= COARSEST_STEP else quantum


def check_identical(samples: RawSamples, case: Circumstances) -> list[str]:
    """Refuse a recording whose channels are copies of each other.

    Two inputs have their own noise, so equal samples mean a recorder in mono. Only for ``channel-match`` both inputs
    should read the same, and a recording without noise (from a simulator) may be right: flagged there.
    """
    if not case.on_jig or samples.shape[1] < 2 or not np.array_equal(samples[:, 0], samples[:, 1]):
        return []
    if case.subject == "channel-match":
        return [
            "both channels are equal bit for bit, which two real inputs never are: if the recorder was set to mono, "
            "this calibration says nothing about the inputs"
        ]
    raise StillboxError(
        "the recording is mono: both channels are equal bit for bit", "set the recorder to stereo and record again"
    )


def check_alive(track: SweepTrack, case: Circumstances) -> None:
    """Refuse a recording on one of whose channels there is no sweep, unless the subject silences it."""
    if not case.on_jig:
        return
    level_1, level_2 = np.median(np.abs(track.gain), axis=0)
    noise_1, noise_2 = np.median(track.noise_gain, axis=0)
    if level_1 < SURE_GAIN * noise_1 or level_1 < 0.003 * level_2:
        raise _dead(1, level_1, level_2)
    least = _least_ratio(case)
    if not case.quiet_second and (level_2 < SURE_GAIN * noise_2 or level_2 < least * level_1):
        raise _dead(2, level_2, level_1)


def check_channels(track: SweepTrack, case: Circumstances) -> list[str]:
    """Refuse swapped and inverted channels; flag ratios that do not fit the subject."""
    ratio = _sure_ratio(track, RATIO_BAND_HZ) if case.on_jig else np.array([])
    if len(ratio) == 0:
        return []
    flags = _check_order(ratio, case)
    _check_polarity(track, case)
    return flags + _check_subject(ratio, case)


def _least_ratio(case: Circumstances) -> float:
    if case.same_voltage:
        return 0.05
    return LEAST_SPEAKER_RATIO if case.subject in SPEAKER_SUBJECTS else LEAST_PART_RATIO


def _dead(number: int, level: float, other_level: float) -> StillboxError:
    return StillboxError(
        f"channel {number} is dead: the sweep is at {_dbfs(level)} on it and at {_dbfs(other_level)} on channel "
        f"{3 - number}",
        f"check the cable and gain of input {number}, and that the channels are not swapped",
    )


def sure_blocks(track: SweepTrack, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    """Blocks where both channels stand clear of the noise; whatever the frequency if none lies in the band."""
    inside = (track.frequency_hz >= band_hz[0]) & (track.frequency_hz <= band_hz[1])
    if not inside.any():
        inside[:] = True
    return np.asarray(inside & (np.abs(track.gain) > SURE_GAIN * track.noise_gain).all(axis=1), dtype=np.bool_)


def _sure_ratio(track: SweepTrack, band_hz: tuple[float, float]) -> NDArray[np.complex128]:
    """Channel 2 over channel 1 in the sure blocks."""
    sure = sure_blocks(track, band_hz)
    ratio: NDArray[np.complex128] = track.gain[sure, 1] / track.gain[sure, 0]
    return ratio


def _check_order(ratio: NDArray[np.complex128], case: Circumstances) -> list[str]:
    # A low percentile of a swapped pair is near 1 where the load is far above the resistor, so look at a high one.
    largest = float(np.percentile(np.abs(ratio), 90))
    if case.same_voltage or largest <= LIKELY_RATIO:
        return []
    what = f"channel 2 is {largest:.2f} times as loud as channel 1, which no passive load on the clips can do"
    if largest > MOST_RATIO:
        raise StillboxError(f"the channels are swapped: {what}", "exchange the two inputs and record again")
    return [f"{what}: the inputs have unequal gains (make a channel-match take), or the channels are swapped"]


def _check_polarity(track: SweepTrack, case: Circumstances) -> None:
    ratio = _sure_ratio(track, POLARITY_BAND_HZ)
    if case.quiet_second or len(ratio) == 0:
        return
    turned = float(np.median(ratio.real / np.abs(ratio)))
    if turned < -0.3:
        raise StillboxError(
            f"one channel is inverted: the channels are {math.degrees(math.acos(turned)):.0f} degrees apart where a "
            "passive load gives at most 90",
            "exchange the two wires of one input and record again",
        )


def _check_subject(ratio: NDArray[np.complex128], case: Circumstances) -> list[str]:
    middle = float(np.median(np.abs(ratio)))
    what = f"channel 2 is {middle:.2f} times as loud as channel 1; in a take of {case.subject} it is"
    if case.same_voltage and not LEAST_SAME_RATIO <= middle <= 1 / LEAST_SAME_RATIO:
        return [f"{what} nearly as loud"]
    if case.subject in SPEAKER_SUBJECTS and len(ratio) > 20:
        low, high = np.percentile(np.abs(ratio), [2, 98])
        if middle > 0.98 and high - low < 0.003:
            return ["the channels are alike at all frequencies: nothing seems to be connected to the clips"]
    return []


def check_level(track: SweepTrack, samples: RawSamples, case: Circumstances) -> list[str]:
    """Flag a sweep that is too quiet, or that touches full scale."""
    flags = []
    level = float(np.median(np.abs(track.gain[:, 0])))
    if level < 10 ** (LEAST_LEVEL_DBFS / 20):
        flags.append(f"the sweep is at {_dbfs(level)} on channel 1 only; turn up the input or the output")
    limit = FULL_SCALE * (2.0**31 if samples.dtype == np.int32 else 1.0)
    for number, channel in enumerate(samples.T, start=1):
        count = int(np.count_nonzero(channel >= limit)) + int(np.count_nonzero(channel <= -limit))
        if count:
            flags.append(f"{count} samples of channel {number} are at full scale; turn down the input by a few dB")
    return flags


def check_clipping(samples: RawSamples, track: SweepTrack, case: Circumstances) -> list[str]:
    """Refuse waves with flat tops, digital or analogue; flag a few.

    A sine spends ``acos(1 - w) / pi`` of its time within the part ``w`` of its amplitude below its top; a clipped one
    much more. Noise makes the share smaller, so it gives no false alarm.
    """
    flags = []
    for number, channel in enumerate(samples.T):
        clipped = _flat_topped(channel, track, number, case)
        share = float(clipped.mean())
        if not clipped.any():
            continue
        frequencies = track.frequency_hz[clipped]
        what = (
            f"channel {number + 1} is clipped: its waves have flat tops in {100 * share:.1f} % of the sweep, "
            f"{frequencies.min():.0f} to {frequencies.max():.0f} Hz"
        )
        if share > CLIPPED_SHARE:
            raise ClippedError(what, "turn down the input or the output and record again")
        flags.append(what)
    return flags


def _flat_topped(
    channel: RawSamples, track: SweepTrack, index: int, case: Circumstances
) -> NDArray[np.bool_]:
    """Blocks of a channel that are clipped at the top or at the bottom."""
    borders = np.append(track.first_frame, track.first_frame[-1] + track.frames[-1])
    sure = np.abs(track.gain[:, index]) > SURE_GAIN * track.noise_gain[:, index]
    clipped = sure & np.concatenate(
        [_flat_blocks(channel, borders[chunk], case.quantum) for chunk in chunks_of_blocks(borders)]
    )
    # A single block means nothing: near a quarter of the sample rate all samples may meet the same phases.
    beside = np.concatenate([[False], clipped, [False]])
    several: NDArray[np.bool_] = clipped & (beside[:-2] | beside[2:])
    return several


def _flat_blocks(channel: RawSamples, borders: NDArray[np.int64], quantum: float) -> NDArray[np.bool_]:
    """Neighbouring blocks whose waves have flat tops or bottoms; coarse steps hide them."""
    scale = np.float32(2.0**-31 if channel.dtype == np.int32 else 1.0)
    signal = np.multiply(channel[borders[0] : borders[-1]], scale, dtype=np.float32)
    offsets, frames = borders[:-1] - borders[0], np.diff(borders)
    top, bottom = np.maximum.reduceat(signal, offsets), np.minimum.reduceat(signal, offsets)
    amplitude = 0.5 * (top - bottom)
    # Coarse steps give flat tops of their own: they are allowed for, and very coarse ones are not judged.
    step = quantum / np.maximum(amplitude, 1e-9)
    window = np.clip(2 * step, TOP_WINDOW, 0.1)
    allowed = FLAT_TOP * np.arccos(1 - window) / np.pi
    tied = TIED_SHARE + 1.5 * np.arccos(1 - np.minimum(step, 0.1)) / np.pi
    flat = np.zeros(len(offsets), dtype=bool)
    for sign, extreme in ((1, top), (-1, -bottom)):
        near = np.repeat(extreme - window * amplitude, frames).astype(np.float32)
        share = np.add.reduceat((sign * signal >= near).astype(np.float32), offsets) / frames
        equal = np.repeat(extreme, frames)
        tie_share = np.add.reduceat((sign * signal == equal).astype(np.float32), offsets) / frames
        flat |= (share > allowed) | (tie_share > tied)
    return flat & (step < 0.05)


def check_hum(silence: NDArray[np.float64], track: SweepTrack, case: Circumstances) -> list[str]:
    """Refuse hum louder than the sweep on channel 1, flag it elsewhere; flag noise close below the sweep."""
    flags = []
    for index in range(silence.shape[1]):
        hum, mains_hz = mains_hum(silence[:, index], case.excitation.sample_rate_hz)
        sweep = float(np.median(np.abs(track.gain[:, index]))) / math.sqrt(2)
        noise = math.sqrt(max(float(track.noise_power[index]) - hum**2, 0.0))
        names = f"channel {index + 1}"
        if hum > sweep and not (index == 1 and case.quiet_second):
            what = f"mains hum ({mains_hz} Hz) of {_dbfs(hum)} is louder than the sweep of {_dbfs(sweep)} on {names}"
            if index == 0:
                raise StillboxError(what, "mend the grounding or turn up the sweep, and record again")
            flags.append(f"{what}; mend the grounding")
        least_db = LEAST_SNR_DB if index == 0 else 0.0
        if noise > 0 and 20 * math.log10(sweep / noise) < least_db and not (index == 1 and case.quiet_second):
            flags.append(
                f"the sweep is only {20 * math.log10(sweep / noise):.0f} dB above the noise on {names}; "
                "turn it up or use more repeats"
            )
    return flags


def mains_hum(silence: NDArray[np.float64], sample_rate_hz: int) -> tuple[float, int]:
    """Rms of mains hum in a silence, full scale = 1, and the mains frequency (50 or 60 Hz) that fits better.

    Power of the bins within 2.5 Hz or two bins of the harmonics, less what the bins around say of the noise.
    """
    count = len(silence)
    if count < sample_rate_hz / LEAST_MAINS_HZ:
        return 0.0, 50
    window = np.hanning(count)
    spectrum = np.fft.rfft((silence - silence.mean()) * window)
    # Hann window: the powers of the bins of a line add up to 3/2 of the square of its coherent gain (Harris 1978).
    power = 2 * np.abs(spectrum) ** 2 / np.sum(window) ** 2 / 1.5
    bin_hz = sample_rate_hz / count
    reach = max(2, round(2.5 / bin_hz))
    best = (0.0, 50)
    for mains_hz in (50, 60):
        total = 0.0
        for order in range(1, HUM_HARMONICS + 1):
            middle = round(order * mains_hz / bin_hz)
            near = power[max(1, middle - reach) : middle + reach + 1]
            around = power[max(1, middle - 4 * reach) : middle + 4 * reach + 1]
            if len(near):
                total += max(0.0, float(near.sum() - len(near) * np.median(around)))
        best = max(best, (math.sqrt(total), mains_hz))
    return best


def _dbfs(amplitude: float) -> str:
    return f"{20 * math.log10(amplitude):.0f} dBFS" if amplitude > 1e-9 else "nothing"

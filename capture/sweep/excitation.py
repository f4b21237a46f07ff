"""The excitation: a synchronised exponential sine sweep with silence around it.

Layout of the signal, in frames::

    silence_before | sweep | silence_after | sweep | silence_after | ...   (``repeats`` sweeps)

The silence before is where the noise is estimated; in the silence after the ringing dies out.
"""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.output_file import OutputKind, check_output, write_output
from stillbox.capture.files.small_file import parse_json, read_small_text, why_unreadable
from stillbox.capture.sweep.usual_take import SECONDS, SILENCE_AFTER_S, SILENCE_BEFORE_S, SWEEPS

HIGHEST_FRACTION_OF_RATE = 0.475
"""Default upper band limit as a fraction of the sample rate: leaves room for converters' filters."""

MOST_FRAMES = 2**27 - 2**24
"""Longest signal of a take that is there: a stereo recording of it can still be read (see audio_file)."""

MOST_NEW_FRAMES = 20_000_000
"""Longest signal that is made or taken in now: 7 minutes at 48 kHz; more would take more than 1 GB to look through."""

FADE_IN_RATIO = 1.4
"""The level is full from ``low_hz`` times this ratio on."""

FADE_OUT_RATIO = 1.045
"""The level is full up to ``high_hz`` divided by this ratio."""


class Excitation(BaseModel):
    """All that is needed to make the signal again and to analyse a recording of it.

    The sweep is ``x(t) = a sin(2 pi f1 L exp(t / L))`` with ``L = T / ln(f2 / f1)``: the synchronised form of
    Novak, Lotton and Simon, JAES 63(10) 786-798, 2015. Its harmonics of order k lie at ``-L ln k``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    low_hz: float = Field(10.0, ge=1.0, le=20_000.0, description="lowest frequency of the sweep, Hz")
    high_hz: float = Field(22_800.0, gt=1.0, le=96_000.0, description="highest frequency of the sweep, Hz")
    seconds: float = Field(SECONDS, ge=0.2, le=120.0, description="length of one sweep, s")
    sample_rate_hz: int = Field(48_000, ge=44_100, le=192_000, description="sample rate, Hz")
    level_dbfs: float = Field(-12.0, ge=-80.0, le=0.0, description="peak level, dB re full scale")
    repeats: int = Field(SWEEPS, ge=1, le=64, description="number of sweeps")
    silence_before_s: float = Field(SILENCE_BEFORE_S, ge=0.2, le=20.0, description="silence before the first sweep, s")
    silence_after_s: float = Field(SILENCE_AFTER_S, ge=0.2, le=20.0, description="silence after each sweep, s")

    @model_validator(mode="after")
    def _check_band(self) -> Self:
        if self.low_hz * FADE_IN_RATIO * FADE_OUT_RATIO >= self.high_hz:
            raise ValueError(f"low_hz {self.low_hz:g} leaves no band below high_hz {self.high_hz:g}")
        if self.high_hz > 0.5 * self.sample_rate_hz:
            raise ValueError(
                f"high_hz {self.high_hz:g} is above half of the sample rate {self.sample_rate_hz}; "
                f"choose at most {HIGHEST_FRACTION_OF_RATE * self.sample_rate_hz:g}"
            )
        if self.total_frames > MOST_FRAMES:
            raise ValueError(
                f"the whole signal has {self.total_frames} frames, at most {MOST_FRAMES} can be recorded and read; "
                "choose fewer repeats or shorter sweeps"
            )
        return self

    @property
    def rate_constant_s(self) -> float:
        """L = T / ln(f2/f1): the time in which the frequency grows by e, s."""
        return self.seconds / math.log(self.high_hz / self.low_hz)

    @property
    def sweep_frames(self) -> int:
        return round(self.seconds * self.sample_rate_hz)

    @property
    def silence_before_frames(self) -> int:
        return round(self.silence_before_s * self.sample_rate_hz)

    @property
    def silence_after_frames(self) -> int:
        return round(self.silence_after_s * self.sample_rate_hz)

    @property
    def total_frames(self) -> int:
        return self.silence_before_frames + self.repeats * (self.sweep_frames + self.silence_after_frames)

    @property
    def full_level_band_hz(self) -> tuple[float, float]:
        """The band between the fades, Hz."""
        return self.low_hz * FADE_IN_RATIO, self.high_hz / FADE_OUT_RATIO

    def harmonic_advance_s(self, order: int) -> float:
        """How much earlier harmonic ``order`` (>= 1) arrives after deconvolution: ``L ln k``, s."""
        return self.rate_constant_s * math.log(order)


def make_excitation(**settings: float) -> Excitation:
    """An excitation of the given fields; StillboxError names field, value and range where one does not fit."""
    try:
        made = Excitation.model_validate(settings)
    except ValidationError as error:
        raise StillboxError(f"excitation: {describe_validation_error(error)}", "give another value") from error
    if made.total_frames > MOST_NEW_FRAMES:
        rate_hz = made.sample_rate_hz
        raise StillboxError(
            f"excitation: the whole signal is {made.total_frames / rate_hz:.0f} s long, at most "
            f"{MOST_NEW_FRAMES // rate_hz} s at {rate_hz} Hz can be recorded and read",
            "choose fewer repeats, shorter sweeps or a lower rate",
        )
    return made


def default_high_hz(sample_rate_hz: int) -> float:
    """Upper band limit used when none is asked for, Hz: 24 kHz, or less where the rate wants it.

    StillboxError if the rate is not above 0.
    """
    if sample_rate_hz <= 0:
        raise StillboxError(f"a sample rate of {sample_rate_hz} Hz cannot be", "give one like 48000")
    return min(24_000.0, HIGHEST_FRACTION_OF_RATE * sample_rate_hz)


def sweep_samples(excitation: Excitation) -> NDArray[np.float64]:
    """One sweep with its raised-cosine fades, shape (sweep_frames,), full scale = 1."""
    time_s = np.arange(excitation.sweep_frames) / excitation.sample_rate_hz
    constant_s = excitation.rate_constant_s
    # Novak, Lotton, Simon 2015: no "-1" behind the exponential, so harmonics stay in phase.
    sweep = np.exp(time_s / constant_s)
    sweep *= 2 * np.pi * excitation.low_hz * constant_s
    np.sin(sweep, out=sweep)
    sweep *= 10 ** (excitation.level_dbfs / 20)
    fade_in_s = constant_s * math.log(FADE_IN_RATIO)
    fade_out_s = constant_s * math.log(FADE_OUT_RATIO)
    into, out_of = time_s < fade_in_s, time_s > excitation.seconds - fade_out_s
    sweep[into] *= 0.5 - 0.5 * np.cos(np.pi * time_s[into] / fade_in_s)
    sweep[out_of] *= 0.5 - 0.5 * np.cos(np.pi * (excitation.seconds - time_s[out_of]) / fade_out_s)
    return sweep


def excitation_samples(excitation: Excitation) -> NDArray[np.float64]:
    """The whole signal with its silences and repeats, shape (total_frames,), full scale = 1."""
    sweep = sweep_samples(excitation)
    after = np.zeros(excitation.silence_after_frames)
    return np.concatenate([np.zeros(excitation.silence_before_frames), *[sweep, after] * excitation.repeats])


def sweep_starts(excitation: Excitation) -> list[int]:
    """Frame at which each sweep starts in ``excitation_samples``."""
    period = excitation.sweep_frames + excitation.silence_after_frames
    return [excitation.silence_before_frames + index * period for index in range(excitation.repeats)]


def write_excitation(excitation: Excitation, wav_path: Path) -> Path:
    """Write the 24-bit mono WAV and, beside it, the JSON that an analysis needs; returns the JSON's path.

    Raises
    ------
    StillboxError
        If a file cannot be written, or what is there under one of the names is no excitation, or another one.
    """
    json_path = check_excitation_name(wav_path, excitation)
    document = {"stillbox": "excitation", "format": 1, **excitation.model_dump()}
    write_output(wav_path, _SOUND, _wav(excitation))
    write_output(json_path, _SETTINGS, json.dumps(document, indent=2) + "\n")
    return json_path


def check_excitation_name(wav_path: Path, excitation: Excitation | None = None) -> Path:
    """The path of the JSON that goes with a WAV; StillboxError where one of the two may not be written.

    Another ``excitation`` than this is kept: the recordings that were made of it need its JSON.
    """
    json_path = wav_path.with_suffix(".json")
    check_output(wav_path, _SOUND)
    target = check_output(json_path, _SETTINGS)
    if excitation is not None and target.is_file() and target.stat().st_size and read_excitation(target) != excitation:
        raise StillboxError(
            f"{json_path} is there and is of another sweep, which every recording of that needs",
            "give another name",
        )
    return json_path


def _wav(excitation: Excitation) -> bytes:
    import soundfile

    # Sweep by sweep: they are all alike, and the whole signal would take several times the memory.
    sound, rate_hz = io.BytesIO(), excitation.sample_rate_hz
    sweep = sweep_samples(excitation)
    with soundfile.SoundFile(sound, "w", rate_hz, channels=1, subtype="PCM_24", format="WAV") as file:
        file.write(np.zeros(excitation.silence_before_frames))
        for _ in range(excitation.repeats):
            file.write(sweep)
            file.write(np.zeros(excitation.silence_after_frames))
    return sound.getvalue()


def _is_excitation_settings(path: Path) -> bool:
    try:
        read_excitation(path)
    except StillboxError:
        return False
    return True


def _is_excitation_sound(path: Path) -> bool:
    """Whether a WAV is the sound of the JSON beside it: of the same form, and silent as no recording is before it."""
    import soundfile

    try:
        excitation = read_excitation(path.with_suffix(".json"))
        with soundfile.SoundFile(str(path)) as file:
            form = (file.format, file.subtype, file.channels, file.samplerate, file.frames)
            silence = file.read(excitation.silence_before_frames)
            begin = file.read(excitation.sweep_frames)
    except (StillboxError, OSError, RuntimeError, TypeError, ValueError):
        return False
    wanted = ("WAV", "PCM_24", 1, excitation.sample_rate_hz, excitation.total_frames)
    if form != wanted or silence.any() or len(begin) != excitation.sweep_frames:
        return False
    # Other versions of the libraries may round a sample the other way.
    return bool(np.max(np.abs(begin - sweep_samples(excitation))) < 2.0**-20)


_SOUND = OutputKind("the sound of an excitation", (".wav",), _is_excitation_sound, lambda _: True)
_SETTINGS = OutputKind("the JSON of an excitation", (".json",), _is_excitation_settings, lambda _: True)


def read_excitation(json_path: Path) -> Excitation:
    """Read the JSON beside an excitation.

    Raises
    ------
    StillboxError
        If the file is missing, damaged or foreign; names file, fault and remedy.
    """
    remedy = "give the .json that 'stillbox excitation' wrote beside the .wav"
    try:
        document = parse_json(read_small_text(json_path))
    except (OSError, ValueError) as error:
        raise StillboxError(f"cannot read excitation {json_path}: {why_unreadable(error)}", remedy) from error
    if not isinstance(document, dict) or document.pop("stillbox", None) != "excitation":
        raise StillboxError(f"{json_path} does not describe an excitation", remedy)
    if document.pop("format", None) != 1:
        raise StillboxError(f"{json_path} has a format this version does not know", remedy)
    try:
        return Excitation(**document)
    except ValidationError as error:
        raise StillboxError(f"{json_path}: {describe_validation_error(error)}", remedy) from error

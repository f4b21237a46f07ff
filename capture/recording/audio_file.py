"""Audio files: read WAV, FLAC and AIFF with clear errors, write them without loss.

Samples of integer subtypes are held as int32 whose full scale is 2**31 (16 and 24 bit are shifted up, so no bit is
lost); samples of float subtypes as float64. In both forms the shape is (frames, channels).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.shown_text import in_one_line

RAW_FULL_SCALE = 2.0**31
LOWEST_RATE_HZ = 44_100
HIGHEST_RATE_HZ = 192_000
MOST_SAMPLES = 2**28
"""Frames times channels that are read at most: 46 minutes of stereo at 48 kHz, 1 GB of memory."""

MAGIC = (b"RIFF", b"RIFX", b"RF64", b"riff", b"fLaC", b"FORM")
"""How the files of these containers begin; others are not even tried."""

CONTAINERS = ("WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF")
FLAC_SUBTYPES = {"PCM_U8": "PCM_S8", "PCM_S8": "PCM_S8", "PCM_16": "PCM_16", "PCM_24": "PCM_24"}
WAV_SUBTYPES = ("PCM_32", "FLOAT", "DOUBLE")
BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}

RawSamples = NDArray[np.int32] | NDArray[np.float64]


@dataclass(frozen=True)
class AudioClip:
    """What an audio file holds.

    Attributes
    ----------
    samples : int32 or float64 ndarray, shape (frames, channels)
        int32 with full scale 2**31 for integer subtypes, float64 with full scale 1 for float subtypes.
    sample_rate_hz : int
    subtype : str
        ``PCM_16``, ``PCM_24``, ``PCM_32``, ``FLOAT``, ...
    """

    samples: RawSamples
    sample_rate_hz: int
    subtype: str


def is_float_subtype(subtype: str) -> bool:
    """Whether samples of this subtype are floating-point numbers."""
    return subtype in ("FLOAT", "DOUBLE")


def quantum(subtype: str) -> float:
    """Step between neighbouring sample values of an integer subtype, full scale = 1; 0 for float subtypes."""
    return 0.0 if is_float_subtype(subtype) else 2.0 ** (1 - BITS[subtype])


def to_float(samples: RawSamples | NDArray[np.floating]) -> NDArray[np.float64]:
    """Samples with full scale = 1."""
    if samples.dtype == np.int32:
        return np.asarray(samples / RAW_FULL_SCALE, dtype=np.float64)
    return np.asarray(samples, dtype=np.float64)


def to_least_float(samples: RawSamples, subtype: str) -> NDArray[np.floating]:
    """Samples with full scale = 1 in the smallest type that holds them exactly: float32 up to 24 bit, else float64."""
    if is_float_subtype(subtype) or BITS[subtype] > 24:
        return to_float(samples)
    return np.multiply(samples, 1 / np.float32(RAW_FULL_SCALE), dtype=np.float32)


def to_raw(samples: NDArray[np.floating] | RawSamples, subtype: str) -> RawSamples:
    """Samples in the form in which ``subtype`` holds them: floats are rounded (and limited) to its steps."""
    if is_float_subtype(subtype):
        decoded = to_float(samples)
        return decoded.astype(np.float32).astype(np.float64) if subtype == "FLOAT" else decoded
    if samples.dtype == np.int32:
        return np.asarray(samples, dtype=np.int32)
    steps = 2.0 ** (BITS[subtype] - 1)
    limited = np.clip(np.rint(np.asarray(samples, dtype=np.float64) * steps), -steps, steps - 1)
    return (limited * (RAW_FULL_SCALE / steps)).astype(np.int32)


def samples_sha256(samples: RawSamples) -> str:
    """SHA-256 of the decoded samples, frame after frame, little-endian.

    Integer subtypes count as int32 with full scale 2**31, float subtypes as float64 with full scale 1, so the sum
    does not depend on the container (WAV or FLAC) the samples lie in.
    """
    plain = "<i4" if samples.dtype == np.int32 else "<f8"
    return hashlib.sha256(np.ascontiguousarray(samples, dtype=plain).data).hexdigest()


def storage_form(subtype: str) -> tuple[str, str]:
    """Container and subtype in which samples of ``subtype`` are kept without loss.

    Returns
    -------
    container : str
        ``FLAC`` up to 24 bit, ``WAV`` for 32 bit and float.
    stored_subtype : str
    """
    if subtype in FLAC_SUBTYPES:
        return "FLAC", FLAC_SUBTYPES[subtype]
    if subtype in WAV_SUBTYPES:
        return "WAV", subtype
    allowed = ", ".join((*FLAC_SUBTYPES, *WAV_SUBTYPES))
    raise StillboxError(f"samples of kind {subtype} cannot be kept without loss", f"record as one of {allowed}")


def write_audio(path: Path, clip: AudioClip, container: str) -> None:
    """Write ``clip`` in ``container`` (``FLAC`` or ``WAV``), whatever the suffix of ``path``."""
    import soundfile

    try:
        soundfile.write(path, clip.samples, clip.sample_rate_hz, subtype=clip.subtype, format=container)
    except (OSError, soundfile.SoundFileError) as error:
        raise StillboxError(f"cannot write {path}: {error}", "check the free space and the rights there") from error


@dataclass(frozen=True)
class AudioHeader:
    """What an audio file says about itself."""

    frames: int
    channels: int
    sample_rate_hz: int
    subtype: str


def read_header(path: Path) -> AudioHeader:
    """Read the header of ``path`` and the last frame that it promises; errors as in ``read_audio``.

    FLAC does not say how long the file must be: one that was cut short shows only where its end should be.
    """
    import soundfile

    _require_file(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            header = _checked_header(file, path)
            try:
                file.seek(header.frames - 1)
                whole = len(file.read(1, dtype="int32", always_2d=True)) == 1
            except (RuntimeError, TypeError, ValueError):
                whole = False
            if not whole:
                raise StillboxError(f"{path} is cut short: its end cannot be read", "copy or record it again")
            return header
    except (OSError, RuntimeError, TypeError, ValueError) as error:
        raise _not_audio(path, error) from error


def read_audio(path: Path, channels: tuple[int, ...] = (2,), most_frames: int = MOST_SAMPLES) -> AudioClip:
    """Read a whole WAV, FLAC or AIFF file.

    Parameters
    ----------
    path : Path
    channels : tuple of int
        Allowed channel counts.
    most_frames : int
        A file with more is refused before it is read.

    Raises
    ------
    StillboxError
        If the file is missing, no audio, of a lossy kind, empty, too long, cut inside, has another number of
        channels, a rate outside 44.1 to 192 kHz, or values that are no numbers.
    """
    import soundfile

    _require_file(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            header = _checked_header(file, path, most_frames)
            _require_channels(header.channels, channels, path)
            kind = "float64" if is_float_subtype(header.subtype) else "int32"
            samples = file.read(dtype=kind, always_2d=True)
    except MemoryError as error:
        raise StillboxError(f"{path} does not fit into the memory", "cut it to the sweep and its silences") from error
    except (OSError, RuntimeError, TypeError, ValueError) as error:
        raise _not_audio(path, error) from error
    if len(samples) < header.frames:
        raise StillboxError(
            f"{path} is damaged: {len(samples)} of {header.frames} frames can be read", "copy or record it again"
        )
    if samples.dtype == np.float64 and not np.isfinite(samples).all():
        frame = int(np.argmin(np.isfinite(samples).all(axis=1)))
        raise StillboxError(f"{path} holds values that are no numbers (first in frame {frame})", "record it again")
    return AudioClip(samples, header.sample_rate_hz, header.subtype)


def _require_file(path: Path) -> None:
    if not path.exists():
        raise StillboxError(f"{path} does not exist", "give the path of a WAV, FLAC or AIFF file")
    if not path.is_file():
        raise StillboxError(f"{path} is not a file", "give the path of a WAV, FLAC or AIFF file")
    if path.stat().st_size == 0:
        raise StillboxError(f"{path} is empty", "record it again")
    try:
        with path.open("rb") as file:
            begin = file.read(4)
    except OSError as error:
        raise StillboxError(f"cannot read {path}: {error.strerror}", "check the rights there") from error
    if begin not in MAGIC:
        raise _not_audio(path, "it does not begin like one")


def _not_audio(path: Path, error: Exception | str) -> StillboxError:
    reason = in_one_line(str(error)).rstrip(".")
    return StillboxError(f"{path} cannot be read as audio ({reason})", "give a WAV, FLAC or AIFF file")


def _checked_header(file: object, path: Path, most_frames: int = MOST_SAMPLES) -> AudioHeader:
    container, subtype = str(file.format), str(file.subtype)  # type: ignore[attr-defined]
    frames, channels = int(file.frames), int(file.channels)  # type: ignore[attr-defined]
    rate_hz = int(file.samplerate)  # type: ignore[attr-defined]
    if container not in CONTAINERS:
        raise StillboxError(f"{path} is of the kind {container}", "give a WAV, FLAC or AIFF file")
    if subtype not in BITS and not is_float_subtype(subtype):
        raise StillboxError(f"{path} holds {subtype} samples, which lose detail", "record as 24-bit PCM or float")
    if frames <= 0:
        raise StillboxError(f"{path} holds no samples", "record it again")
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise StillboxError(
            f"{path} has a sample rate of {rate_hz} Hz", f"record with {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    most_frames = min(most_frames, MOST_SAMPLES // channels)
    if frames > most_frames:
        raise StillboxError(
            f"{path} is too long with {frames} frames of {channels} channels ({frames / rate_hz:.0f} s; at most "
            f"{most_frames} frames, {most_frames / rate_hz:.0f} s)",
            "cut it to the sweep and its silences",
        )
    return AudioHeader(frames, channels, rate_hz, subtype)


def _require_channels(count: int, allowed: tuple[int, ...], path: Path) -> None:
    if count not in allowed:
        wanted = " or ".join(str(number) for number in allowed)
        hint = "a mono file lacks the second input" if count == 1 else "export only the two inputs of the jig"
        raise StillboxError(f"{path} has {count} channel(s), {wanted} needed", f"{hint}: record both inputs again")

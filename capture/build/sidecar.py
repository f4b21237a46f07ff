"""The sidecar of a take: a JSON file beside its samples."""

from __future__ import annotations

import json
from pathlib import Path

from pydantic import ValidationError

from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.small_file import parse_json, read_small_text, why_unreadable
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.recording.take import TakeInfo

FORMAT = 1


def write_sidecar(path: Path, info: TakeInfo) -> None:
    """Write the sidecar of ``info`` as a whole."""
    document = {"stillbox": "take", "format": FORMAT, **info.model_dump(mode="json")}
    write_whole(path, json.dumps(document, indent=2, ensure_ascii=False) + "\n")


def read_sidecar(path: Path) -> TakeInfo:
    """Read a sidecar and check that it agrees with itself and with its file name.

    Raises
    ------
    StillboxError
        If it is damaged or foreign; names file, fault and remedy.
    """
    remedy = "put the original back, or move the file out of the build"
    try:
        if path.is_symlink():
            raise StillboxError(f"{path} is no plain file but a link", remedy)
        document = parse_json(read_small_text(path))
    except (OSError, ValueError) as error:
        raise StillboxError(f"{path} is damaged: {why_unreadable(error)}", remedy) from error
    if not isinstance(document, dict) or document.pop("stillbox", None) != "take":
        raise StillboxError(f"{path} does not describe a take", remedy)
    if document.pop("format", None) != FORMAT:
        raise StillboxError(f"{path} has a format this version does not know", remedy)
    try:
        info = TakeInfo.model_validate(document)
    except ValidationError as error:
        raise StillboxError(f"{path}: {describe_validation_error(error)}", remedy) from error
    fault = _disagreement(path, info)
    if fault:
        raise StillboxError(f"{path}: {fault}", remedy)
    return info


def _disagreement(path: Path, info: TakeInfo) -> str | None:
    if not path.name.startswith(f"{info.number:04d}-"):
        return f"number {info.number} is not that of the file name"
    if not 1990 <= info.created.year <= 2500:
        return f"created {info.created.year} is no year in which takes are made (1990 to 2500)"
    audio_name = info.audio_file
    if audio_name not in (f"{path.stem}.flac", f"{path.stem}.wav"):
        return f"audio_file '{audio_name[:80]}' is not {path.stem}.flac or {path.stem}.wav"
    last_start = info.frames - info.excitation.sweep_frames
    if not info.sweep_starts or not all(0 <= start <= last_start for start in info.sweep_starts):
        return f"sweep_starts must be one or more of 0 to {last_start}"
    return None

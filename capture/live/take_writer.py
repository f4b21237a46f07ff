"""The file that a take is written to while it is recorded."""

from __future__ import annotations

import shutil
from contextlib import suppress
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.whole_file import sync_file
from stillbox.capture.recording.audio_file import to_raw
from stillbox.capture.shown_text import in_one_line

SUBTYPE = "PCM_24"
CONTAINER = "FLAC"
LEAST_FREE_BYTES = 1_000_000


class TakeWriter:
    """Writes recorded blocks as 24-bit FLAC; a sink for devices, and a context manager.

    Without ``keep`` the file is deleted at the end, so a fault or a stop leaves nothing behind.
    """

    def __init__(self, path: Path, sample_rate_hz: int, channels: int) -> None:
        import soundfile

        self.path = path
        self.frames = 0
        self._kept = False
        self._faults = (OSError, soundfile.SoundFileError)
        try:
            path.unlink(missing_ok=True)
            self._file = soundfile.SoundFile(
                str(path), "w", sample_rate_hz, channels, subtype=SUBTYPE, format=CONTAINER
            )
        except self._faults as error:
            raise self._refusal(error) from error

    def __call__(self, block: NDArray[np.float32]) -> None:
        """Write a block, shape (frames, channels), full scale = 1."""
        try:
            self._file.write(to_raw(block, SUBTYPE))
        except (*self._faults, AssertionError) as error:
            raise self._refusal(error) from error
        self.frames += len(block)

    def __enter__(self) -> TakeWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.close()
        except self._faults as fault:
            if error is None:
                raise self._refusal(fault) from fault
        finally:
            if not self._kept:
                try:
                    self.path.unlink(missing_ok=True)
                except OSError as fault:
                    if error is None:
                        raise self._refusal(fault) from fault

    def keep(self) -> None:
        """Leave the file where it is; StillboxError if it does not hold all that was written."""
        import soundfile

        try:
            self._file.close()
            sync_file(self.path)
            there = soundfile.info(str(self.path)).frames
        except self._faults as error:
            raise self._refusal(error) from error
        if there != self.frames:
            raise self._refusal(OSError(f"{there} of {self.frames} frames arrived there"))
        self._kept = True

    def _refusal(self, error: BaseException) -> StillboxError:
        reason = getattr(error, "strerror", None) or in_one_line(str(error)).rstrip(".") or type(error).__name__
        with suppress(OSError):
            if shutil.disk_usage(self.path.parent).free < LEAST_FREE_BYTES:
                reason = "the disk is full"
        return StillboxError(
            f"cannot write {self.path}: {reason}", "check free space and rights there; earlier takes are untouched"
        )

"""What a take is: one recording of a build, with what it is of. Plain data, no disk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from capture.excitation import Excitation

Subject = Literal[
    "free-air",
    "added-mass",
    "test-box",
    "in-box",
    "part",
    "microphone",
    "check-resistor",
    "channel-match",
    "open",
    "short",
    "load",
]
SUBJECTS: tuple[str, ...] = get_args(Subject)
CALIBRATION_SUBJECTS = ("channel-match", "open", "short", "load", "check-resistor")

JigKind = Literal["high-side", "low-side"]
"""high-side: channel 1 on the source side of the reference resistor, channel 2 on the clips side.
low-side: channel 1 across resistor and speaker together, channel 2 across the resistor to ground."""

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,39}$"
"""Names of states and units: they become part of file names."""


class TakeInfo(BaseModel):
    """The sidecar of a take: everything about it but the samples."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    number: int = Field(ge=1)
    subject: Subject
    state: str = Field("", pattern=r"^$|" + NAME_PATTERN)
    unit: str = Field("A", pattern=NAME_PATTERN)
    created: datetime
    jig: JigKind = "high-side"
    load_ohm: float | None = Field(None, gt=0, le=1e5)
    """Marked value of the resistor on the clips, for ``load`` and ``check-resistor``."""
    load_tolerance_percent: float | None = Field(None, ge=0, le=50)
    excitation: Excitation
    sweep_starts: tuple[int, ...]
    """Frame at which each whole sweep starts in the recording."""
    frames: int = Field(ge=1)
    origin: str
    """Where the samples came from: a file name, or the device."""
    latency_s: float | None = None
    """Achieved round-trip latency of a live take, s."""
    flags: tuple[str, ...] = ()
    """Faults seen in the recording that do not forbid its use, in words with numbers."""
    audio_file: str
    samples_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")

    @property
    def address(self) -> str:
        """``subject/state/unit`` as a person types it."""
        return f"{self.subject}/{self.state or '-'}/{self.unit}"


@dataclass(frozen=True)
class Recording:
    """The samples of a take with its sidecar.

    Attributes
    ----------
    info : TakeInfo
    samples : ndarray, shape (frames, 2)
        Channel 1 and 2, full scale = 1.
    """

    info: TakeInfo
    samples: NDArray[np.float64]

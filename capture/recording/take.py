"""What a take is: one recording of a build, with what it is of. Plain data, no disk."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal, NotRequired, TypedDict, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from stillbox.capture.errors import StillboxError
from stillbox.capture.ranges import CELSIUS_RANGE
from stillbox.capture.shown_text import visible
from stillbox.capture.sweep.excitation import Excitation

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

OF_PATTERN = r"^[A-Za-z0-9_]{1,40}$"
"""Names of drivers and parts: the fourth field of an address, and a word in netlists."""

MOST_DIGITS = 18
"""No take has a longer number."""


STATE_SUBJECTS = ("in-box", "microphone", "part")
"""What changes with the stage of the work; elsewhere a state would say nothing, and would never be looked at."""


DRIVER_SUBJECTS = ("free-air", "added-mass", "test-box", "in-box")
"""What can be of one driver, its own terminals on the clips; in the box without a name it is of the speaker's."""


NAMED_SUBJECTS = (*DRIVER_SUBJECTS, "part")
"""What can be of something by name."""


def driver_name(name: str) -> str:
    """The name of a driver as it is kept and compared: in small letters.

    SPICE takes capitals and small letters for the same, so ``XWoofer``, ``--driver Woofer`` and ``woofer`` in
    ``build.toml`` are one driver. Parts keep their letters.
    """
    return name.lower()


def named_of(subject: str, driver: str | None = None, part: str | None = None) -> str:
    """What a take is of within its unit: the name of a driver, of a part, or none.

    Raises
    ------
    StillboxError
        If a take of ``subject`` is not of such a thing, or the name cannot be one.
    """
    for name, what, subjects in ((driver, "driver", DRIVER_SUBJECTS), (part, "part", ("part",))):
        if name is not None and subject not in subjects:
            raise StillboxError(
                f"a take of {subject} is not of a {what} by name, as '{name[:60]}': only takes of "
                f"{', '.join(subjects)} are",
                f"leave --{what} out",
            )
    return driver_name(driver or "") or part or ""


def check_of(subject: str, of: str) -> None:
    """StillboxError where a take of ``subject`` cannot be of something by that name; empty is none."""
    if of and subject not in NAMED_SUBJECTS:
        raise StillboxError(f"a take of {subject} is not of a driver or a part by name, as '{of[:60]}'", "leave it out")
    if of and not re.fullmatch(OF_PATTERN, of):
        what = "a part" if subject == "part" else "a driver"
        raise StillboxError(f"'{of[:60]}' cannot name {what}", "use letters, digits and _, at most 40 characters")


def usual_state(subject: str) -> str:
    """The state of a take for which none was named: ``stock`` in the box, none elsewhere."""
    return "stock" if subject == "in-box" else ""


def check_state(subject: str, state: str | None) -> None:
    """StillboxError where a take of ``subject`` cannot be of that state; None stands for the usual one."""
    if state and subject not in STATE_SUBJECTS:
        raise StillboxError(
            f"a take of {subject} has no state, as '{state[:60]}': only takes of {', '.join(STATE_SUBJECTS)} change "
            "with the stage of the work",
            "leave the state out",
        )
    if state == "" and subject == "in-box":
        raise StillboxError("a take in the box needs a state, so that it can be compared", "give a name like 'stock'")


def check_circumstances(
    subject: str, celsius: float | None, remounted: bool, port_closed: bool = False
) -> None:
    """StillboxError where a take cannot have been made at that temperature, or cannot be of a driver put back."""
    low, high = CELSIUS_RANGE
    if celsius is not None and not low <= celsius <= high:
        raise StillboxError(f"{celsius:g} degrees C is outside {low:g} to {high:g}", "give the temperature of the air")
    if remounted and subject != "in-box":
        raise StillboxError(
            f"a take of {subject} cannot be marked as remounted: that is said of a driver that was taken out of its "
            "box and put back, with nothing else done",
            "leave it out",
        )
    if port_closed and subject != "in-box":
        raise StillboxError(
            f"a take of {subject} cannot be marked as made with the port closed: that is said of a driver in its box",
            "leave it out",
        )


Words = Annotated[str, AfterValidator(visible)]
"""Text that may come from elsewhere, fit to be shown."""


class LiveRecord(BaseModel):
    """How a take of a sound card or of the practice rig was made.

    Attributes
    ----------
    device, host_api, kind : str
        As the list of devices names them.
    reported_latency_s : float or None
        What the system says its input and output take together, s; ``TakeInfo.latency_s`` is what was measured.
    loudest_volts : float or None
        Voltage of the output at full scale, V rms; None where it was never measured.
    output_limit_dbfs : float
        Peak that the output could not exceed, dB re full scale.
    attempts : int
        Sweeps that were played until one was good.
    notes : tuple of str
        What the check before the sweep had to say.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    device: Words
    host_api: Words
    kind: Words
    reported_latency_s: float | None = Field(None, ge=0)
    loudest_volts: float | None = Field(None, gt=0)
    output_limit_dbfs: float = Field(le=0)
    attempts: int = Field(ge=1)
    notes: tuple[Words, ...] = ()


class TakeInfo(BaseModel):
    """The sidecar of a take: everything about it but the samples."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    number: int = Field(ge=1)
    subject: Subject
    state: str = Field("", pattern=r"^$|" + NAME_PATTERN)
    unit: str = Field("A", pattern=NAME_PATTERN)
    of: str = Field("", pattern=r"^$|" + OF_PATTERN)
    """Name of the driver on whose own terminals the clips sat, or of the part; empty where there is no choice."""
    created: datetime
    jig: JigKind = "high-side"
    load_ohm: float | None = Field(None, gt=0, le=1e5)
    """Marked value of the resistor on the clips, for ``load`` and ``check-resistor``."""
    load_tolerance_percent: float | None = Field(None, ge=0, le=50)
    celsius: float | None = Field(None, ge=CELSIUS_RANGE[0], le=CELSIUS_RANGE[1])
    """Temperature of the air in the box; None where nobody said it: that of the build is taken."""
    remounted: bool = False
    """Made after the driver was taken out of the box and put back, with nothing else done."""
    port_closed: bool = False
    """Made with the port closed by hand: it stands beside the take of its state and never for it."""
    excitation: Excitation
    sweep_starts: tuple[int, ...]
    """Frame at which each whole sweep starts in the recording."""
    frames: int = Field(ge=1)
    origin: Words
    """Where the samples came from: a file name, or the device."""
    latency_s: float | None = None
    """Achieved round-trip latency of a live take, s."""
    live: LiveRecord | None = None
    """None for an imported recording."""
    flags: tuple[Words, ...] = ()
    """Faults seen in the recording that do not forbid its use, in words with numbers."""
    audio_file: str
    samples_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")

    @field_validator("of")
    @classmethod
    def _one_spelling(cls, of: str, told: ValidationInfo) -> str:
        return of if told.data.get("subject") == "part" else driver_name(of)

    @property
    def address(self) -> str:
        """``subject/state/unit`` as a person types it, and ``/of`` where it is of something by name."""
        return f"{self.subject}/{self.state or '-'}/{self.unit}" + (f"/{self.of}" if self.of else "")

    @property
    def circumstances(self) -> list[str]:
        """What was said of how it was made, in words."""
        air = [] if self.celsius is None else [f"{self.celsius:g} °C"]
        marks = (("remounted", self.remounted), ("port closed", self.port_closed))
        return air + [words for words, marked in marks if marked]


def fitting_takes(
    takes: Iterable[TakeInfo],
    subject: str,
    state: str | None = None,
    unit: str | None = None,
    port_closed: bool = False,
    of: str | None = None,
) -> list[TakeInfo]:
    """Those of ``takes`` that fit, in their order; None in ``state`` or ``unit`` fits all, ``-`` is the empty state.

    Takes with the port closed by hand fit only where they are asked for, or by their number. None in ``of`` fits those
    without a name, or all where every one has a name; ``-`` is none.

    Digits alone in ``state`` are the number of a take, unless there is a state of that very name.
    """
    wanted = [take for take in takes if take.subject == subject and unit in (None, take.unit)]
    alike = [take for take in wanted if take.port_closed == port_closed]
    name = of if of is None or subject == "part" else driver_name(of)
    named = _of([take for take in alike if state in (None, take.state, take.state or "-")], name)
    if named or state is None or not (state.isascii() and state.isdigit()):
        return named
    return [take for take in wanted if take.number == int(state[:MOST_DIGITS])]


def _of(takes: list[TakeInfo], of: str | None) -> list[TakeInfo]:
    nameless = [take for take in takes if not take.of]
    if of is None:
        return nameless or takes
    return nameless if of == "-" else [take for take in takes if take.of == of]


def words_of_choice(state: str | None, unit: str | None) -> str:
    """What was asked for, to be said behind "take": `` of state lined and unit B``; empty where all would have done."""
    asked = []
    if state is not None:
        number = state.isascii() and state.isdigit()
        asked.append("number or state" if number else "state")
        asked[-1] += " '-', which is none" if state == "-" else f" {state}"
    if unit is not None:
        asked.append(f"unit {unit}")
    return f" of {' and '.join(asked)}" if asked else ""


class TakeAbout(TypedDict):
    """What a new take needs to be told besides its samples; the meaning is that of TakeInfo."""

    subject: Subject
    excitation: Excitation
    sweep_starts: Iterable[int]
    origin: str
    state: NotRequired[str]
    unit: NotRequired[str]
    of: NotRequired[str]
    jig: NotRequired[JigKind]
    load_ohm: NotRequired[float | None]
    load_tolerance_percent: NotRequired[float | None]
    celsius: NotRequired[float | None]
    remounted: NotRequired[bool]
    port_closed: NotRequired[bool]
    latency_s: NotRequired[float | None]
    live: NotRequired[LiveRecord | None]
    flags: NotRequired[Iterable[str]]


@dataclass(frozen=True)
class Recording:
    """The samples of a take with its sidecar.

    Attributes
    ----------
    info : TakeInfo
    samples : ndarray, shape (frames, 2)
        Channel 1 and 2, full scale = 1; one channel where a microphone was recorded in mono. In single precision where
        that holds them exactly: all that computes with them takes a part of them as float64.
    """

    info: TakeInfo
    samples: NDArray[np.floating]

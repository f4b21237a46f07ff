"""``build.toml``: what a person knows about the box, written by hand."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    Strict,
    ValidationError,
    model_validator,
)

from stillbox.capture.build.build_contents import (
    TEMPLATE,
    AddedMass,
    Lining,
    LooseFibre,
    Millimetres,
    TestBox,
    Tolerance,
    Volumes,
    within,
)
from stillbox.capture.build.description_faults import describe_fault, sections_of
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import DESCRIPTION_FILE
from stillbox.capture.files.small_file import parse_toml, read_small_text, why_unreadable
from stillbox.capture.ranges import (
    CELSIUS_RANGE,
    HEIGHT_RANGE_M,
    INSIDE_RANGE_MM,
    PORT_DIAMETER_RANGE_MM,
    PORT_LENGTH_RANGE_MM,
    PRESSURE_RANGE_HPA,
    RATED_RANGE_OHM,
)
from stillbox.capture.recording.take import OF_PATTERN, SUBJECTS, Subject, driver_name
from stillbox.capture.shown_text import visible


def _word(name: str) -> str:
    if not re.fullmatch(OF_PATTERN, name):
        raise ValueError("must be letters, digits and _, at most 40")
    return name


def _each_once(given: Any) -> Any:
    """Two spellings of one driver would hide what one of them says, a limit for instance."""
    if isinstance(given, dict):
        names = [driver_name(name) for name in given if isinstance(name, str)]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"must name '{twice}' once: capitals and small letters are the same in names of drivers")
    return given


Inside = Annotated[float, Strict(), AfterValidator(within(*INSIDE_RANGE_MM, "mm"))]
Position = Annotated[float, Strict(), AfterValidator(within(0, 5000, "mm"))]
Opening = Annotated[float, Strict(), AfterValidator(within(*PORT_DIAMETER_RANGE_MM, "mm"))]
PortLength = Annotated[float, Strict(), AfterValidator(within(*PORT_LENGTH_RANGE_MM, "mm"))]
Thickness = Annotated[float, Strict(), AfterValidator(within(0.5, 200, "mm"))]
RatedImpedance = Annotated[float, Strict(), AfterValidator(within(*RATED_RANGE_OHM, "ohm"))]
Temperature = Annotated[float, Strict(), AfterValidator(within(*CELSIUS_RANGE, "degrees C"))]
Height = Annotated[float, Strict(), AfterValidator(within(*HEIGHT_RANGE_M, "m"))]
Pressure = Annotated[float, Strict(), AfterValidator(within(*PRESSURE_RANGE_HPA, "hPa"))]
Resistance = Annotated[float, Strict(), AfterValidator(within(0.05, 1000, "ohm"))]
LimitVolts = Annotated[float, Strict(), AfterValidator(within(0.001, 50, "V rms"))]
LimitWatts = Annotated[float, Strict(), AfterValidator(within(1e-6, 100, "W"))]
LimitLowest = Annotated[float, Strict(), AfterValidator(within(1, 10_000, "Hz"))]
PartName = Annotated[str, Strict(), AfterValidator(_word)]
DriverName = Annotated[PartName, AfterValidator(driver_name)]
Text = Annotated[str, Strict(), Field(max_length=10_000)]
Line = Annotated[str, Strict(), Field(max_length=10_000), AfterValidator(visible)]


def _with_names(size: Any) -> Any:
    """Three numbers in a row are height, width and depth; errors then name the one meant."""
    if not isinstance(size, list | tuple):
        return size
    if len(size) != 3:
        raise ValueError("must be height, width and depth, three numbers in mm")
    return dict(zip(("height", "width", "depth"), size, strict=True))


InsideSize = NamedTuple(  # noqa: UP014 - as a class its types are strings, which the pages of the API cannot follow
    "InsideSize", [("height", Inside), ("width", Inside), ("depth", Inside)]
)
"""Inside of the box, mm: height, width, depth."""


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DriverPlace(_Section):
    """Diameter of the cone and the place of its centre on the front, seen from inside, mm; what else is known of it.

    Attributes
    ----------
    re_ohm : float or None
        DC resistance by multimeter, leads subtracted.
    xmax_mm : float or None
        Excursion one way that the maker allows.
    name : str or None
        What takes of this driver call it, where the speaker has several.
    """

    diameter_mm: Opening | None = None
    diameter_tolerance_percent: Tolerance | None = None
    re_ohm: Resistance | None = None
    re_tolerance_percent: Tolerance | None = None
    xmax_mm: Millimetres | None = None
    from_top_mm: Position | None = None
    from_left_mm: Position | None = None
    name: DriverName | None = None


class PortPlace(_Section):
    """Size of the port and the place of its centre on the front, seen from inside, mm."""

    diameter_mm: Opening | None = None
    length_mm: PortLength | None = None
    wall_mm: Millimetres | None = None
    from_top_mm: Position | None = None
    from_left_mm: Position | None = None


class Wall(_Section):
    """What the walls are made of."""

    material: Line | None = None
    thickness_mm: Thickness | None = None


class Limits(_Section):
    """What the output may never exceed; None where a person has not said.

    Attributes
    ----------
    clips_volts : float or None
        Voltage at the clips with nothing on them, V rms.
    resistor_watts, speaker_watts : float or None
        Power in the reference resistor and in what is on the clips, W.
    lowest_hz : float or None
        Nothing below it is played: for tweeters.
    """

    clips_volts: LimitVolts | None = None
    resistor_watts: LimitWatts | None = None
    speaker_watts: LimitWatts | None = None
    lowest_hz: LimitLowest | None = None


class BuildLimits(Limits):
    """Limits of all subjects, and what differs for single ones and for single drivers.

    ``[limits.free-air]`` and ``[limits.drivers.tweeter]`` in the file.
    """

    subjects: dict[Subject, Limits] = {}
    drivers: Annotated[dict[DriverName, Limits], BeforeValidator(_each_once)] = {}

    @model_validator(mode="before")
    @classmethod
    def _gather_subjects(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        general = {key: value for key, value in given.items() if key not in SUBJECTS}
        own = {key: value for key, value in given.items() if key in SUBJECTS}
        return {**general, "subjects": own} if own else general

    def of(self, subject: Subject, driver: str = "") -> Limits:
        """The limits that hold for a subject, on the terminals of a driver by name.

        What is said of the subject or of the driver counts before what is said of all; of the two, the tighter one.
        """
        general = self.model_dump(exclude={"subjects", "drivers"}, exclude_none=True)
        own = _tightest([self.subjects.get(subject, Limits()), self.drivers.get(driver, Limits())])
        return Limits.model_validate({**general, **own.model_dump(exclude_none=True)})

    def of_whatever(self) -> Limits:
        """The tightest of all, where what is on the clips is not told."""
        return _tightest([self, *self.subjects.values(), *self.drivers.values()])


def _tightest(every: Sequence[Limits]) -> Limits:
    """Of each limit the one that allows least; None where none of them says."""
    volts, resistor, speaker, lowest = (
        [value for limits in every if (value := getattr(limits, name)) is not None]
        for name in ("clips_volts", "resistor_watts", "speaker_watts", "lowest_hz")
    )
    return Limits(
        clips_volts=min(volts, default=None),
        resistor_watts=min(resistor, default=None),
        speaker_watts=min(speaker, default=None),
        lowest_hz=max(lowest, default=None),
    )


class Crossover(_Section):
    """How far parts of the crossover may be from the values of its netlist, percent.

    Attributes
    ----------
    tolerance_percent : float or None
        Of all parts for which nothing else is said.
    parts : dict
        Of single parts by their names in the netlist (``[crossover.parts]``, ``C2 = 10``).
    """

    tolerance_percent: Tolerance | None = None
    parts: dict[PartName, Tolerance] = {}


class BuildDescription(_Section):
    """What ``build.toml`` holds; every key may be missing.

    Attributes
    ----------
    inside_mm : InsideSize or None
        (height, width, depth) of the empty inside, mm.
    metres_above_sea, pressure_hpa : float or None
        Height of the place, or the air pressure there as a barometer shows it, not that of weather reports, which is
        for sea level.
    drivers : dict
        The speaker's other drivers by their names (``[drivers.tweeter]``); ``driver`` is the one in the box.
    driver, port, wall
        Sections that are always there; their unknown values are None.
    """

    name: Line = ""
    inside_mm: Annotated[InsideSize, BeforeValidator(_with_names)] | None = None
    rated_ohm: RatedImpedance | None = None
    temperature_c: Temperature = 20.0
    metres_above_sea: Height | None = None
    pressure_hpa: Pressure | None = None
    driver: DriverPlace = DriverPlace()
    drivers: Annotated[dict[DriverName, DriverPlace], BeforeValidator(_each_once)] = {}
    port: PortPlace = PortPlace()
    wall: Wall = Wall()
    limits: BuildLimits = BuildLimits()
    crossover: Crossover = Crossover()
    added_mass: AddedMass = AddedMass()
    test_box: TestBox = TestBox()
    volumes: Volumes = Volumes()
    lining: tuple[Lining, ...] = ()
    stuffing: tuple[LooseFibre, ...] = ()
    notes: Text = ""


LEAST_SIDE_MM = 50.0
LEAST_LITRES, MOST_LITRES = 0.3, 2000.0
"""What no box of a loudspeaker is beyond: then the lengths are likely in another unit."""


def doubt_of_inside(inside_mm: tuple[float, float, float]) -> str | None:
    """A sentence where (height, width, depth) are hardly millimetres; None where they may be."""
    litres = math.prod(inside_mm) / 1e6
    size = " x ".join(f"{length:g}" for length in inside_mm)
    if min(inside_mm) >= LEAST_SIDE_MM and LEAST_LITRES <= litres <= MOST_LITRES:
        return None
    what = f"an inside of {size} millimetres holds {litres:.3g} litres"
    if min(inside_mm) < LEAST_SIDE_MM and litres <= MOST_LITRES:
        what += f" and is {min(inside_mm):g} millimetres at its narrowest"
    times_ten = " x ".join(f"{10 * length:g}" for length in inside_mm)
    remedy = f"; if these are centimetres, write {times_ten}" if litres < LEAST_LITRES else "; check the lengths"
    return f"{what}, which hardly any box is{remedy} (inside_mm in {DESCRIPTION_FILE})"


def read_toml(path: Path) -> dict[str, Any]:
    """Parse a small TOML file; StillboxError names file, place, fault and remedy for any bytes in it."""
    try:
        return parse_toml(read_small_text(path))
    except OSError as error:
        raise StillboxError(
            f"cannot read {path}: {why_unreadable(error)}", "check the path and the rights there"
        ) from error
    except ValueError as error:
        raise StillboxError(f"cannot read {path}: {why_unreadable(error)}", "mend it in a text editor") from error


def read_description(path: Path) -> BuildDescription:
    """Read ``build.toml``.

    Raises
    ------
    StillboxError
        Names the file, the key, the value received, the range allowed and the remedy.
    """
    document = read_toml(path)
    try:
        return BuildDescription.model_validate(document)
    except ValidationError as error:
        fault, remedy = describe_fault(error, _sections())
        raise StillboxError(f"{path}: {fault}", remedy) from error


def _sections() -> dict[str, tuple[str, ...]]:
    """What ``build.toml`` may hold, as a person writes it."""
    sections = sections_of(BuildDescription)
    return {**sections, "limits": (*Limits.model_fields, *SUBJECTS, "drivers")}


def description_template(
    name: str,
    inside_mm: tuple[float, float, float] | None,
    rated_ohm: float | None,
    metres_above_sea: float | None = None,
) -> str:
    """Text of a new ``build.toml``: every key with its meaning, what is unknown commented out."""
    import tomlkit

    height, width, depth = inside_mm or (600.0, 350.0, 280.0)
    inside_line = f"inside_mm = {{ height = {height:g}, width = {width:g}, depth = {depth:g} }}"
    rated_line = f"rated_ohm = {8.0 if rated_ohm is None else rated_ohm:g}"
    height_line = f"metres_above_sea = {0.0 if metres_above_sea is None else metres_above_sea:g}"
    return _TEMPLATE.format(
        height_line=height_line if metres_above_sea is not None else "# " + height_line,
        name=tomlkit.item(name).as_string(),
        inside_line=inside_line if inside_mm else "# " + inside_line,
        rated_line=rated_line if rated_ohm else "# " + rated_line,
    )


_TEMPLATE = """\
# A build of Stillbox. Edit by hand; take the # away from a line once you know its value. All lengths in mm.

name = {name}

# Inside of the empty box, wall to wall. Standing waves are told by it.
{inside_line}

# Rated impedance printed on the speaker, ohm.
{rated_line}

# Temperature of the air in the box, degrees C. The speed of sound follows it.
temperature_c = 20

# Height above the sea, m: air is thinner and softer up there, and Vas follows it.
{height_line}
# Or the air pressure itself, hPa, as a barometer on the spot shows it (weather reports give it for sea level).
# pressure_hpa = 1013

# Anything you want to remember.
notes = ""

[driver]
# Diameter of the cone with half of its surround.
# diameter_mm = 165
# Centre of the cone on the front, measured on the inside from the top and from the left wall.
# from_top_mm = 150
# from_left_mm = 175
# Tolerance of the diameter, percent.
# diameter_tolerance_percent = 1.5
# DC resistance by multimeter with its leads subtracted, ohm, and the meter's tolerance, percent.
# re_ohm = 5.7
# re_tolerance_percent = 1.0
# Excursion one way that the maker allows, mm.
# xmax_mm = 5
# In a speaker of several drivers: the name of this one, the one in the box, in 'stillbox record --driver NAME'.
# name = "woofer"

# The other drivers, each by the name that its takes have; what may be said is as above.
# [drivers.tweeter]
# diameter_mm = 25
# re_ohm = 5.2

[port]
# Inner diameter and length of the port. Leave all of this out for a closed box.
# diameter_mm = 70
# length_mm = 150
# Thickness of the tube's wall.
# wall_mm = 3
# Centre of the port on the front, measured on the inside from the top and from the left wall.
# from_top_mm = 480
# from_left_mm = 175

[wall]
# What the walls are made of, and how thick they are.
# material = "MDF"
# thickness_mm = 19
""" + TEMPLATE + """
# Tolerance of the crossover's parts, percent; of all, and of single ones by their names in the netlist.
# [crossover]
# tolerance_percent = 5
# parts = {{ C2 = 10, R1 = 1 }}

[limits]
# What a live sweep never exceeds. Without a value of yours: 2 V, 0.25 W in the resistor, 1 W in the speaker.
# Voltage at the clips with nothing on them, V rms.
# clips_volts = 2.0
# Rating of the reference resistor, and what the speaker may get, W.
# resistor_watts = 0.25
# speaker_watts = 1.0
# For a tweeter without its series capacitor: nothing below this frequency is played, Hz.
# lowest_hz = 800
# A section with the name of a subject sets other limits for it alone:
# [limits.free-air]
# clips_volts = 0.5
# The terminals of a driver by name, other than the one in the box, are not swept before its lowest frequency is told:
# for a tweeter no less than twice its resonance.
# [limits.drivers.tweeter]
# lowest_hz = 1500
"""

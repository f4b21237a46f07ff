"""What is told of the parts of a finished speaker from its curve: values, verdicts, and what is wrong. Plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

from stillbox.analysis.network.network import Network
from stillbox.analysis.parts.kinds import Kind
from stillbox.capture.arrays import ComplexArray, FloatArray

FaultKind = Literal["value", "open", "short", "loss", "exchanged", "driver not connected"]
FAULT_KINDS: tuple[FaultKind, ...] = get_args(FaultKind)

Verdict = Literal["within", "outside", "cannot be told"]


@dataclass(frozen=True)
class Fault:
    """One thing that may be wrong in a network, without its size.

    Attributes
    ----------
    kind : str
    part : str
        Name of a part, or of the driver that is not connected.
    other : str
        With which part it is exchanged; else empty.
    """

    kind: FaultKind
    part: str
    other: str = ""

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of all that is wrong in it."""
        return (self.part, self.other) if self.other else (self.part,)


@dataclass(frozen=True)
class PartAsMeasured:
    """A part as the curve has it, together with what was known of it beforehand.

    Attributes
    ----------
    planned : float
        By the netlist, F, H or ohm.
    value, value_std : float
        As measured, in the same unit: with the suspect's fault where there is one; NaN for one that is open or shorted.
    loss_ohm, loss_std_ohm : float
        Resistance in series; 0 for a resistor.
    told : bool
        Whether the curve tells more of the value than the tolerance did.
    """

    name: str
    kind: Kind
    planned: float
    value: float
    value_std: float
    loss_ohm: float
    loss_std_ohm: float
    tolerance_percent: float
    verdict: Verdict
    told: bool


@dataclass(frozen=True)
class Suspect:
    """A fault that explains the curve.

    Attributes
    ----------
    value, value_std : float or None
        What the part seems to have where its value is wrong, F, H or ohm.
    loss_ohm, loss_std_ohm : float or None
        The resistance in series with it where that is wrong.
    probability : float
        Among all single faults and a network as planned.
    evidence, look_at : tuple of str
    """

    fault: Fault
    value: float | None
    value_std: float | None
    loss_ohm: float | None
    loss_std_ohm: float | None
    probability: float
    evidence: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()

    def with_words(self, evidence: tuple[str, ...], look_at: tuple[str, ...]) -> Suspect:
        """The same with words."""
        return replace(self, evidence=evidence, look_at=look_at)


@dataclass(frozen=True)
class WrongPart:
    """What the curve of a finished speaker says of its crossover.

    Attributes
    ----------
    sentence : str
        What was found, in plain words.
    parts : tuple of PartAsMeasured
        In the order of the netlist.
    suspect : Suspect or None
        The likeliest fault; None where all is as planned within tolerance, or nothing explains the curve.
    alternatives : tuple of Suspect
        Others that the curve cannot tell from it, the likeliest first.
    tell_apart_by : str
        The measurement that would tell them apart; empty where none is needed.
    planned_probability : float
        That all is as planned within tolerance, as long as no more than one thing is wrong.
    explained : bool
        Whether anything explains the curve: where not, no suspect is named.
    misfit_percent, planned_misfit_percent : float
        How far model and curve lie apart, percent of the impedance, rms over where the curve tells of the network: with
        what was found, and with the suspect as planned and all else as found.
    as_measured : Network
        The network with the values as measured, and with the suspect's fault.
    frequency_hz, measured_ohm, fitted_ohm, planned_ohm : ndarray, shape (n,)
        The curve, what was found, and that with the suspect as planned and all else as found.
    drivers_ohm : mapping of str to ndarray, shape (n,)
        Impedance of each driver as fitted along; of one in a box without its peaks in the bass.
    """

    sentence: str
    parts: tuple[PartAsMeasured, ...]
    suspect: Suspect | None
    alternatives: tuple[Suspect, ...]
    tell_apart_by: str
    planned_probability: float
    explained: bool
    misfit_percent: float
    planned_misfit_percent: float
    as_measured: Network
    frequency_hz: FloatArray
    measured_ohm: ComplexArray
    fitted_ohm: ComplexArray
    planned_ohm: ComplexArray
    drivers_ohm: Mapping[str, ComplexArray]
    warnings: tuple[str, ...] = ()

    @property
    def left_percent(self) -> dict[str, float]:
        """What is left of the tolerance of each part, as half the width of an even distribution, percent."""
        return {
            part.name: min(100 * 3**0.5 * part.value_std / part.value, part.tolerance_percent)
            for part in self.parts
            if part.value_std > 0
        }

    def part(self, name: str) -> PartAsMeasured:
        """The part of that name."""
        return next(part for part in self.parts if part.name == name)

"""A wrong part in words: what it is, why it is thought so, what to look at."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.network.network import Network, Part
from stillbox.analysis.parts.part_codes import value_words
from stillbox.analysis.wrong_part.many_speakers import Curve
from stillbox.analysis.wrong_part.result import Fault, PartAsMeasured, Suspect
from stillbox.capture.arrays import ComplexArray

BOX_IS_OVER_HZ = 250.0
"""Below it the box makes what it likes of a driver that was swept in free air: no evidence is shown from there."""
LOOSE = {
    "capacitor": "a leg that broke or a joint that is cold",
    "coil": "an end whose enamel was not scraped off, a joint that is cold",
    "resistor": "a resistor that burnt out, a joint that is cold",
}
BRIDGED = {
    "capacitor": "a bridge of solder, or a capacitor that broke down",
    "coil": "a bridge of solder, or turns that touch",
    "resistor": "a bridge of solder, or a wire that touches",
}
LOSSY = {
    "capacitor": "a joint that is cold, or an electrolytic capacitor that dried out",
    "coil": "a joint that is cold, or a coil of thinner wire than planned",
}


def fault_words(suspect: Suspect, network: Network) -> str:
    """What is wrong, as a clause: C2 is 3.1 µF instead of 6.8 µF."""
    fault = suspect.fault
    if fault.kind == "driver not connected":
        return f"driver {fault.part} is not connected"
    part = network.part(fault.part)
    if fault.kind == "value":
        return f"{part.name} seems to be {value_words(suspect.value or 0.0, part.kind)} instead of {_planned(part)}"
    if fault.kind == "loss":
        planned = f" instead of {short_number(part.loss_ohm, 3)} ohm" if part.loss_ohm else ""
        return f"{part.name} has {short_number(suspect.loss_ohm or 0.0, 3)} ohm in series{planned}"
    if fault.kind == "exchanged":
        other = network.part(fault.other)
        return f"{part.name} ({_planned(part)}) and {other.name} ({_planned(other)}) seem to be exchanged"
    return f"{part.name} is {'open' if fault.kind == 'open' else 'shorted'}"


def _planned(part: Part) -> str:
    return value_words(part.value, part.kind)


def opening_sentence(
    suspect: Suspect | None,
    others: Sequence[Suspect],
    parts: Sequence[PartAsMeasured],
    network: Network,
    explained: bool,
    maybe_planned: bool,
) -> str:
    """What was found, in one plain sentence."""
    if not parts:
        return "The netlist has no parts: there is nothing of them to judge."
    if not explained:
        return (
            "No single wrong part explains this curve: look whether the netlist and the takes of the drivers are of "
            "this speaker, or whether more than one thing is wrong."
        )
    wrong = () if suspect is None else suspect.fault.parts
    beside = [_off_words(part) for part in parts if part.verdict == "outside" and part.name not in wrong]
    if suspect is None:
        return _sentence_of_no_suspect(others, beside, network)
    what = fault_words(suspect, network)
    chance = f"{100 * suspect.probability:.0f} %" if suspect.probability < 0.995 else "more than 99 %"
    also = [fault_words(one, network) for one in others]
    if maybe_planned:
        also.append("all parts are as planned")
    if beside:
        rivals = f"; of the first this curve cannot tell whether it is not: {'; '.join(also)}" if also else ""
        return f"More than one thing seems to be wrong: {what}, and then {' and '.join(beside)}{rivals}."
    if not also:
        return f"One part is wrong: {what} (probability {chance})."
    return f"Most likely {what} (probability {chance}), but this curve cannot tell it from: {'; '.join(also)}."


def _sentence_of_no_suspect(others: Sequence[Suspect], beside: Sequence[str], network: Network) -> str:
    doubts = f"this curve cannot rule out that {'; '.join(fault_words(one, network) for one in others)}"
    if beside:
        rest = f", and {doubts}" if others else ""
        return f"No part stands out as wrong, but {' and '.join(beside)}{rest}."
    if others:
        return f"The crossover is rather as planned, but {doubts}."
    return "The crossover is as planned, within the tolerances of its parts."


def _off_words(part: PartAsMeasured) -> str:
    """A value outside of its tolerance: C1 is 14 % more than planned, tolerance 10 %."""
    off = 100 * (part.value / part.planned - 1)
    return (
        f"{part.name} is {short_number(abs(off), 2)} % {'more' if off > 0 else 'less'} than planned, "
        f"tolerance {part.tolerance_percent:g} %"
    )


def evidence_of(
    suspect: Suspect,
    network: Network,
    curve: Curve,
    mended_ohm: ComplexArray,
    off_percent: float,
    mended_off_percent: float,
) -> tuple[str, ...]:
    """Why a fault is believed: how near the curve comes with it, and how far off it would be with that part right.

    Parameters
    ----------
    mended_ohm : complex ndarray, shape (n,)
        With that one fault undone, all else as found.
    off_percent, mended_off_percent : float
        Rms, where the curve tells of the network.
    """
    fault = suspect.fault
    right = f"with {' and '.join(fault.parts)} {'connected' if fault.part not in _names(network) else 'as planned'}"
    apart = np.abs(np.log(mended_ohm / curve.impedance_ohm)) * (curve.frequency_hz > BOX_IS_OVER_HZ)
    place = int(np.argmax(apart))
    measured, other = abs(curve.impedance_ohm[place]), abs(mended_ohm[place])
    return (
        f"with that the curve is met to {short_number(max(off_percent, 0.01))} %; {right} it would be off by "
        f"{short_number(max(mended_off_percent, 0.01))} % (rms, where it tells of the network)",
        f"at {frequency_words(float(curve.frequency_hz[place]))} {measured:.3g} ohm are measured; {right} it would be "
        f"{other:.3g} ohm",
    )


def _names(network: Network) -> list[str]:
    return [part.name for part in network.parts]


def places_to_look(fault: Fault, network: Network) -> tuple[str, ...]:
    """What to look at, in the order in which a person would."""
    return tuple(_places(fault, network))


def _places(fault: Fault, network: Network) -> Iterator[str]:
    if fault.kind == "driver not connected":
        yield f"look at the wires and plugs of driver {fault.part}, and at their joints on the crossover"
        yield "hold an ohmmeter to the driver's own terminals, off the crossover: is the voice coil whole?"
        return
    part = network.part(fault.part)
    if fault.kind == "value":
        yield f"read what is printed on {part.name}: planned is {_planned(part)}"
        if part.kind == "coil":
            yield f"look whether {part.name} lies on another coil or on iron, or has lost turns"
    elif fault.kind == "exchanged":
        yield f"read what is printed on {part.name} and {fault.other}: each may lie in the other's place"
    elif fault.kind == "open":
        yield f"look at both ends of {part.name}: {LOOSE[part.kind]}"
    elif fault.kind == "short":
        yield f"look around {part.name}: {BRIDGED[part.kind]}"
    else:
        yield f"look at {part.name} and its joints: {LOSSY[part.kind]}"

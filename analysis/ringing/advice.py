"""The first line of advice for a resonance, by cause, frequency and Q.

All of it is common practice, no source, but for the physics of where the air moves: at a wall the pressure of a
standing wave is largest and the air stands still; it moves most a quarter of a wavelength away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.impedance.findings import Cause
from stillbox.analysis.physics.cavity import FLANGED_END, FREE_END, RoomMode

_FOAM_HELPS_FROM_HZ = 1_000.0
"""A quarter of a wavelength is 86 mm there: foam of some tens of millimetres reaches where the air moves."""
_SPEED_M_S = 344.0
"""At 20 degrees C (Cramer 1993): for places to a centimetre."""
_LINING_MM, _STEP_MM = (20, 50), 10
"""Foam as it is sold: thinnest and thickest sheet, in steps."""
_MOST_PLACES = 4
"""Fillings across one dimension that are worth naming: with more of them it is filled all over."""
_DAMPED_Q = 10.0
"""A wall of less has lost all that a damping layer could take: two boards on a lossy glue have Q 3 to 7 (loss factor
0.15 to 0.3: Ross, Ungar and Kerwin 1959 [M])."""
_FIBRE = "wear gloves and a mask against fibre dust"
_GLUE = "ventilate when gluing and follow the adhesive's data sheet"

_SHORTER = 0.7
"""Length of a port that rings higher, over the present one."""
_TREATED = 0.5
"""Share of the air's motion energy at a filling from which on it works on a standing wave."""
_ROUNDING = 1e-9
"""A half made of sines may come out a little less."""


@dataclass(frozen=True)
class Advice:
    """What to begin with, and what else there is to say: its limits, its cost, the caution that applies."""

    step: str
    more: str

    @property
    def text(self) -> str:
        """Both, as one to three sentences."""
        return self.step + self.more


@dataclass(frozen=True)
class VentedBox:
    """What advice must know of a port: its size and the places of cone and port along height, width, depth.

    What is None is not known.
    """

    diameter_mm: float | None = None
    length_mm: float | None = None
    cone_mm: tuple[float | None, float | None, float | None] = (None, None, None)
    port_mm: tuple[float | None, float | None, float | None] = (None, None, None)


def first_advice(
    cause: Cause, frequency_hz: float, q: float, mode: RoomMode | None = None, vented: VentedBox | None = None
) -> Advice:
    """What helps at that frequency, what cannot, what it costs, and the caution that applies.

    Parameters
    ----------
    cause : Cause
    frequency_hz, q : float
    mode : RoomMode, optional
        The standing wave, if that is the cause.
    vented : VentedBox, optional
        The port, if the box has one.
    """
    if cause == "standing wave":
        return _standing_wave(frequency_hz, mode, vented)
    if cause == "wall":
        return _wall(frequency_hz, q)
    if cause == "driver":
        return Advice(
            "Nothing to be done in the box: it is in the driver",
            ". If it can be heard, a notch in the crossover or a lower crossover point.",
        )
    if cause == "port":
        return _port(VentedBox() if vented is None else vented)
    if cause == "crossover":
        return Advice(
            "Nothing to be done in the box: it is of the crossover, or of another driver seen through it. Give the "
            "netlist (stillbox crossover BUILD --netlist FILE), and the box is read through it",
            "; or sweep the woofer in its box on its own terminals, crossover off (--driver NAME). If no bump was "
            "planned there, measure the parts.",
        )
    if cause == "room":
        return Advice(
            "It belongs to the room, not to the speaker: move the speaker by a metre, or measure outdoors",
            "; then it is gone or elsewhere, and nothing is to be done in the box.",
        )
    return Advice(
        "Try before you cut: press a hand on each wall, then put filling in the middle of the box, and sweep after "
        "each",
        f"; what changes the peak is the cause ({_FIBRE}).",
    )


def treated_together(modes: Sequence[RoomMode | None]) -> list[int]:
    """For each standing wave, in the order of frequency, the one whose filling treats it: itself, or an earlier one.

    A filling across one dimension works on every mode whose air moves there: velocity goes as sin(n pi x / L).
    """
    leads: list[int] = []
    result = []
    for index, mode in enumerate(modes):
        lead = next((one for one in leads if _treats(modes[one], mode)), index)
        if lead == index:
            leads.append(index)
        result.append(lead)
    return result


def _treats(filled: RoomMode | None, mode: RoomMode | None) -> bool:
    if filled is None or mode is None or filled.dimensions != 1:
        return False
    axis = next(index for index, order in enumerate(filled.orders) if order)
    order, other = filled.orders[axis], mode.orders[axis]
    moved = [math.sin(math.pi * other * (2 * k + 1) / (2 * order)) ** 2 for k in range(order)]
    return sum(moved) / order >= _TREATED - _ROUNDING


def same_filling(lead_hz: float) -> Advice:
    """Advice for a standing wave that the filling for another one treats as well."""
    return Advice(
        f"Fibre filling as for {lead_hz:.0f} Hz: that one treats this standing wave too",
        "; nothing more is to be done.",
    )


def treats_also(others_hz: Sequence[float]) -> str:
    """What is added to the advice that treats more than one standing wave."""
    listed = ", ".join(f"{hz:.0f}" for hz in others_hz)
    return f" The same filling treats {listed} Hz: it is one piece of work."


def _port(port: VentedBox) -> Advice:
    trial = "For a trial put a plug of open foam in it; then measure the tuning again."
    if port.diameter_mm is None or port.length_mm is None:
        return Advice(
            "The port rings as a pipe: a shorter port rings higher and less, but area and length go together",
            "; to keep the tuning it must be narrower by as much, and the air in it faster. Its inner end moved away "
            f"from the cone's line helps too. {trial}",
        )
    length, ends = _SHORTER * port.length_mm, 0.5 * (FLANGED_END + FREE_END)
    # Tuning: area over effective length; d^2/(L + e d) stays.
    kept = port.diameter_mm**2 / (port.length_mm + ends * port.diameter_mm)
    diameter = 0.5 * (kept * ends + math.sqrt((kept * ends) ** 2 + 4 * kept * length))
    higher = (port.length_mm + ends * port.diameter_mm) / (length + ends * diameter)
    faster = (port.diameter_mm / diameter) ** 2
    return Advice(
        f"The port rings as a pipe: {length:.0f} mm long and {diameter:.0f} mm wide instead of {port.length_mm:.0f} "
        f"and {port.diameter_mm:.0f} mm keeps the tuning (area and length go together) and rings "
        f"{100 * (higher - 1):.0f} % higher",
        f"; the air in it gets {100 * (faster - 1):.0f} % faster. Its inner end moved away from the cone's line helps "
        f"too. {trial}",
    )


def _standing_wave(frequency_hz: float, mode: RoomMode | None, vented: VentedBox | None) -> Advice:
    quarter_mm = 1e3 * _SPEED_M_S / frequency_hz / 4
    where = _where(mode, quarter_mm)
    if frequency_hz >= _FOAM_HELPS_FROM_HZ:
        thickness_mm = int(np.clip(_STEP_MM * round(0.5 * quarter_mm / _STEP_MM), *_LINING_MM))
        lining = f"a lining of {thickness_mm} mm or more on one of the facing walls helps too"
    else:
        lining = (
            f"thin foam on a wall does next to nothing at {frequency_hz:.0f} Hz, "
            f"for there the air stands still (a quarter of the wavelength is {quarter_mm:.0f} mm)"
        )
    fixed = f"Fix it so that it cannot reach the cone; {_FIBRE}."
    return Advice(f"Fibre filling {where}, where the air moves", f"; {lining}. {_keep_free(mode, vented)}{fixed}")


def _keep_free(mode: RoomMode | None, vented: VentedBox | None) -> str:
    """Where filling costs bass in a vented box: all the air of the port goes the way from the cone to it."""
    if vented is None:
        return ""
    general = (
        "Keep the way from the cone to the port free, a port's width around its inner end above all: filling there "
        "costs bass"
    )
    if mode is None or mode.dimensions != 1:
        return f"{general}. "
    axis = next(index for index, order in enumerate(mode.orders) if order)
    cone, port = vented.cone_mm[axis], vented.port_mm[axis]
    if cone is None or port is None or mode.orders[axis] != 1:
        return f"{general}. "
    if min(cone, port) < 0.5 * mode.inside_mm[axis] < max(cone, port):
        return (
            f"{general}, and that middle lies on it: fill the back half only, leave the front open, and look at "
            "the bass after. "
        )
    return f"{general}; that middle does not lie on it. "


def _where(mode: RoomMode | None, quarter_mm: float) -> str:
    if mode is None or mode.dimensions != 1:
        return f"about {quarter_mm:.0f} mm away from the walls"
    axis = next(index for index, order in enumerate(mode.orders) if order)
    along = ("height", "width", "depth")[axis]
    order, length = mode.orders[axis], mode.inside_mm[axis]
    if order == 1:
        return f"across the middle of the {along}"
    places = ", ".join(f"{(2 * k + 1) * length / (2 * order):.0f}" for k in range(min(order, _MOST_PLACES)))
    return f"across the {along} at {places} mm from one end"


def _wall(frequency_hz: float, q: float) -> Advice:
    damped = (
        "constrained-layer damping (a second thin board on a soft, lossy glue) takes its Q down"
        if q >= _DAMPED_Q
        else "it is damped already, so stiffness is what is left"
    )
    return Advice(
        f"Find the wall that rings at {frequency_hz:.0f} Hz with a finger or a stethoscope",
        f"; a brace off its middle moves it up, {damped}; filling in the box does nothing for it ({_GLUE}).",
    )

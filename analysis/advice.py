"""The first line of advice for a resonance, by cause, frequency and Q.

All of it is common practice, no source, but for the physics of where the air moves: at a wall the pressure of a
standing wave is largest and the air stands still; it moves most a quarter of a wavelength away.
"""

from __future__ import annotations

from analysis.cavity import RoomMode
from analysis.findings import Cause

_FOAM_HELPS_FROM_HZ = 1_000.0
_SPEED_M_S = 344.0
_FIBRE = "wear gloves and a mask against fibre dust"
_GLUE = "ventilate when gluing and follow the adhesive's data sheet"


def first_advice(cause: Cause, frequency_hz: float, q: float, mode: RoomMode | None = None) -> str:
    """One or two sentences: what helps at that frequency, what cannot, and the caution that applies.

    Parameters
    ----------
    cause : Cause
    frequency_hz, q : float
    mode : RoomMode, optional
        The standing wave, if that is the cause.
    """
    if cause == "standing wave":
        return _standing_wave(frequency_hz, mode)
    if cause == "wall":
        return _wall(frequency_hz, q)
    if cause == "driver":
        return (
            "Nothing to be done in the box: it is in the driver. If it can be heard, a notch in the crossover or a "
            "lower crossover point."
        )
    if cause == "port":
        return (
            "The port rings as a pipe: a shorter or wider port, its inner end moved away from the cone's line, or a "
            "plug of open foam in it for a trial; then measure the tuning again."
        )
    if cause == "room":
        return (
            "It belongs to the room, not to the speaker: move the speaker by a metre, or measure outdoors; then it is "
            "gone or elsewhere, and nothing is to be done in the box."
        )
    return (
        "Try before you cut: press a hand on each wall, then put filling in the middle of the box, and sweep after "
        f"each; what changes the peak is the cause ({_FIBRE})."
    )


def _standing_wave(frequency_hz: float, mode: RoomMode | None) -> str:
    quarter_mm = 1e3 * _SPEED_M_S / frequency_hz / 4
    where = _where(mode, quarter_mm)
    if frequency_hz >= _FOAM_HELPS_FROM_HZ:
        thickness_mm = min(50, max(20, 10 * round(quarter_mm / 20)))
        lining = f"a lining of {thickness_mm} mm or more on one of the facing walls helps too"
    else:
        lining = (
            f"thin foam on a wall does next to nothing at {frequency_hz:.0f} Hz, "
            f"for there the air stands still (a quarter of the wavelength is {quarter_mm:.0f} mm)"
        )
    return f"Fibre filling {where}, where the air moves; {lining}. Fix it so that it cannot reach the cone; {_FIBRE}."


def _where(mode: RoomMode | None, quarter_mm: float) -> str:
    if mode is None or mode.dimensions != 1:
        return f"about {quarter_mm:.0f} mm away from the walls"
    axis = next(index for index, order in enumerate(mode.orders) if order)
    along = ("height", "width", "depth")[axis]
    order, length = mode.orders[axis], mode.inside_mm[axis]
    if order == 1:
        return f"across the middle of the {along}"
    places = ", ".join(f"{(2 * k + 1) * length / (2 * order):.0f}" for k in range(min(order, 4)))
    return f"across the {along} at {places} mm from one end"


def _wall(frequency_hz: float, q: float) -> str:
    damped = (
        "constrained-layer damping (a second thin board on a soft, lossy glue) takes its Q down"
        if q >= 10
        else "it is damped already, so stiffness is what is left"
    )
    return (
        f"Find the wall that rings at {frequency_hz:.0f} Hz with a finger or a stethoscope; a brace off its middle "
        f"moves it up, {damped}; filling in the box does nothing for it ({_GLUE})."
    )

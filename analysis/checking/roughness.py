"""Whether something rubs, buzzes or rattles: what is left of the current far above what is swept."""

from __future__ import annotations

import numpy as np

from stillbox.analysis.checking.result import CheckSuspect, Item
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.sweeps.sweep_rest import LEAST_ORDER, SweepRest
from stillbox.capture.arrays import ComplexArray, FloatArray

LEAST_DB = 5.0
"""Above the noise, or above the other speaker: means over a twelfth of an octave scatter by 0.5 dB by chance."""
CELLS = 2
"""Neighbours that must be rough: a click in the room is in one."""
FARTHER, NARROW_OCTAVES = 1.05, 0.4
"""Something loose is told from a rub where the cone goes farther than while it is rough, and it stays quiet."""


def roughness(
    rest: SweepRest,
    other: SweepRest | None,
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    reference_ohm: float,
) -> tuple[Item, CheckSuspect | None]:
    """Roughness of the current against the noise, and against what the take is set against.

    Parameters
    ----------
    rest, other : SweepRest
        Of the take and of the one that it is set against.
    frequency_hz, impedance_ohm : ndarray, shape (n,)
        At the clips: tell where the cone goes far.
    reference_ohm : float
        Of the jig.
    """
    usual = np.zeros(rest.rough_hz.size)
    if other is not None and other.rough_hz.size:
        usual = np.maximum(np.interp(rest.rough_hz, other.rough_hz, other.rough_db), 0.0)
    over = rest.rough_db - usual
    rough = _with_neighbours(over > LEAST_DB)
    largest = int(np.argmax(np.where(rough, over, -np.inf))) if rough.any() else int(np.argmax(over))
    limit_from = (
        f"noise of the silences{' and the roughness of the take it is set against' if other is not None else ''}, from "
        f"the {LEAST_ORDER}th harmonic on: what amplifier and card add is in both channels and falls out; "
        f"{LEAST_DB:g} dB is ten times the scatter of such means"
    )
    value, expected = float(rest.rough_db[largest]), float(usual[largest])
    limit = expected + LEAST_DB
    if not rough.any():
        return Item("roughness", "good", value, expected, None, limit, "dB", limit_from), None
    moved = _moved(rest.rough_hz, frequency_hz, impedance_ohm, reference_ohm)
    at_hz = float(rest.rough_hz[largest])
    loose = _is_locked(rest.rough_hz, rough, moved)
    places = ", ".join(_spans(rest.rough_hz, rough))
    evidence = (f"{value:.0f} dB above the noise while {places} is swept",)
    if loose:
        words = f"something loose rattles near {frequency_words(at_hz)}"
        remedy = f"play a tone of {frequency_words(at_hz)} softly; press panels, wires, screws and the grille in turn"
        more = (*evidence, "the cone goes farther at other frequencies, and it stays quiet there")
        suspect = CheckSuspect("loose part", None, None, at_hz, 0.8, more, words, remedy)
    else:
        words = f"something rubs or buzzes while the cone moves far ({places})"
        remedy = (
            "push the cone in and out gently and listen at the coil; look whether a wire or the gasket touches the "
            "cone, and whether the driver's screws bend its basket"
        )
        more = (*evidence, "it is where the cone goes farthest")
        suspect = CheckSuspect("rub", None, None, at_hz, 0.8, more, words, remedy)
    return Item("roughness", "look", value, expected, None, limit, "dB", limit_from, remedy), suspect


def _with_neighbours(rough: np.ndarray) -> np.ndarray:
    """Those that stand together with another one."""
    beside = np.convolve(rough, np.ones(CELLS + 1), "same")
    found: np.ndarray = rough & (beside >= CELLS)
    return found


def _moved(at_hz: FloatArray, hz: FloatArray, ohm: ComplexArray, reference_ohm: float) -> FloatArray:
    """Excursion of the cone, in units of no meaning: motional voltage over frequency."""
    bass = (hz > 20) & (hz < 1000)
    motional = np.abs(ohm - np.min(ohm.real[bass]))
    found: FloatArray = np.interp(at_hz, hz, motional / (hz * np.abs(ohm + reference_ohm)))
    return found


def _is_locked(at_hz: FloatArray, rough: np.ndarray, moved: FloatArray) -> bool:
    """Whether roughness keeps to one place, and not to where the cone goes far."""
    if rough.all():
        return False
    octaves = float(np.log2(at_hz[rough].max() / at_hz[rough].min()))
    farther = float(np.max(moved[~rough])) > FARTHER * float(np.max(moved[rough]))
    beyond = float(np.mean(moved[~rough] > np.median(moved[rough])))
    return farther or (octaves < NARROW_OCTAVES and beyond > 0.05)


def _spans(at_hz: FloatArray, rough: np.ndarray) -> list[str]:
    """Stretches of what is rough, in words."""
    places = np.flatnonzero(rough)
    return [
        f"{frequency_words(float(at_hz[group[0]]))} to {frequency_words(float(at_hz[group[-1]]))}"
        for group in np.split(places, np.flatnonzero(np.diff(places) > CELLS) + 1)
    ]

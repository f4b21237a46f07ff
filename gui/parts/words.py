"""Words of the window: what subjects and quantities mean, and the sentence at the top of the results. No Qt here."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stillbox.analysis.maths.number_words import frequency_words as frequency_words
from stillbox.analysis.maths.number_words import ohm_words as ohm_words

if TYPE_CHECKING:
    from stillbox.analysis.impedance.findings import ResonanceFit
    from stillbox.capture.recording.take import TakeInfo

SUBJECT_WORDS: dict[str, tuple[str, str]] = {
    "in-box": (
        "Speaker in its box",
        "The finished box on the clips: its resonances and their causes are read from it.",
    ),
    "free-air": ("Driver in free air", "The bare driver, held so that its cone moves freely, far from walls."),
    "added-mass": ("Driver with added mass", "Free air again with a known mass stuck to the cone: gives Vas."),
    "test-box": ("Driver in a test box", "The driver on a closed box of known volume: gives Vas without added mass."),
    "part": ("Crossover part", "One coil, resistor or (discharged) capacitor, out of its circuit at one end at least."),
    "microphone": ("Microphone", "Speaker on the jig's source; a microphone on input 2."),
    "check-resistor": ("Check resistor", "A resistor you know, measured like a speaker: proves the whole chain."),
    "channel-match": ("Calibrate: channel match", "Both inputs on the source side: removes what the inputs differ by."),
    "open": ("Calibrate: open", "Nothing on the clips: removes how the inputs load the jig."),
    "short": ("Calibrate: short", "Both clips on one bare copper wire: removes leads and contacts."),
    "load": ("Calibrate: load", "A resistor of known value on the clips: sets the ohm."),
}
"""Title and meaning of each subject, in the order of the list."""

MEANING = {
    "impedance": "Impedance: how much the speaker resists alternating current at a frequency, in ohm. "
    "The band around the line holds two standard deviations.",
    "phase": "Phase: by how many degrees the voltage runs ahead of the current.",
    "Q": "Q: how long a resonance rings. It falls by 27.3 dB in Q cycles; twice the Q rings twice as long.",
    "height": "Height: by how many ohms a resonance lifts the impedance. ± is one standard deviation.",
    "limit": "Detection limit: the smallest resonance that this measurement could still have seen (Q 10, found "
    "with 95 % probability). Hatched: too small to be seen beside what was found.",
    "decay": "Decay: how the sound that the box gives back dies away, from the impedance alone. "
    "0 dB is the flat start; ridges that last are resonances.",
    "sure": "How probable the cause is among all that were considered.",
    "cycles": "Time in cycles of each frequency: ridges of the same Q then have the same length.",
    "dBFS": "Level below full scale of the converter; 0 dBFS clips.",
}
RESONANCE_TIP = f"{MEANING['Q']}\n{MEANING['height']}\n{MEANING['sure']}"
"""For a list of resonances."""


def sentence_of_fit(take: TakeInfo, fit: ResonanceFit, in_box: bool) -> str:
    """For speakers that are not in their box; ``in_box`` says whether there is a take of it in its box."""
    if not fit.motional:
        return "No fundamental peak found: is a driver on the clips?"
    peak = fit.motional[0]
    from stillbox.analysis.impedance.repeatability import USUAL_FUNDAMENTAL
    from stillbox.analysis.maths.quantity import value_text

    repeats_hz = USUAL_FUNDAMENTAL.frequency * peak.frequency_hz
    place = value_text(peak.frequency_hz, math.hypot(peak.frequency_std_hz, repeats_hz), "Hz")
    if take.subject != "free-air":
        more = "Next: sweep the other takes that this one is compared with."
    elif in_box:
        more = "Resonances of the driver are told from those of its box by this take; Show, Driver has its parameters."
    else:
        more = "Next: sweep the finished box; resonances of the driver will then be told from those of the box."
    return f"Fundamental resonance at {place}, {peak.height_ohm:.3g} Ω high, Q {peak.q:.3g}. {more}"


def time_words(seconds: float) -> str:
    """Time left or since: 0.4 s, 12 s, 1 min 5 s."""
    if seconds < 10:
        return f"{max(seconds, 0):.1f} s"
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds // 60:.0f} min {seconds % 60:.0f} s"


def take_words(take: TakeInfo) -> str:
    """A take as a person calls it: lined · A · take 8."""
    return " · ".join((take.state or SUBJECT_WORDS[take.subject][0], take.unit, f"take {take.number}"))

"""What can hurt people or gear at each step, in words to be shown where it applies, never behind a click.

Common practice but for the exposure times, which follow the recommended exposure limit of NIOSH (85 dBA for 8 h,
halved for each 3 dB).
"""

from __future__ import annotations

from typing import Literal

CautionTopic = Literal[
    "amplifier", "tweeter", "hearing", "heat and mains", "parts", "soldering", "materials", "limits"
]

CAUTIONS: dict[CautionTopic, str] = {
    "amplifier": (
        "Start at the lowest level. Never connect a sound card input straight to the output of a power amplifier: it "
        "carries tens of volts, and bridged and class-D outputs have no grounded terminal, so a grounded sound card "
        "would short half of the amplifier. Use the attenuator given for the amplifier's power and stay far below "
        "its rated power."
    ),
    "tweeter": "No sweep into a tweeter below the limit set for the driver without a series capacitor.",
    "hearing": (
        "Sweeps are loud and long: wear ear protection near the speaker. Recommended limits are 8 hours at 85 dBA, "
        "1 hour at 94 dBA, 15 minutes at 100 dBA."
    ),
    "heat and mains": (
        "The reference resistor can get hot enough to burn. Stay out of mains-powered parts of active speakers and "
        "amplifiers; discharge capacitors before touching them."
    ),
    "parts": (
        "Parts of a crossover: amplifier off and unplugged from the speaker before one is touched, lifted or swept. "
        "Capacitors may hold a charge for long: discharge them through a resistor (100 ohm or more), never with "
        "a wire, and lift one leg of what is swept alone. Resistors and coils get hot enough to burn while a speaker "
        "plays: let them cool, and put in no resistor rated for less than twice its heat in 'stillbox crossover'."
    ),
    "soldering": (
        "Soldering irons and fresh joints burn skin, eyes and cable: a stand, glasses, nothing that burns beside it. "
        "Keep out of the fumes: moving air, and clean hands before you eat."
    ),
    "materials": (
        "Spray adhesives, fibres, wood dust and soldering fumes: ventilate, wear gloves and a mask, and follow the "
        "product's data sheet."
    ),
    "limits": "Local electrical codes and licensed practice come first. Stillbox is no safety instrument.",
}

WHERE = "stillbox cautions"
"""The command that prints all of them."""
PARTS_IN_BRIEF = (
    "caution: before parts are touched: amplifier off and unplugged, discharge capacitors through a resistor, let "
    f"resistors and coils cool, keep out of solder fumes; the rest: {WHERE}"
)
LOUDER_IN_BRIEF = (
    "caution: louder sweeps make coils and the reference resistor hot enough to burn: let them cool between takes, "
    "wear ear protection, and keep tweeters within their limits; 'record' goes no louder than [limits] in build.toml; "
    f"the rest: {WHERE}"
)
"""One line each, where much else is said."""


def topics_of(subject: str) -> tuple[CautionTopic, ...]:
    """What applies to a sweep of something real on the clips, by the subject of its take."""
    if subject == "part":
        return ("amplifier", "heat and mains", "parts")
    if subject in ("open", "short", "load", "check-resistor", "channel-match"):
        return ("amplifier", "heat and mains")
    if subject in ("free-air", "added-mass"):
        return ("amplifier", "tweeter", "hearing", "heat and mains")
    return ("amplifier", "hearing", "heat and mains")


def cautions_for(*topics: CautionTopic) -> tuple[str, ...]:
    """The texts of some topics in their usual order; the limits of the instrument always close them."""
    wanted = {*topics, "limits"}
    return tuple(text for topic, text in CAUTIONS.items() if topic in wanted)

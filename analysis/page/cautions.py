"""What can hurt people or gear at each step, in words to be shown where it applies, never behind a click.

Common practice but for the exposure times, which follow the recommended exposure limit of NIOSH (85 dBA for 8 h,
halved for each 3 dB).
"""

from __future__ import annotations

from typing import Literal

CautionTopic = Literal["amplifier", "tweeter", "hearing", "heat and mains", "materials", "limits"]

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
    "materials": (
        "Spray adhesives, fibres, wood dust and soldering fumes: ventilate, wear gloves and a mask, and follow the "
        "product's data sheet."
    ),
    "limits": "Local electrical codes and licensed practice come first. Stillbox is no safety instrument.",
}


def cautions_for(*topics: CautionTopic) -> tuple[str, ...]:
    """The texts of some topics in their usual order; the limits of the instrument always close them."""
    wanted = {*topics, "limits"}
    return tuple(text for topic, text in CAUTIONS.items() if topic in wanted)

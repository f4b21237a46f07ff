"""What is said beside the bass: excursion beyond what is allowed, volumes too far away to foretell, much hatching."""

from __future__ import annotations

from stillbox.analysis.bass.bass import BassCurves, Change, largest
from stillbox.analysis.system.box_sound import HATCHED_DB, HEARD_FROM_HZ, hatched_octaves
from stillbox.capture.build.build_description import BuildDescription

MUCH_HATCHED_OCTAVES = 1.0
"""Of the band shown: from so many octaves in doubt on, it is among the warnings."""
NEAR_VOLUME = (0.7, 1.5)
"""Ratios of volume up to which a changed box keeps its standing waves well enough (tried on circuits)."""


def hatched_warning(curves: BassCurves) -> list[str]:
    """Where much of the level is in doubt."""
    octaves = hatched_octaves(curves.hatched_hz)
    if octaves < MUCH_HATCHED_OCTAVES:
        return []
    return [
        f"over {octaves:.1f} octaves the level is not known better than {HATCHED_DB:g} dB, because small resonances "
        "sound in a way that the terminals do not show; a microphone near the cone does"
    ]


def far_volume(has_waves: bool, change: Change) -> list[str]:
    """Where the standing waves of the box, kept as they are, would no longer be those of the changed one."""
    ratio, (low, high) = change.volume_ratio, NEAR_VOLUME
    if ratio is None or low <= ratio <= high or not has_waves:
        return []
    return [
        f"{100 * ratio:.0f} % of the volume would move the box's standing waves as well, which is not foretold: the "
        f"level may be off by a decibel or two (between {100 * low:.0f} and {100 * high:.0f} % by some tenths at most)"
    ]


def excursion_warning(curves: BassCurves, description: BuildDescription, voltage_v: float, box: str = "") -> list[str]:
    """Where the cone would leave the range that its maker allows, within the range of music."""
    allowed_mm = description.driver.xmax_mm
    if curves.excursion_m is None or allowed_mm is None:
        return []
    place_hz, most_m = largest(curves.frequency_hz, curves.excursion_m, HEARD_FROM_HZ)
    if most_m * 1000 <= allowed_mm:
        return []
    return [
        f"{box}at {voltage_v:g} V the cone moves {1000 * most_m:.1f} mm one way at {place_hz:.0f} Hz, more than the "
        f"{allowed_mm:g} mm allowed"
    ]

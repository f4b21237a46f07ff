"""Published alignments on the same basis as the measured response that stands beside them.

An alignment is a box without coil, creep or anything that hangs on the cone. What a person would get from it is this
driver, coil and all, in a box of that compliance ratio and tuning: its response is computed as that of the measured
box is, over the same reference level.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bass.bass import bass_figures
from stillbox.analysis.enclosure.box_numbers import LN_HELD
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.physics.alignments import (
    ClosedAlignment,
    VentedAlignment,
    alignment_for,
    b4,
    bl4,
    closed_alignment,
)
from stillbox.analysis.system.box_sound import BassSystem
from stillbox.capture.errors import StillboxError

ALIGNMENT_QL = 7.0
"""Losses that published alignments usually assume (Small 1973)."""


@dataclass(frozen=True)
class PublishedBox:
    """An alignment and the 3 dB point of this driver in that box, coil included; None where it has none."""

    alignment: VentedAlignment | ClosedAlignment
    f3_hz: float | None


def published_vented(system: BassSystem, driver: DriverFit) -> tuple[PublishedBox, ...]:
    """Those that this driver leads to, and two for comparison."""
    found = alignment_for(driver.qts.value, ALIGNMENT_QL)
    named = tuple(one for one in (found, b4(ALIGNMENT_QL), bl4(ALIGNMENT_QL)) if one is not None)
    fs_hz = driver.fs_hz.value
    return tuple(PublishedBox(one, _f3_hz(in_box_of_lumps(system, driver, one.alpha, one.h * fs_hz))) for one in named)


def published_closed(system: BassSystem, driver: DriverFit, qtc: float) -> tuple[PublishedBox, ...]:
    """That of a closed box's own total Q: the same box without leak and without anything that swings in it."""
    alpha = float(np.exp(system.numbers.load.ln_alpha))
    kept = float(system.numbers.inside.absorption)
    return (PublishedBox(closed_alignment(qtc), _f3_hz(in_box_of_lumps(system, driver, alpha, None, kept))),)


def _f3_hz(system: BassSystem) -> float | None:
    try:
        return bass_figures(system).f3_hz
    except StillboxError:
        return None


def in_box_of_lumps(
    system: BassSystem, driver: DriverFit, alpha: float, tuning_hz: float | None, absorption: float = 0.0
) -> BassSystem:
    """The driver as measured in free air, its own small resonances included, in a box of lumped elements."""
    model = replace(system.model, small=driver.small, of_driver=driver.small.poles_rad_s.size)
    of_cone, lumps = model.layout.blocks["coil"].stop, model.layout.blocks["changes"].start
    known = driver.parameters[:of_cone], system.parameters[of_cone:lumps], driver.changes
    absent = ("mu", "front", "leak", "leak_mass", "leak_place", "soft", "behind")
    lumped = {**dict.fromkeys(absent, 0.0), "ln_alpha": float(np.log(alpha)), "absorption": absorption}
    lumped["ln_behind_turn"] = LN_HELD
    if tuning_hz is not None:
        lumped |= dict.fromkeys(("port_loss", "kappa", "cone_loss", "way"), 0.0)
        lumped |= {"ln_wb": float(np.log(2 * np.pi * tuning_hz)), "leak": 1 / ALIGNMENT_QL}
    whole = model.layout.changed(np.concatenate(known), **lumped)
    return BassSystem(model, whole, system.reference_s)

"""Published alignments on the same basis as the measured response that stands beside them.

An alignment is a box without coil, creep or anything that hangs on the cone. What a person would get from it is this
driver, coil and all, in a box of that compliance ratio and tuning: its response is computed as that of the measured
box is, over the same reference level.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bass.bass import bass_figures
from stillbox.analysis.lumped.box_model import (
    ABSORPTION,
    BEHIND,
    CONE_LOSS,
    FRONT,
    KAPPA,
    LEAK,
    LEAK_MASS,
    LEAK_PLACE,
    LN_ALPHA,
    LN_BEHIND_TURN,
    LN_HELD,
    LN_WB,
    MU,
    PORT_LOSS,
    SOFT,
    WAY,
)
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
    alpha = float(np.exp(system.parameters[system.box(LN_ALPHA)]))
    kept = system.parameters[system.box(ABSORPTION)]
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
    first = model.first_box
    x = system.parameters[: first + model.box_size].copy()
    x[:first] = driver.parameters[:first]
    x[first + LN_ALPHA] = np.log(alpha)
    for loss in (LEAK, LEAK_MASS, LEAK_PLACE, SOFT, MU, FRONT, BEHIND):
        x[first + loss] = 0.0
    x[first + ABSORPTION], x[first + LN_BEHIND_TURN] = absorption, LN_HELD
    if tuning_hz is not None:
        x[first + LN_WB] = np.log(2 * np.pi * tuning_hz)
        x[first + LEAK] = 1 / ALIGNMENT_QL
        for loss in (PORT_LOSS, KAPPA, CONE_LOSS, WAY):
            x[first + loss] = 0.0
    whole = np.concatenate([x, driver.changes])
    return BassSystem(model, whole, system.reference_s)

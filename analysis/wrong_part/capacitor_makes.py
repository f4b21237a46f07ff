"""Which capacitors are foils and which electrolytic: a netlist does not tell, and what is usual differs a hundredfold.

An electrolytic capacitor has both the resistance of its electrolyte and the loss factor of its oxide; a foil has
neither. One that has the resistance alone is a foil with a bad joint.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.wrong_part.many_speakers import Model, Speakers
from stillbox.analysis.wrong_part.part_impedance import AT_HZ, LEAST_FAULTY_OHM, TOLERANCE_STDS
from stillbox.capture.arrays import FloatArray

FOIL_PERCENT = 5.0
"""Capacitors of this tolerance or a tighter one are hardly ever electrolytic (common practice, no source)."""
ELECTROLYTIC_CHANCE = (0.03, 0.4)
"""Of a tight tolerance, and of a wider one."""
FOIL_OHM, FOIL_FACTOR = (0.012, 0.8), (2e-3, 1.4)
ELECTROLYTIC_PART, ELECTROLYTIC_FACTOR = (0.03, 0.4), (0.04, 0.4)
"""Series resistance over the reactance at 1 kHz, loss factor: middle, and standard deviation of the logarithm."""


@dataclass(frozen=True)
class _Make:
    """Usual losses of one make in each speaker."""

    chance: FloatArray
    ohm: FloatArray
    ohm_std: float
    factor: tuple[float, float]


def settled(model: Model, speakers: Speakers) -> Speakers:
    """Speakers in which each capacitor of untold losses is of the make that its losses are likelier with.

    Their numbers stay as they are; what is usual for them is that of the make, and its chance is counted.
    """
    theta, middle, std = (table.copy() for table in (speakers.theta, speakers.middle, speakers.std))
    log_weight = np.zeros(len(theta))
    for name in _untold(model):
        first = int(model.place[name].start)
        makes = _makes(model, speakers, name)
        numbers = np.log(middle[:, first + 1 : first + 3]) + theta[:, first + 1 : first + 3]
        free = np.isinf(std[:, first + 1])
        density = np.array([_log_density(make, numbers, free) for make in makes])
        which = np.argmax(density, axis=0)
        for number, make in enumerate(makes):
            mine = which == number
            held = mine & ~free
            middle[held, first + 1], std[held, first + 1] = make.ohm[held], make.ohm_std
            middle[mine, first + 2], std[mine, first + 2] = make.factor
            log_weight[mine] += np.log(make.chance[mine])
        theta[:, first + 1 : first + 3] = numbers - np.log(middle[:, first + 1 : first + 3])
    return replace(speakers, theta=theta, middle=middle, std=std, log_weight=log_weight)


def of_other_makes(model: Model, speakers: Speakers, row: int) -> Speakers:
    """One speaker over again for each capacitor of untold losses, with that one's losses as of the other make."""
    names = _untold(model)
    same = settled(model, speakers.some(np.full(len(names), row)))
    theta = same.theta.copy()
    for number, name in enumerate(names):
        first = int(model.place[name].start)
        foil, electrolytic = _makes(model, same, name)
        other = electrolytic if same.middle[number, first + 2] == foil.factor[0] else foil
        if not np.isinf(same.std[number, first + 1]):
            theta[number, first + 1] = np.log(other.ohm[number] / same.middle[number, first + 1])
        theta[number, first + 2] = np.log(other.factor[0] / same.middle[number, first + 2])
    return settled(model, same.at(theta))


def most_usual_ohm(model: Model, speakers: Speakers, row: int, name: str) -> float:
    """Series resistance up to which a coil or a capacitor of a speaker has no fault yet, ohm."""
    part, first = model.network.part(name), int(model.place[name].start)
    usual = model.unknowns_of(name)[1]
    if name in _untold(model):
        foil, electrolytic = _makes(model, speakers, name)
        is_foil = speakers.middle[row, first + 2] == foil.factor[0]
        make = foil if is_foil else electrolytic
        return max(float(make.ohm[row] * np.exp(2 * make.ohm_std)), LEAST_FAULTY_OHM)
    return max(usual.middle * float(np.exp(2 * usual.std)), part.loss_ohm + LEAST_FAULTY_OHM)


def _untold(model: Model) -> list[str]:
    return [part.name for part in model.network.parts if part.kind == "capacitor" and not part.loss_ohm]


def _makes(model: Model, speakers: Speakers, name: str) -> tuple[_Make, _Make]:
    """Foil and electrolytic at the place of a part."""
    first = int(model.place[name].start)
    std = speakers.std[:, first]
    percent = np.where(np.isinf(std), model.tolerance_percent[name], 100 * TOLERANCE_STDS * std)
    chance = np.where(percent <= FOIL_PERCENT * 1.001, *ELECTROLYTIC_CHANCE)
    reactance = 1 / (2 * np.pi * AT_HZ * speakers.middle[:, first])
    part, spread = ELECTROLYTIC_PART
    return (
        _Make(1 - chance, np.full(len(std), FOIL_OHM[0]), FOIL_OHM[1], FOIL_FACTOR),
        _Make(chance, part * reactance, spread, ELECTROLYTIC_FACTOR),
    )


def _log_density(make: _Make, numbers: FloatArray, free: NDArray[np.bool_]) -> FloatArray:
    """Of the logarithms of resistance and factor, shape (speakers, 2)."""
    ohm = ((numbers[:, 0] - np.log(make.ohm)) / make.ohm_std) ** 2 + 2 * np.log(make.ohm_std)
    factor = ((numbers[:, 1] - np.log(make.factor[0])) / make.factor[1]) ** 2 + 2 * np.log(make.factor[1])
    density: FloatArray = np.log(make.chance) - 0.5 * (np.where(free, 0.0, ohm) + factor)
    return density

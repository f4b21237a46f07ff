"""What lines and fills a box in a state: what ``build.toml`` says of it, and what the notebook says beside that."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stillbox.analysis.physics.volume import FIBRES, Stuffing, VolumeItem
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.notebook import Entry

SOLID, FELT, FOAM, WADDING = 0.0, 0.9, 0.97, 0.99
"""Usual part of a material that is air (data sheets of such products give some percent around it [M])."""

POROSITY: Mapping[str, float] = {
    "felt": FELT, "fleece": FELT, "carpet": FELT,
    "foam": FOAM,
    "wadding": WADDING, **dict.fromkeys(FIBRES, WADDING),
    **dict.fromkeys(("bitumen", "butyl", "rubber", "cork", "wood", "plywood", "mdf", "chipboard", "hardboard", "lead",
                     "steel", "aluminium", "tile", "tiles", "plaster", "concrete", "glass"), SOLID),
}  # fmt: skip
"""By words that stand in the name of a material."""
SOLID_KG_M3: Mapping[str, float] = {"felt": 1350.0, "fleece": 1380.0, "carpet": 1300.0, "foam": 1200.0,
                                    "wadding": 1380.0, **{name: of[0] for name, of in FIBRES.items()}}  # fmt: skip
"""Density of what a porous material is made of (fibres: `FIBRES`; polyurethane 1.2 [M]): with its mass it tells the
porosity."""

_NAMES = ("felt", "fleece", "carpet", "foam", "glass wool", "rock wool", *POROSITY)
"""In the order in which they are looked for: wool felt is felt, glass wool is no glass."""


@dataclass(frozen=True)
class Filling:
    """What lines and fills a box.

    Attributes
    ----------
    lining : tuple of VolumeItem
    stuffing : tuple of Stuffing
        Loose fibre.
    logged : tuple of int
        Entries of the notebook that are counted.
    notes : tuple of str
        What of the notebook is not counted, and why.
    """

    lining: tuple[VolumeItem, ...] = ()
    stuffing: tuple[Stuffing, ...] = ()
    logged: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()


def described_filling(description: BuildDescription, state: str, logged: Sequence[Entry] = ()) -> Filling:
    """What is in the box in a state.

    Parameters
    ----------
    description : BuildDescription
        Where it tells of lining (or of stuffing) in this state, the notebook's is not counted.
    state : str
    logged : sequence of Entry
        Of the notebook, those whose material is in the box then.
    """
    lining = tuple(VolumeItem(one.what, one.volume_m3, one.porosity) for one in description.lining if one.is_in(state))
    stuffing = tuple(
        Stuffing(part.grams / 1000, part.material) for part in description.stuffing if part.is_in(state) and part.grams
    )
    counted: list[int] = []
    aside: dict[str, list[int]] = {"lining": [], "stuffing": []}
    more_lining: list[VolumeItem] = []
    more_stuffing: list[Stuffing] = []
    notes = []
    for entry in logged:
        found = of_entry(entry)
        if isinstance(found, str):
            notes.append(found)
        elif stuffing if isinstance(found, Stuffing) else lining:
            aside["stuffing" if isinstance(found, Stuffing) else "lining"].append(entry.number)
        else:
            more_stuffing += [found] if isinstance(found, Stuffing) else []
            more_lining += [found] if isinstance(found, VolumeItem) else []
            counted.append(entry.number)
    notes += [
        f"build.toml tells of {kind} in state '{state}', which counts instead of what the notebook says "
        f"({entries_words(numbers)}); take it out of build.toml if the notebook is right"
        for kind, numbers in aside.items()
        if numbers
    ]
    return Filling((*lining, *more_lining), (*stuffing, *more_stuffing), tuple(counted), tuple(notes))


def of_entry(entry: Entry) -> VolumeItem | Stuffing | str:
    """The material of an entry as loose fibre or as a lining, else why it cannot be counted."""
    known = known_material(entry.material)
    kilograms = None if entry.mass_g is None else entry.mass_g / 1000
    if kilograms is not None and known is not None and known in FIBRES:
        return Stuffing(kilograms, known)
    asked = f"entry {entry.number} of the notebook ({entry.material}) is not counted in the box"
    if entry.area_cm2 is None or entry.thickness_mm is None:
        needed = "--mass, or --area and --thickness" if known in FIBRES else "--area and --thickness"
        return f"{asked}: give {needed} (stillbox log BUILD --correct {entry.number})"
    volume_m3 = entry.area_cm2 * entry.thickness_mm * 1e-7
    porosity = entry.porosity
    if porosity is None and kilograms is not None and known is not None and known in SOLID_KG_M3:
        porosity = min(max(1 - kilograms / (SOLID_KG_M3[known] * volume_m3), 0.0), 0.999)
    if porosity is None and known is not None:
        porosity = POROSITY[known]
    if porosity is None:
        return f"{asked}: which part of it is air is not known; give --porosity (0 for a solid sheet, 0.95 for foam)"
    place = f" at {entry.at}" if entry.at else ""
    return VolumeItem(f"{entry.material}{place} (notebook, entry {entry.number})", volume_m3, porosity)


def known_material(name: str) -> str | None:
    """The known material that a name stands for: wool felt is felt; None where there is none."""
    words = name.casefold()
    return next((known for known in _NAMES if re.search(rf"\b{known}\b", words)), None)


def entries_words(numbers: Sequence[int]) -> str:
    """entry 2, entries 2 and 5."""
    named = [str(number) for number in numbers]
    listed = " and ".join(filter(None, (", ".join(named[:-1]), named[-1])))
    return f"entr{'y' if len(named) == 1 else 'ies'} {listed}"

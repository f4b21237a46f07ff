"""What the quantities of driver, box and bass mean: the same words in window, terminal and report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from stillbox.analysis.maths.table import Table
from stillbox.analysis.physics.port import HEARD_AIR_M_S
from stillbox.analysis.system.box_sound import HEARD_FROM_HZ

MEANINGS = {
    "Re": "DC resistance of the voice coil.",
    "fs": "Resonance of the driver in free air: where its moving mass and its suspension are in balance.",
    "Qms": "How little the suspension damps the cone at fs: high means little loss.",
    "Qes": "How much magnet and coil damp the cone at fs: low means a strong magnet.",
    "Qts": "Both kinds of damping together; it says which kind of box suits: closed ones from some 0.3 to 0.6, vented "
    "ones from some 0.2 to 0.45 (common practice, no source).",
    "L at 1 kHz": "Inductance of the coil at 1 kHz; it falls with frequency, so the whole model counts.",
    "creep of the suspension": "By which part the suspension gets softer per decade of time (Knudsen and Jensen 1993).",
    "Vas": "Volume of air that is as soft as the suspension: with alpha it gives the volume that the driver feels.",
    "Mms": "Moving mass: cone, coil and the air that moves with them.",
    "Cms": "Compliance of the suspension: how far it gives way to a force.",
    "Rms": "Mechanical resistance of the suspension.",
    "Bl": "Force factor of magnet and coil: force for a current.",
    "Sd": "Area of the cone that moves air, from the diameter in build.toml.",
    "efficiency": "Sound power over electrical power in the range where the cone is mass controlled, half space.",
    "level, 1 W in Re, 1 m, half space": "Level that the driver makes from 1 W in its DC resistance.",
    "level, 2.83 V, 1 m, half space": "Level that the driver makes from 2.83 V at its terminals.",
    "fc": "Resonance of the driver in its closed box.",
    "Qmc": "Mechanical Q of the driver in its box, the losses of the box included.",
    "Qec": "Electrical Q of the driver in its box.",
    "Qtc": "Damping of the closed box: 0.5 is critical, 0.707 the flattest response, above 1 the bass booms.",
    "compliance ratio alpha": "Compliance of the suspension over that of the air in the box: Vas over the volume that "
    "the driver feels.",
    "lower peak of |Z|": "The lower of the two highest points of |Z| of a vented box; losses and coil put it a "
    "little beside the resonance that the findings tell.",
    "saddle of |Z|": "The minimum between both peaks; it lies near the tuning but for losses and the coil.",
    "upper peak of |Z|": "The upper of both; the same holds of it.",
    "tuning fB": "Resonance of the air in the port with the air in the box.",
    "tuning ratio h": "Tuning over the driver's resonance, fB/fs.",
    "effective volume": "Volume that the driver feels, from Vas and alpha; filling can make it larger than the air.",
    "QB, all losses": "All losses of the box at its tuning together: high means few. Known better than its parts, as "
    "one of them can pass for another.",
    "QL, leakage": "Losses through leaks: high means tight.",
    "QA, lining and filling": "Losses of the air in lining and filling, before the port too: low means much of it.",
    "QP, port itself": "Losses of the air in the port's tube and at its mouths.",
    "3 dB point, Hz": "Going up, where the response comes within 3 dB of the driver's reference level.",
    "slope there, dB an octave": "The flatter it is, the less the 3 dB point means: a tenth of a decibel moves it far.",
    "10 dB point, Hz": "Where the response has fallen by 10 dB.",
    "highest level, dB": "Highest point of the response below 300 Hz, over the driver's reference level (Mms and Re "
    "alone).",
    "highest level at, Hz": "Where the response is highest.",
    "longest group delay, ms": "How late the bass comes at worst.",
    "most excursion": f"How far the cone moves one way at the voltage that is chosen, above {HEARD_FROM_HZ:g} Hz.",
    "fastest air in the port": f"At the voltage that is chosen; above some {HEARD_AIR_M_S:g} m/s it is heard (common "
    "practice, no source).",
    "air in the box": "What is left for air: inside dimensions minus all that build.toml puts into the box.",
    "hump near the tuning": "A resonance near the tuning that the lumped box does not have.",
    "difference of states": "This state minus the one before, with the uncertainty of the difference: what the work in "
    "between costs or gains in bass.",
    "level not known": "Small resonances sound in a way that the terminals do not show: hatched in the picture.",
    "published alignments": "Boxes that published tables give, with losses of QL 7: for orientation, not as a goal.",
}
"""By the names that the tables print."""

AT_HZ = {"at, Hz": "highest level at, Hz"}
"""Names that say what they are of only by the row above."""


def meaning_lines(tables: Iterable[Table]) -> Iterator[str]:
    """What the rows of tables mean, an item each, a name once; nothing where no table has a row."""
    names = dict.fromkeys(AT_HZ.get(row[0], row[0]) for table in tables for row in table.rows)
    if names:
        yield "what these are:"
    for name in names:
        yield f"  - {name}: {MEANINGS[name]}"

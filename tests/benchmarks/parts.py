"""Parts of crossovers from takes of them, through a jig known to 0.1 % whose load has an inductance of its own.

The parts are ladders of `reference.wild_parts`; each bench draws its load's inductance (0.1 to 1.6 microhenry) and
clips that scatter by 2 mohm. The rival reads the impedance at 1 kHz as it stands, as a meter of such a jig would.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import iron_cores
import numpy as np
from part_takes import drawer_of, part_bench
from reference.wild_parts import AT_HZ, Part
from table import Row, at_most

from stillbox.analysis.bench import Bench
from stillbox.analysis.part.reading import Estimate, PartReading, newest_parts, reading_of
from stillbox.capture.recording.take import TakeInfo

BENCHES, QUICK_BENCHES = 6, 1
"""Seven parts each."""
VALUE_PERCENT, LOSS_MOHM = 0.5, 10.0
LEAST_FARAD = 5e-6


@dataclass
class Tally:
    """Deviations and what intervals cover; ``rival`` as ``percent`` and ``mohm``, of the impedance at 1 kHz alone."""

    percent: list[float] = field(default_factory=list)
    mohm: list[float] = field(default_factory=list)
    rival_percent: list[float] = field(default_factory=list)
    rival_mohm: list[float] = field(default_factory=list)
    covered: list[tuple[str, bool]] = field(default_factory=list)
    wrong_kind: list[str] = field(default_factory=list)
    parts: int = 0

    def note(self, what: str, found: Estimate | None, true: float) -> None:
        assert found is not None, what
        low, high = found.interval_95
        self.covered.append((what, low <= true <= high))


def rows(quick: bool = False) -> list[Row]:
    """One row a bar."""
    tally = Tally()
    for seed in range(100, 100 + (QUICK_BENCHES if quick else BENCHES)):
        _bench(seed, tally)
    share = 100 * float(np.mean([right for _, right in tally.covered]))
    missed = sorted({what for what, right in tally.covered if not right})
    count = tally.parts
    value = at_most(
        f"parts: value, largest of {count}",
        max(tally.percent),
        VALUE_PERCENT,
        "{:.2f} %",
        f"impedance at 1 kHz as it stands: {max(tally.rival_percent):.2f} %",
    )
    loss = at_most(
        f"parts: ESR at 1 kHz from 5 uF, DC resistance, largest of {len(tally.mohm)}",
        max(tally.mohm),
        LOSS_MOHM,
        "{:.1f} mohm",
        f"impedance at 1 kHz as it stands: {max(tally.rival_mohm):.0f} mohm",
    )
    cover = Row(
        f"parts: 95 % intervals cover ({len(tally.covered)} of {count} parts)",
        "90 to 99 %",
        f"{share:.1f} %",
        "missed: " + ", ".join(missed) if missed else "",
        90.0 <= share <= 99.0,
    )
    kinds = at_most(
        f"parts: of {count} taken for another kind", len(tally.wrong_kind), 0, "{:.0f}", ", ".join(tally.wrong_kind)
    )
    return [value, loss, cover, kinds, *iron_cores.rows(quick)]


def _bench(seed: int, tally: Tally) -> None:
    parts = {part.name: part for part in drawer_of(seed)}
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(part_bench(seed).build(Path(folder) / "build", list(parts.values())))
        for take in newest_parts(bench):
            reading, part = reading_of(bench, take), parts[take.of]
            tally.parts += 1
            if reading.kind != part.kind:
                tally.wrong_kind.append(f"{seed} {part.name}")
                continue
            _judge(reading, part, f"{seed} {part.name} ({part.make})", tally)
            _judge_rival(bench, take, part, tally)


def _judge(reading: PartReading, part: Part, what: str, tally: Tally) -> None:
    assert reading.value is not None
    tally.percent.append(100 * abs(reading.value.value / part.value - 1))
    tally.note(f"value of {what}", reading.value, part.value)
    if part.kind == "resistor":
        tally.note(f"inductance of {what}", reading.inductance, part.lead_h)
        return
    loss_ohm = _loss_ohm(part)
    tally.note(f"loss of {what}", reading.loss, loss_ohm)
    tally.note(f"loss factor of {what}", reading.loss_factor_1khz, part.loss_factor())
    if _told(part):
        assert reading.loss is not None
        tally.mohm.append(1000 * abs(reading.loss.value - loss_ohm))


def _judge_rival(bench: Bench, take: TakeInfo, part: Part, tally: Tally) -> None:
    spectrum = bench.at_clips(take)
    at = int(np.argmin(np.abs(spectrum.frequency_hz - AT_HZ)))
    ohm, omega = spectrum.impedance_ohm[at], 2 * np.pi * spectrum.frequency_hz[at]
    value = {"capacitor": -1 / (omega * ohm.imag), "coil": ohm.imag / omega, "resistor": ohm.real}[part.kind]
    tally.rival_percent.append(100 * abs(value / part.value - 1))
    if _told(part):
        tally.rival_mohm.append(1000 * abs(ohm.real - _loss_ohm(part)))


def _told(part: Part) -> bool:
    return part.kind == "coil" or (part.kind == "capacitor" and part.value >= LEAST_FARAD)


def _loss_ohm(part: Part) -> float:
    return part.loss_ohm if part.kind == "coil" else part.series_ohm()

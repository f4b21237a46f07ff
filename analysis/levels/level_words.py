"""A series of levels as a table, in sentences, and for other programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from stillbox.analysis.cautions import LOUDER_IN_BRIEF
from stillbox.analysis.levels.level_reading import HarmonicLevel, Level
from stillbox.analysis.levels.level_series import LevelSeries
from stillbox.analysis.levels.saturation import LOST
from stillbox.analysis.maths.number_words import frequency_words, short_number
from stillbox.analysis.maths.quantity import MINUS, Quantity, value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.sweeps.sweep_harmonics import ORDERS


@dataclass(frozen=True)
class Into:
    """What a current is driven into, for volts and watts: ohms, and whose they are."""

    ohm: float
    words: str

    def volts(self, amperes: float) -> float:
        return amperes * self.ohm

    def watts(self, amperes: float) -> float:
        return amperes**2 * self.ohm

    def text(self, amperes: float) -> str:
        """Rms current as volts and watts."""
        volts, watts = short_number(self.volts(amperes)), short_number(self.watts(amperes))
        return f"{volts} V ({watts} W into {self.ohm:.3g} ohm, {self.words})"


def level_lines(series: LevelSeries, into: Into, what: str) -> Iterator[str | Table]:
    """Table and sentences; ``what`` is on the clips, in words: ``coil`` or ``speaker``."""
    if len(series.levels) > 1 or series.core != "cannot be told":
        yield f"over the level, at {frequency_words(series.at_hz)} (± without what all levels share):"
        yield level_table(series)
    yield core_sentence(series, what)
    if any(level.inductance is not None for level in series.levels):
        yield saturation_sentence(series, into, what)
    if len(series.levels) > 1 or series.core == "iron":
        yield LOUDER_IN_BRIEF


def level_table(series: LevelSeries) -> Table:
    """A row a take, the quietest first."""
    with_coil = any(level.inductance is not None for level in series.levels)
    heads = ("take", *(("current", "at the clips") if series.known else ("level re the loudest",)))
    name = "inductance" if series.coil is None else f"{series.coil.name}, first as planned"
    heads += (*((name,) if with_coil else ()), "resistance", *_ORDINALS.values(), "floor of the 3rd")
    return Table(heads, tuple(_row(series, level, with_coil) for level in series.levels))


_ORDINALS = {2: "2nd, dB", 3: "3rd, dB", 4: "4th, dB", 5: "5th, dB"}


def _row(series: LevelSeries, level: Level, with_coil: bool) -> tuple[str, ...]:
    loud: tuple[str, ...] = (_signed(20 * float(np.log10(level.current / series.loudest.current)), 1) + " dB",)
    if series.known:
        loud = (f"{short_number(level.current / np.sqrt(2), 3)} A", f"{short_number(level.volts, 3)} V")
    henry = level.inductance
    coil = () if henry is None else (value_text(1e3 * henry.value, 1e3 * henry.std, "mH"),)
    resistance = f"{level.resistance.value:.3f} ohm"
    shown = (_harmonic_text(level.harmonics.get(order)) for order in ORDERS)
    third = level.harmonics.get(3)
    return (str(level.take.number), *loud, *(coil if with_coil else ()), resistance, *shown,
            "" if third is None else _signed(third.floor_db, 0) + " dB")  # fmt: skip


def _harmonic_text(harmonic: HarmonicLevel | None) -> str:
    return "–" if harmonic is None or harmonic.db is None else _signed(harmonic.db, 1)


def _signed(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".replace("-", MINUS)


def core_sentence(series: LevelSeries, what: str) -> str:
    """Iron, air, or why it cannot be told."""
    seen = series.evidence
    if series.core == "iron":
        signs = []
        if seen.harmonic_db is not None:
            signs.append(
                f"third harmonic of the current {_signed(seen.harmonic_db, 1)} dB at "
                f"{frequency_words(seen.harmonic_hz)} in take {seen.harmonic_take}, "
                f"{seen.over_db:.0f} dB above what noise and jig could make"
            )
        if seen.has_changed:
            change = f"{100 * seen.change:+.2g} ± {max(100 * seen.change_std, 0.01):.1g} %".replace("-", MINUS)
            signs.append(f"inductance changed by {change} between levels")
        if what == "coil":
            return f"iron core: {'; '.join(signs)}"
        named = "a coil with an iron core" if series.coil is None else f"an iron core in {series.coil.name}"
        return (
            f"something bends with the level: {'; '.join(signs)}. That may be {named}, or the driver itself: sweep the "
            "coil alone as part, or the driver on its own terminals at the same levels"
        )
    top = f"no third harmonic above {_signed(seen.masked_db, 0)} dB"
    if seen.change_std > 0:
        top += f", inductance the same within {max(200 * seen.change_std, 0.01):.1g} %"
    if series.core == "air":
        return f"air core, as far as {_loudest_text(series)} tells: {top}"
    return f"iron or air cannot be told up to {_loudest_text(series)}: {top}; louder takes beside this one would tell"


def _loudest_text(series: LevelSeries) -> str:
    if not series.known:
        return "the loudest take (its volts are not known: measure the output, or give --loudest-volts)"
    return f"{short_number(series.loudest.current / np.sqrt(2), 3)} A"


def saturation_sentence(series: LevelSeries, into: Into, what: str) -> str:
    """From which level on, or up to which level nothing of it is seen."""
    loudest = series.loudest.current / np.sqrt(2)
    found = series.saturation
    if found is None:
        upto = into.text(loudest) if series.known else "the loudest take"
        of = "" if what == "coil" else " of coil or driver"
        return (
            f"no sign of saturation{of} up to {upto}: louder sweeps would tell; not louder than speaker, jig and card "
            "bear"
        )
    how = f"inductance down by {100 * LOST:.0f} % from its largest"
    who = "" if what == "coil" else f"{'a coil' if series.coil is None else series.coil.name} or the driver itself "
    if not series.known:
        low, middle, high = (_below_text(series, value) for value in (found.low, found.current, found.high))
        ends = f"above {low} dB, upper end not seen" if found.high is None else f"{low} to {high} dB"
        return (
            f"{who}saturates from {middle} dB re the loudest take on: {ends} ({how}); its volts are not known: measure "
            "the output, or give --loudest-volts"
        )
    low, middle = (f"{short_number(value / np.sqrt(2), 3)} A" for value in (found.low, found.current))
    if found.high is None:
        return (
            f"{who}saturates above {into.text(found.low / np.sqrt(2))}, upper end not seen: above {low} rms, likeliest "
            f"from {middle} on ({how}); louder sweeps would tell"
        )
    return (
        f"{who}saturates from {into.text(found.current / np.sqrt(2))} on: {middle} rms, {low.removesuffix(' A')} to "
        f"{short_number(found.high / np.sqrt(2), 3)} A ({how})"
    )


def _below_text(series: LevelSeries, current: float | None) -> str:
    return "" if current is None else _signed(_below_db(series, current), 1)


def _below_db(series: LevelSeries, current: float) -> float:
    return 20 * float(np.log10(current / series.loudest.current))


def level_document(series: LevelSeries | None, into: Into, what: str) -> dict[str, Any] | None:
    """For other programs; currents and voltages rms, None where volts are not known; ``what`` as in `level_lines`."""
    if series is None:
        return None
    return {
        "frequency_hz": series.at_hz,
        # What bends in a finished speaker may be the driver as well.
        "core": "cannot be told" if series.core == "iron" and what != "coil" else series.core,
        "coil": None if series.coil is None else series.coil.name,
        "third_harmonic_db": series.evidence.harmonic_db,
        "over_floor_db": series.evidence.over_db,
        "inductance_change": series.evidence.change,
        "inductance_change_std": series.evidence.change_std,
        "saturation": _saturation_document(series, into),
        "levels": [_level_document(series, level) for level in series.levels],
    }


def _saturation_document(series: LevelSeries, into: Into) -> dict[str, Any] | None:
    found = series.saturation
    if found is None:
        return None
    low_db, high_db = (None if end is None else _below_db(series, end) for end in (found.low, found.high))
    document: dict[str, Any] = {
        "relative_db": _below_db(series, found.current),
        "relative_interval_95_db": [low_db, high_db],
    }
    if series.known:
        middle, low = (float(value / np.sqrt(2)) for value in (found.current, found.low))
        high = None if found.high is None else float(found.high / np.sqrt(2))
        document["current"] = {"value": middle, "interval_95": [low, high], "unit": "A"}
        document |= {"volts": into.volts(middle), "watts": into.watts(middle)}
        document |= {"into_ohm": into.ohm, "into": into.words}
    return document


def _level_document(series: LevelSeries, level: Level) -> dict[str, Any]:
    def json(quantity: Quantity | None) -> dict[str, Any] | None:
        return None if quantity is None else quantity.as_json()

    return {
        "take": level.take.number,
        "relative_db": 20 * float(np.log10(level.current / series.loudest.current)),
        "amperes": float(level.current / np.sqrt(2)) if series.known else None,
        "volts": level.volts if series.known else None,
        "inductance": json(level.inductance),
        "resistance": json(level.resistance),
        "harmonics": {
            str(order): {"db": one.db, "std_db": one.std_db if one.db is not None else None, "floor_db": one.floor_db}
            for order, one in level.harmonics.items()
        },
    }

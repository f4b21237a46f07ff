"""What `stillbox wire` and `stillbox coil` tell: resistance of wire, windings, and what they do to a driver."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from stillbox.analysis.maths.number_words import short_number, signed_db
from stillbox.analysis.maths.table import Table
from stillbox.analysis.parts.part_codes import read_marking, value_words
from stillbox.analysis.parts.wire_size import WireSize, read_wire_size
from stillbox.analysis.physics.coils import MOST_TURNS, Winding, brooks_bobbin_m, turns_per_layer, wound_to
from stillbox.analysis.physics.wire import (
    FLEXIBLE_OHM_PER_KM,
    SeriesEffect,
    resistivity_ohm_m,
    series_effect,
    skin_effect_factor,
    wire_resistance_ohm,
)
from stillbox.capture.errors import StillboxError

COIL_RANGE_H = (1e-6, 0.2)
LACQUER_MM = 0.06
"""What lacquer of grade 1 adds to the diameter of a wire of 1 mm; it grows about with the root (IEC 60317 [M])."""

THICK_WIRE = 1.05
"""Skin effect of a single wire from which on its neighbours count in one layer too."""
WHEELER_TERMS = 3.0
"""How far apart the three terms of Wheeler's formula may be before its 1 % is doubted."""

_BOBBIN = re.compile(r"(\d+(?:[.,]\d+)?)\s*[x×]\s*(\d+(?:[.,]\d+)?)", re.IGNORECASE)


@dataclass(frozen=True)
class BehindIt:
    """The driver behind a resistance; what is not known is None.

    Attributes
    ----------
    re_ohm, qes, qms : float or None
    """

    re_ohm: float | None = None
    qes: float | None = None
    qms: float | None = None

    def effect(self, resistance_ohm: float) -> SeriesEffect | None:
        """What a resistance does to it; None where nothing is told of it.

        Raises
        ------
        StillboxError
            If a number cannot be, or Re is missing beside the others.
        """
        if self.re_ohm is None:
            if self.qes is None and self.qms is None:
                return None
            raise StillboxError("Qes and Qms say nothing without Re", "give it too, as in --re-ohms 5.6")
        _within("--re-ohms", self.re_ohm, 0.1, 1000, "ohm")
        if self.qes is not None:
            _within("--qes", self.qes, 0.01, 100, "")
        if self.qms is not None:
            _within("--qms", self.qms, 0.01, 1000, "")
        return series_effect(resistance_ohm, self.re_ohm, self.qes, self.qms)

    def said(self, resistance_ohm: float) -> Iterator[str]:
        """The effect in sentences."""
        effect = self.effect(resistance_ohm)
        if effect is None:
            return
        peak = "" if effect.peak_level_db is None else f", {_db(effect.peak_level_db)} at its resonance"
        yield f"level: {_db(effect.level_db)} where the driver has its {self.re_ohm:g} ohm{peak}"
        if effect.qes is not None and self.qes is not None:
            qts = ""
            if effect.qts is not None and self.qms is not None:
                before = self.qes * self.qms / (self.qes + self.qms)
                qts = f"; Qts {before:.3f} becomes {effect.qts:.3f} ({100 * (effect.qts / before - 1):+.1f} %)"
            yield f"damping: Qes {self.qes:.3f} becomes {effect.qes:.3f}{qts}"

    def document(self, resistance_ohm: float) -> dict[str, float | None] | None:
        """For other programs."""
        effect = self.effect(resistance_ohm)
        if effect is None:
            return None
        return {
            "level_db": effect.level_db,
            "level_at_resonance_db": effect.peak_level_db,
            "qes": effect.qes,
            "qts": effect.qts,
        }


# Wire


@dataclass(frozen=True)
class WireReport:
    """A pair of wires between amplifier and driver.

    Attributes
    ----------
    wire : WireSize
    length_m : float
        One way.
    contacts_ohm : float
        Of all connections together.
    celsius : float
    driver : BehindIt
    """

    wire: WireSize
    length_m: float
    contacts_ohm: float
    celsius: float
    driver: BehindIt

    @property
    def wire_ohm(self) -> float:
        """There and back."""
        return wire_resistance_ohm(2 * self.length_m, self.wire.section_m2, self.celsius)

    @property
    def most_ohm(self) -> float | None:
        """What flexible cable of that section may have at most; None for a section that is not among those listed."""
        per_km = FLEXIBLE_OHM_PER_KM.get(self.wire.nominal_mm2 or 0.0)
        if per_km is None:
            return None
        return 2e-3 * self.length_m * per_km * resistivity_ohm_m(self.celsius) / resistivity_ohm_m()

    @property
    def resistance_ohm(self) -> float:
        """Wire and connections."""
        return self.wire_ohm + self.contacts_ohm

    def said(self) -> Iterator[str | Table]:
        """Sentences."""
        there = f"{self.length_m:g} m of {self.wire.text}, there and back"
        yield f"{there}: {value_words(self.wire_ohm, 'resistor')} at {self.celsius:g} degrees C"
        if self.most_ohm is not None:
            yield f"as flexible cable at most {value_words(self.most_ohm, 'resistor')} (IEC 60228, class 5)"
        if self.contacts_ohm:
            yield f"with its connections: {value_words(self.resistance_ohm, 'resistor')}"
        yield from self.driver.said(self.resistance_ohm)

    def document(self) -> dict[str, Any]:
        """For other programs."""
        return {
            "length_m": self.length_m,
            "diameter_mm": 1e3 * self.wire.diameter_m,
            "section_mm2": 1e6 * self.wire.section_m2,
            "celsius": self.celsius,
            "wire_ohm": self.wire_ohm,
            "flexible_at_most_ohm": self.most_ohm,
            "contacts_ohm": self.contacts_ohm,
            "resistance_ohm": self.resistance_ohm,
            "effect": self.driver.document(self.resistance_ohm),
        }


def wire_report(wire: str, length_m: float, contacts_ohm: float, celsius: float, driver: BehindIt) -> WireReport:
    """Wire of a size as somebody writes it; StillboxError where a number cannot be."""
    size = read_wire_size(wire)
    _within("--length", length_m, 0.01, 1000, "m")
    _within("--contacts", contacts_ohm, 0, 100, "ohm")
    _within("--celsius", celsius, -40, 250, "degrees C")
    driver.effect(0.0)  # what cannot be is told before anything is
    return WireReport(size, length_m, contacts_ohm, celsius, driver)


# Coils


@dataclass(frozen=True)
class CoilReport:
    """A coil without iron.

    Attributes
    ----------
    winding : Winding
    wire : WireSize
    width_m : float
        Of the bobbin.
    wanted_h : float or None
        None where the turns were given.
    brooks : bool
        Whether the bobbin was chosen here.
    celsius, frequency_hz : float
        For which resistance and skin effect are told.
    driver : BehindIt
    """

    winding: Winding
    wire: WireSize
    width_m: float
    wanted_h: float | None
    brooks: bool
    celsius: float
    frequency_hz: float
    driver: BehindIt

    @property
    def resistance_ohm(self) -> float:
        return self.winding.resistance_ohm(self.celsius)

    @property
    def skin_factor(self) -> float:
        return skin_effect_factor(self.wire.diameter_m, self.frequency_hz, self.celsius)

    def said(self) -> Iterator[str | Table]:
        """Sentences and a table."""
        coil = self.winding
        bobbin = f"{_mm(coil.inner_diameter_m)} across and {_mm(self.width_m)} wide inside"
        proportions = " (the proportions that need least wire)" if self.brooks else ""
        yield f"{coil.turns} turns of {self.wire.text} wire on a bobbin {bobbin}{proportions}"
        rows = [
            ("inductance, sum over all turns", value_words(coil.inductance_h, "coil")),
            ("inductance, Wheeler's formula", value_words(coil.wheeler_h, "coil")),
            ("layers", f"{len(coil.layers)} of {coil.per_layer} turns, the last of {coil.layers[-1]}"),
            ("outer diameter", _mm(coil.outer_diameter_m)),
            ("wire", f"{coil.wire_length_m:.1f} m, {short_number(1e3 * coil.copper_kg, 3)} g of copper"),
            (f"DC resistance at {self.celsius:g} degrees C", value_words(self.resistance_ohm, "resistor")),
            (f"skin effect at {self.frequency_hz:g} Hz", f"{self.skin_factor:.3f} times that"),
        ]
        yield Table(("coil", ""), tuple(rows))
        yield from self.driver.said(self.resistance_ohm)

    def document(self) -> dict[str, Any]:
        """For other programs."""
        coil = self.winding
        return {
            "inductance_h": coil.inductance_h,
            "wheeler_h": coil.wheeler_h,
            "turns": coil.turns,
            "turns_per_layer": coil.per_layer,
            "layers": len(coil.layers),
            "bobbin": {"inner_diameter_mm": 1e3 * coil.inner_diameter_m, "width_mm": 1e3 * self.width_m},
            "outer_diameter_mm": 1e3 * coil.outer_diameter_m,
            "wire": {
                "diameter_mm": 1e3 * self.wire.diameter_m,
                "with_insulation_mm": 1e3 * coil.pitch_m,
                "length_m": coil.wire_length_m,
                "copper_g": 1e3 * coil.copper_kg,
            },
            "celsius": self.celsius,
            "resistance_ohm": self.resistance_ohm,
            "skin_effect": {"frequency_hz": self.frequency_hz, "factor": self.skin_factor},
            "effect": self.driver.document(self.resistance_ohm),
            "warnings": list(self.notes),
        }

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know of the numbers."""
        coil = self.winding
        found = ["turns are counted straight above each other; wound by hand a coil is some percent off: measure it"]
        if self.wanted_h is not None and abs(coil.inductance_h / self.wanted_h - 1) > 0.005:
            off = 100 * (coil.inductance_h / self.wanted_h - 1)
            found.append(f"a turn more or less is much here: {off:+.1f} % from what is wanted")
        mean_radius = 0.25 * (coil.inner_diameter_m + coil.outer_diameter_m)
        terms = (6 * mean_radius, 9 * coil.length_m, 10 * coil.depth_m)
        if max(terms) > WHEELER_TERMS * min(terms):
            found.append("Wheeler's formula is made for other proportions than these: trust the sum")
        if len(coil.layers) > 1 or self.skin_factor > THICK_WIRE:
            found.append(
                "of the losses up there only the skin effect of the wire alone is told: the field of the turns beside "
                "it adds, in many layers a multiple; thinner wire loses less"
            )
        return tuple(found)


def coil_report(
    wire: str,
    inductance: str | None = None,
    turns: int | None = None,
    bobbin: str | None = None,
    insulation_mm: float | None = None,
    celsius: float = 20.0,
    frequency_hz: float = 20_000.0,
    driver: BehindIt | None = None,
) -> CoilReport:
    """A coil as somebody describes it.

    Parameters
    ----------
    wire : str
        See `analysis.parts.wire_size.read_wire_size`.
    inductance : str, optional
        ``1.2mH``, or else
    turns : int, optional
        how many turns.
    bobbin : str, optional
        Inner diameter and width, mm: ``30x25``; left out: that of Brooks' proportions.
    insulation_mm : float, optional
        What it adds to the wire's diameter; left out: usual lacquer.
    celsius, frequency_hz : float
    driver : BehindIt, optional

    Raises
    ------
    StillboxError
        With the remedy.
    """
    size = read_wire_size(wire)
    if (inductance is None) == (turns is None):
        raise StillboxError(
            "inductance and turns are both given" if inductance else "neither inductance nor turns are given",
            "give one of them, as in --inductance 1.2mH or --turns 200",
        )
    _within("--celsius", celsius, -40, 250, "degrees C")
    _within("--hz", frequency_hz, 1, 1e6, "Hz")
    driver = driver or BehindIt()
    driver.effect(0.0)
    lacquer_mm = LACQUER_MM * math.sqrt(1e3 * size.diameter_m) if insulation_mm is None else insulation_mm
    _within("--insulation", lacquer_mm, 0, 5, "mm")
    pitch_m = size.diameter_m + 1e-3 * lacquer_mm
    wanted_h = None
    if inductance is not None:
        wanted_h = read_marking(inductance, "coil").value
        if not COIL_RANGE_H[0] <= wanted_h <= COIL_RANGE_H[1]:
            raise StillboxError(
                f"the inductance '{inductance}' is {value_words(wanted_h, 'coil')}",
                f"give {value_words(COIL_RANGE_H[0], 'coil')} to {value_words(COIL_RANGE_H[1], 'coil')}, as in 1.2mH",
            )
    elif not 1 <= (turns or 0) <= MOST_TURNS:
        raise StillboxError(f"{turns} turns are asked for", f"give 1 to {MOST_TURNS}")
    inner_m, width_m = brooks_bobbin_m(pitch_m, wanted_h, turns) if bobbin is None else _bobbin_m(bobbin)
    if wanted_h is not None:
        winding = wound_to(wanted_h, inner_m, width_m, size.diameter_m, pitch_m)
    else:
        winding = Winding(turns or 1, turns_per_layer(width_m, pitch_m), inner_m, size.diameter_m, pitch_m)
    return CoilReport(winding, size, width_m, wanted_h, bobbin is None, celsius, frequency_hz, driver)


def _bobbin_m(text: str) -> tuple[float, float]:
    found = _BOBBIN.fullmatch(text.strip().lower().removesuffix("mm").strip())
    if found is None:
        raise StillboxError(f"--bobbin '{text}' is not DIAMETERxWIDTH in mm", "write 30x25")
    inner, width = (float(one.replace(",", ".")) for one in found.groups())
    _within("--bobbin", inner, 1, 1000, "mm across")
    _within("--bobbin", width, 0.05, 1000, "mm wide")
    return 1e-3 * inner, 1e-3 * width


def _within(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        tail = f" {unit}" if unit else ""
        raise StillboxError(f"{name} {value:g}{tail} is out of reason", f"give {low:g} to {high:g}{tail}")


def _mm(length_m: float) -> str:
    return f"{1e3 * length_m:.1f} mm"


def _db(level_db: float) -> str:
    """Of a loss: two digits behind the point below a tenth."""
    return signed_db(level_db) if abs(level_db) >= 0.95 else f"{level_db:+.2f} dB".replace("-", "\N{MINUS SIGN}")

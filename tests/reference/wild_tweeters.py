"""Dome tweeters (and midranges in a chamber of their own) as ladders that a circuit simulator holds too.

Mechanics stands as its electrical dual: Bl^2 over a mechanical impedance; what is in series there is parallel here.
Sources: dual circuits of electrodynamic drivers (Small, JAES 20(5), 1972); semi-inductance as a row of R-L pairs as in
``speaker_circuit``. Ranges of resistance, fs, Q, magnetic fluid (Qms 0.7 to 2.5 instead of 2 to 5), chamber behind the
dome, bump of the dome at 8 to 15 kHz: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reference.speaker_circuit import semi_inductance
from reference.wild_air import Complex, Real
from reference.wild_parts import Series, farads, henries, in_parallel, in_series, ohms


@dataclass(frozen=True)
class Hung:
    """A resonator at the moving mass: a mass on a spring (``dome``), or a chamber behind a vent (``chamber``).

    ``share``: its mass over the moving mass (dome); its stiffness over that of the suspension (chamber, whose vent and
    second volume resonate at ``hz``).
    """

    kind: str
    share: float
    hz: float
    q: float


@dataclass(frozen=True)
class SmallDriver:
    """A driver whose box belongs to it.

    Attributes
    ----------
    re_ohm, fs_hz, qms, qes : float
        fs of moving mass and suspension alone; what is hung on them shifts the peak.
    coil : tuple of float
        Henry in series, then factor and exponent of the semi-inductance ``k s^n``.
    fluid : bool
        With magnetic fluid in its gap.
    """

    re_ohm: float
    fs_hz: float
    qms: float
    qes: float
    coil: tuple[float, float, float]
    fluid: bool = False
    hung: tuple[Hung, ...] = ()

    @property
    def qts(self) -> float:
        return self.qms * self.qes / (self.qms + self.qes)

    def one_port(self, frozen: bool = False) -> Series:
        """At its terminals; ``frozen``: with the dome held."""
        series_h, factor, exponent = self.coil
        pairs = semi_inductance(factor, exponent, 100.0, 400e3)
        coil = [in_parallel(ohms(resistance), henries(inductance)) for resistance, inductance in pairs]
        electrical = (ohms(self.re_ohm), henries(series_h), *coil)
        return in_series(*electrical) if frozen else in_series(*electrical, self._motional())

    def _motional(self):  # type: ignore[no-untyped-def]
        omega = 2 * np.pi * self.fs_hz
        mass = self.qes / (omega * self.re_ohm)  # M / Bl^2 as a capacitance
        spring = 1 / (omega**2 * mass)
        rigid = mass * (1 - sum(hung.share for hung in self.hung if hung.kind == "dome"))
        parts = [farads(rigid), henries(spring), ohms(self.re_ohm * self.qms / self.qes)]
        for hung in self.hung:
            own = 2 * np.pi * hung.hz
            if hung.kind == "dome":
                kg = hung.share * mass
                loop = in_parallel(henries(1 / (own**2 * kg)), ohms(hung.q / (own * kg)))
                parts.append(in_series(farads(kg), loop))
            else:
                front = spring / hung.share  # small volume behind the dome, then the vent into one three times as large
                vent = 1 / (own**2 * 3 * front)
                loop = in_parallel(farads(vent), ohms(hung.q / (own * vent)), henries(3 * front))
                parts.append(in_series(henries(front), loop))
        return in_parallel(*parts)

    def impedance(self, omega: Real) -> Complex:
        return self.one_port().impedance(omega)

    def after_play(self, softer: float, warmer: float) -> SmallDriver:
        """On another day: compliance and DC resistance by these parts greater; mass, Bl and losses stay."""
        lower = 1 / np.sqrt(1 + softer)
        return replace(
            self,
            re_ohm=self.re_ohm * (1 + warmer),
            fs_hz=self.fs_hz * lower,
            qms=self.qms * lower,
            qes=self.qes * lower * (1 + warmer),
        )


def _draw_coil(rng: np.random.Generator, re_ohm: float, henry_at_10khz: float) -> tuple[float, float, float]:
    exponent = rng.uniform(0.55, 0.85)
    semi = rng.uniform(0.4, 0.9) * henry_at_10khz * (2 * np.pi * 1e4) ** (1 - exponent)
    return float(henry_at_10khz * rng.uniform(0.1, 0.5)), float(semi), float(exponent)


def draw_tweeter(rng: np.random.Generator) -> SmallDriver:
    re_ohm = float(rng.choice([3.2, 4.7, 5.8]) * rng.uniform(0.93, 1.07))
    fs_hz = float(np.exp(rng.uniform(np.log(500), np.log(1800))))
    while True:
        fluid = bool(rng.random() < 0.5)
        qms = float(rng.uniform(0.7, 2.5) if fluid else rng.uniform(2.0, 5.0))
        qes = float(rng.uniform(0.7, 2.2))
        if 0.5 <= qms * qes / (qms + qes) <= 1.5:
            break
    hung = []
    if rng.random() < 0.3:
        hung.append(Hung("chamber", rng.uniform(0.1, 0.5), fs_hz * rng.uniform(0.5, 2.2), rng.uniform(2, 6)))
    if rng.random() < 0.5:
        hung.append(Hung("dome", rng.uniform(0.02, 0.1), rng.uniform(8e3, 15e3), rng.uniform(4, 15)))
    return SmallDriver(re_ohm, fs_hz, qms, qes, _draw_coil(rng, re_ohm, rng.uniform(15e-6, 60e-6)), fluid, tuple(hung))


def draw_midrange(rng: np.random.Generator) -> SmallDriver:
    """In a closed chamber of its own: resonance and Q are those in there."""
    re_ohm = float(rng.choice([3.4, 5.8]) * rng.uniform(0.93, 1.07))
    qms, qes = float(rng.uniform(2.5, 7)), float(rng.uniform(0.5, 1.1))
    hung = (Hung("dome", rng.uniform(0.02, 0.06), rng.uniform(900, 3000), rng.uniform(5, 15)),)
    fs_hz = float(rng.uniform(110, 260))
    return SmallDriver(re_ohm, fs_hz, qms, qes, _draw_coil(rng, re_ohm, rng.uniform(60e-6, 250e-6)), False, hung)

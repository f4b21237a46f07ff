"""A driver of which only its kind is known: it is fitted along, from the curve of the finished speaker alone.

``Z = Re + K (jf/f1)^n + H/(1 + jQ (f/f0 - f0/f))``: DC resistance, semi-inductance (Leach, JAES 50, 442, 2002 [M]) and
one resonance. All six are free within what drivers of a kind have, factors on a middle (common practice, no source). In
the bass of a driver in a box nothing but its mass line is meant: peaks are noise there, as in `known_driver`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.network.network import GROUND, INPUT, Network, Part
from stillbox.analysis.wrong_part.known_driver import box_spread_ohm
from stillbox.capture.arrays import ComplexArray, FloatArray

AT_HZ = 1000.0
RESONANCE = 3
"""Place of f0 among the numbers."""
Numbers = tuple[float, float, float, float, float, float]
WOOFER: tuple[Numbers, Numbers] = ((5.5, 2.5, 0.65, 45.0, 5.0, 40.0), (0.35, 0.5, 0.15, 0.3, 0.3, 0.4))
TWEETER: tuple[Numbers, Numbers] = ((5.0, 0.25, 0.75, 950.0, 1.8, 6.0), (0.25, 0.4, 0.15, 0.4, 0.5, 0.7))
MIDRANGE: tuple[Numbers, Numbers] = ((5.0, 0.9, 0.7, 180.0, 4.0, 25.0), (0.25, 0.5, 0.15, 0.4, 0.4, 0.6))
"""Re, K, n, f0, Q, H in ohm and Hz: middle, and standard deviation of the logarithm (of n: of itself over n)."""
TOLD_RE = 0.02
"""Standard deviation of the logarithm of a DC resistance that is told."""
UNLIKE = 0.01
"""Of the speaker's impedance, sqrt(E|.|^2): what drivers have beside such a model."""


@dataclass(frozen=True)
class GuessedDriver:
    """A driver by the numbers of its kind; see `known_driver.KnownDriver` for what else a driver is asked.

    Attributes
    ----------
    name : str
    frequency_hz : ndarray, shape (n,)
    middle, std : tuple of float
        Re, K, n, f0, Q, H, and how far their logarithms may be from that.
    spread_ohm : ndarray, shape (n,)
        Standard deviation of what no two points share.
    in_box : bool
        Whether its box is another than its own, so that its resonance is not where it would be.
    """

    name: str
    frequency_hz: FloatArray
    middle: Numbers
    std: Numbers
    spread_ohm: FloatArray
    in_box: bool = False

    @property
    def count(self) -> int:
        """How many numbers are not known."""
        return len(self.middle)

    def thinned(self, step: int) -> GuessedDriver:
        """At each so-many-th frequency."""
        return replace(self, frequency_hz=self.frequency_hz[::step], spread_ohm=self.spread_ohm[::step])

    def at(self, theta: FloatArray) -> tuple[ComplexArray, list[ComplexArray]]:
        """Impedance and its derivatives by theta, for theta of shape (speakers, numbers)."""
        std = np.array(self.std)
        numbers = np.array(self.middle) * np.exp(std * theta)
        re_ohm, factor, exponent, f0, q, height = (column[:, None] for column in numbers.T)
        hz = self.frequency_hz
        turned = np.log(hz / AT_HZ) + 0.5j * np.pi
        coil = factor * np.exp(exponent * turned)
        detune = hz / f0 - f0 / hz
        peak = height / (1 + 1j * q * detune)
        slope = 1j * q * peak**2 / height
        slopes = [
            re_ohm * np.ones(hz.size, dtype=complex),
            coil,
            exponent * turned * coil,
            slope * (hz / f0 + f0 / hz),
            -slope * detune,
            peak,
        ]
        return re_ohm + coil + peak, [one * size for one, size in zip(slopes, std, strict=True)]


def guessed_driver(
    name: str, network: Network, frequency_hz: FloatArray, told_re_ohm: float | None, in_box: bool
) -> GuessedDriver:
    """A driver by its place in the network: what direct current passes is a woofer.

    Parameters
    ----------
    told_re_ohm : float or None
        Its DC resistance by build.toml.
    in_box : bool
        Whether its box is another than its own.
    """
    middle, std = TWEETER
    if _passes_direct_current(network, name):
        middle, std = WOOFER
    elif any(part.kind == "coil" for part in _series_parts(network, name)):
        middle, std = MIDRANGE
    if told_re_ohm is not None:
        middle, std = (told_re_ohm, *middle[1:]), (TOLD_RE, *std[1:])
    bare = GuessedDriver(name, frequency_hz, middle, std, np.zeros(frequency_hz.size), in_box)
    if not in_box:
        return bare
    per_s = 2 * np.pi * middle[3] * middle[5] / middle[4]
    ohm = bare.at(np.zeros((1, bare.count)))[0][0]
    return replace(bare, spread_ohm=box_spread_ohm(per_s, middle[0], frequency_hz, ohm))


def _series_parts(network: Network, name: str) -> list[Part]:
    """Parts of which neither end is the ground, on the way from the input to a driver's node."""
    inner = next(place for place in network.drivers if place.name == name).nodes
    reached: set[str] = set()
    waiting = [node for node in inner if node != GROUND]
    found: list[Part] = []
    while waiting:
        node = waiting.pop()
        if node in reached or node == INPUT:
            continue
        reached.add(node)
        for part in network.parts:
            if node in part.nodes and GROUND not in part.nodes and part not in found:
                found.append(part)
                waiting += [other for other in part.nodes if other != node]
    return found


def _passes_direct_current(network: Network, name: str) -> bool:
    """Whether coils and resistors alone lead from the input to a driver."""
    inner = next(place for place in network.drivers if place.name == name).nodes
    reached = {INPUT}
    for _ in network.parts:
        for part in network.parts:
            if part.kind != "capacitor" and GROUND not in part.nodes and reached & set(part.nodes):
                reached |= set(part.nodes)
    return bool(reached & (set(inner) - {GROUND}))

"""Voltages in a network of admittances, by turning stars into meshes node by node.

A node k with admittances y_ki to its neighbours i is taken out by giving each pair of neighbours the admittance
y_ki y_kj / sum(y_k) more (Rosen, J. IEE 62, 916, 1924 [M]); in the end one admittance is left between the terminals.
On the way back V_k = sum(y_ki V_i) / sum(y_k). This is elimination of the nodal equations, but no diagonal is ever
formed by a difference, so that nothing cancels that does not cancel in the circuit. Every step is one operation on
arrays over frequencies and draws: as many of them as the network has edges, however many points there are.

Where a node resonates without any loss the sum is next to 0, and another order would do: such points are solved
again with pivots (`_solved_densely`).
"""

from __future__ import annotations

import functools
import itertools
import operator
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.network.network import GROUND, INPUT
from stillbox.capture.arrays import ComplexArray
from stillbox.capture.errors import StillboxError

Edge = tuple[str, str]
Voltages = Mapping[str, ComplexArray]

LARGEST_SHARE = {np.dtype(np.complex128): 1e4, np.dtype(np.complex64): 30.0}
"""Of the sum of a node's admittances that one of them may be, before too many digits are lost by what cancels in it."""


class Scratch:
    """Gives arrays of one shape, the same again after `clear`: fresh memory costs more than what is done with it."""

    def __init__(self, dtype: type[np.complexfloating[Any, Any]] = np.complex128) -> None:
        self.dtype = np.dtype(dtype)
        self._all: list[ComplexArray] = []
        self._free: list[ComplexArray] = []

    def clear(self, shape: tuple[int, ...]) -> None:
        """What was given is no longer needed."""
        if self._all and self._all[0].shape != shape:
            self._all = []
        self._free = self._all.copy()

    def take(self, shape: tuple[int, ...]) -> ComplexArray:
        """An array with whatever is in it."""
        if self._free:
            return self._free.pop()
        self._all.append(np.empty(shape, dtype=self.dtype))
        return self._all[-1]

    def give_back(self, array: ComplexArray) -> None:
        """An array that nobody needs any more: what is taken next is then still near the processor."""
        self._free.append(array)


@dataclass(frozen=True)
class _Star:
    """A node that was taken out.

    Attributes
    ----------
    node : str
    impedance : ndarray
        One over the sum of its admittances.
    shares : mapping of str to ndarray
        For each neighbour but the ground its part of that sum.
    """

    node: str
    impedance: ComplexArray
    shares: Mapping[str, ComplexArray]


@dataclass(frozen=True)
class Elimination:
    """A network taken apart, ready to be asked for voltages.

    Attributes
    ----------
    input_admittance : ndarray
        Between the terminals, S.
    edges : mapping of frozenset of str to ndarray
        Admittance between two nodes, S; all of them broadcast to the shape of ``weak``.
    stars : tuple
        The nodes taken out, in this order.
    weak : ndarray of bool
        Points at which some sum of admittances is next to 0.
    scratch : Scratch
        Where arrays come from.
    """

    input_admittance: ComplexArray
    edges: Mapping[frozenset[str], ComplexArray]
    stars: tuple[_Star, ...]
    weak: NDArray[np.bool_]
    scratch: Scratch

    def driven(self) -> Voltages:
        """Voltages of all nodes with 1 V at the input."""
        return self._voltages({}, 1.0)

    def injected(self, positive: str, negative: str) -> Voltages:
        """Voltages of all nodes with the terminals shorted and 1 A into ``positive``, out of ``negative``."""
        unit = np.ones((1,) * self.weak.ndim, dtype=self.scratch.dtype)
        return self._voltages({positive: unit, negative: -unit}, 0.0)

    def _voltages(self, injected: Mapping[str, ComplexArray], input_v: float) -> Voltages:
        with np.errstate(all="ignore"):  # the weak points are put right
            voltages = self._passed_back(self._passed_on(injected), input_v)
        if not self.weak.any():
            return voltages
        inner = [star.node for star in self.stars]
        found = _solved_densely(_at(self.weak, self.edges), inner, injected, input_v)
        for node, right in zip(inner, found, strict=True):
            whole = np.array(np.broadcast_to(voltages[node], self.weak.shape), dtype=complex)
            whole[self.weak] = right
            voltages[node] = whole
        return voltages

    def _passed_on(self, injected: Mapping[str, ComplexArray]) -> dict[str, ComplexArray]:
        """Currents into each node when it is taken out: those of nodes before it come along, by their shares."""
        currents = dict(injected)
        for star in self.stars:
            if star.node in currents:
                for node, share in star.shares.items():
                    more = share * currents[star.node]
                    currents[node] = currents[node] + more if node in currents else more
        return currents

    def _passed_back(self, currents: Mapping[str, ComplexArray], input_v: float) -> dict[str, ComplexArray]:
        unit, shape = (1,) * self.weak.ndim, self.weak.shape
        dtype = self.scratch.dtype
        voltages = {INPUT: np.full(unit, input_v, dtype=dtype), GROUND: np.zeros(unit, dtype=dtype)}
        term = self.scratch.take(shape)
        for star in reversed(self.stars):
            voltage = voltages[star.node] = self.scratch.take(shape)
            first = star.shares[INPUT] if input_v and INPUT in star.shares else 0.0  # of its 1 V
            if star.node in currents:
                first = np.multiply(currents[star.node], star.impedance, out=voltage)
            others = [node for node in star.shares if node != INPUT]
            if not others:
                voltage[...] = first
            for node in others:
                np.multiply(star.shares[node], voltages[node], out=term)
                first = np.add(first, term, out=voltage)
        return voltages


def eliminate(elements: Iterable[tuple[Edge, ComplexArray]], scratch: Scratch | None = None) -> Elimination:
    """Take a network of admittances apart.

    Parameters
    ----------
    elements : iterable of ((str, str), ndarray)
        Nodes and admittance, S, of each element; the arrays have as many axes and broadcast with each other.
    scratch : Scratch, optional
        Where arrays come from; what it gave is changed by the next who clears it.

    Raises
    ------
    StillboxError
        If a resonance without any loss makes a voltage or a current infinite.
    """
    scratch = scratch or Scratch()
    elements = tuple(elements)
    shape = np.broadcast_shapes(*(admittance.shape for _, admittance in elements))
    edges: dict[frozenset[str], ComplexArray] = {}
    for nodes, admittance in elements:
        pair = frozenset(nodes)
        if len(pair) == 1:  # nothing that a current passes
            continue
        if pair in edges:
            admittance = np.add(edges[pair], admittance, out=scratch.take(shape))
        edges[pair] = admittance
    left, stars = dict(edges), []
    weak = np.zeros(shape, dtype=bool)
    limit = LARGEST_SHARE[scratch.dtype]
    with np.errstate(all="ignore"):  # what divides by 0 is found, and solved again
        for step in _steps(tuple(edges)):
            around = {node: left.pop(pair) for node, pair in step.neighbours}
            star = _star(step.node, around, shape, scratch)
            for one, other, pair in step.mesh:
                more = np.multiply(star.shares[one], around[other], out=scratch.take(shape))
                left[pair] = np.add(left[pair], more, out=more) if pair in left else more
            for share in star.shares.values():
                if not _all_small(share, limit):
                    weak |= ~(np.abs(share) <= limit)
            stars.append(star)
            for node, pair in step.neighbours:
                if around[node] is not edges.get(pair):
                    scratch.give_back(around[node])
    through = left.get(frozenset((INPUT, GROUND)), np.zeros((1,) * weak.ndim, dtype=scratch.dtype))
    if not np.isfinite(np.vdot(through, through)):
        weak |= ~np.isfinite(through)
    taken_apart = Elimination(through, edges, tuple(stars), weak, scratch)
    if not weak.any():
        return taken_apart
    right = np.array(np.broadcast_to(through, weak.shape), dtype=complex)
    right[weak] = _input_admittance(_at(weak, edges), _at(weak, taken_apart.driven()))
    return replace(taken_apart, input_admittance=right)


def _star(node: str, around: Mapping[str, ComplexArray], shape: tuple[int, ...], scratch: Scratch) -> _Star:
    """A node with its admittances to those around it."""
    impedance = scratch.take(shape)
    first, *others = around.values()
    if not others:
        impedance[...] = first
    for other in others:
        first = np.add(first, other, out=impedance)
    np.reciprocal(impedance, out=impedance)
    shares = {
        other: np.multiply(admittance, impedance, out=scratch.take(shape))
        for other, admittance in around.items()
        if other != GROUND
    }
    return _Star(node, impedance, shares)


class _Step(NamedTuple):
    """What is done to take one node out.

    Attributes
    ----------
    node : str
    neighbours : tuple of (str, frozenset)
        Each with the edge to it, the ground last.
    mesh : tuple of (str, str, frozenset)
        Each two neighbours with the edge between them.
    """

    node: str
    neighbours: tuple[tuple[str, frozenset[str]], ...]
    mesh: tuple[tuple[str, str, frozenset[str]], ...]


@functools.lru_cache(maxsize=64)
def _steps(edges: tuple[frozenset[str], ...]) -> tuple[_Step, ...]:
    """Inner nodes, those with the fewest neighbours first (Markowitz, Management Sci. 3, 255, 1957 [M])."""
    around: dict[str, set[str]] = {}
    for pair in edges:
        for node in pair:
            around.setdefault(node, set()).update(pair - {node})
    inner = [node for node in around if node not in (INPUT, GROUND)]
    steps: list[_Step] = []
    while inner:
        node = min(inner, key=lambda one: len(around[one]))
        inner.remove(node)
        neighbours = sorted(around.pop(node), key=lambda one: (one == GROUND, one))
        for one in neighbours:
            around[one] = (around[one] | set(neighbours)) - {one, node}
        mesh = ((one, other, frozenset((one, other))) for one, other in itertools.combinations(neighbours, 2))
        steps.append(_Step(node, tuple((one, frozenset((node, one))) for one in neighbours), tuple(mesh)))
    return tuple(steps)


def _sum(terms: Sequence[ComplexArray]) -> ComplexArray:
    return functools.reduce(operator.add, terms)


def _all_small(share: ComplexArray, limit: float) -> bool:
    """Whether no share can be large, or no number at all, as the sum of all squares is not.

    Shares add up to 1, so that one that is large has another beside it, and that of the ground needs no look.
    """
    return bool(np.vdot(share, share).real <= limit**2)


# Points at which the order of elimination does not suit


_Key = TypeVar("_Key")
_WITHOUT_LOSS = (
    "the network resonates without any loss at one of the frequencies asked for",
    "give its coils and capacitors their losses, as in RL1 in series with L1",
)


def _at(points: NDArray[np.bool_], arrays: Mapping[_Key, ComplexArray]) -> dict[_Key, ComplexArray]:
    """Arrays over all points at some of them, shape (points,)."""
    return {key: np.broadcast_to(values, points.shape)[points] for key, values in arrays.items()}


def _solved_densely(
    edges: Mapping[frozenset[str], ComplexArray],
    inner: Sequence[str],
    injected: Mapping[str, ComplexArray],
    input_v: float,
) -> ComplexArray:
    """Voltages of the inner nodes, shape (nodes, points), from the nodal equations with pivots."""
    points = next(iter(edges.values())).size
    place = {node: number for number, node in enumerate(inner)}
    matrix: NDArray[np.complex128] = np.zeros((points, len(inner), len(inner)), dtype=complex)
    currents: NDArray[np.complex128] = np.zeros((points, len(inner)), dtype=complex)
    for node, current in injected.items():
        if node in place:
            currents[:, place[node]] += current.ravel()
    for pair, admittance in edges.items():
        rows = [place[node] for node in pair if node in place]
        for row in rows:
            matrix[:, row, row] += admittance
            if INPUT in pair:
                currents[:, row] += admittance * input_v
        if len(rows) == 2:
            matrix[:, rows[0], rows[1]] -= admittance
            matrix[:, rows[1], rows[0]] -= admittance
    found: NDArray[Any]
    try:
        found = np.linalg.solve(matrix, currents[..., None])[..., 0]
    except np.linalg.LinAlgError:
        # Nodes that only absent parts join are at any voltage; the least one is as good as any other.
        found = (np.linalg.pinv(matrix) @ currents[..., None])[..., 0]
    missed = np.abs((matrix @ found[..., None])[..., 0] - currents).max(axis=1, initial=0.0)
    if not (missed <= 1e-6 * np.abs(currents).max(axis=1, initial=0.0)).all():
        raise StillboxError(*_WITHOUT_LOSS)
    voltages: ComplexArray = found.T
    return voltages


def _input_admittance(
    edges: Mapping[frozenset[str], ComplexArray], voltages: Mapping[str, ComplexArray]
) -> ComplexArray:
    """Current into the input for 1 V there, shape (points,)."""
    currents = []
    for pair, admittance in edges.items():
        if INPUT in pair:
            (other,) = pair - {INPUT}
            currents.append(admittance * (1.0 - voltages[other]))
    total = _sum(currents)
    if not np.isfinite(total).all():
        raise StillboxError(*_WITHOUT_LOSS)
    return total

"""Names of a model's parameters, declared once: units, usual values, limits, and where each stands in a vector.

Parameters that belong together are the fields of a named tuple, each declared by `number`. Its fields hold whatever
there is one of for each: values (`read`), derivatives, places. A `Layout` puts such groups, and others whose number
goes with the model, into the order that a fit moves; names are looked up before a fit begins, not while it runs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Any, NamedTuple, TypeVar

import numpy as np

from stillbox.capture.arrays import FloatArray

Group = TypeVar("Group", bound=NamedTuple)


@dataclass(frozen=True)
class Parameter:
    """One number that a fit may move.

    Attributes
    ----------
    name : str
        ``ln_`` in front: what the vector holds is the natural logarithm.
    meaning, unit : str
        Of the number itself, without its logarithm.
    usual : float
        As the vector holds it where nothing is known; nan: there is no such value.
    least, most : float
        What the vector can hold.
    """

    name: str
    meaning: str
    unit: str = ""
    usual: float = np.nan
    least: float = -np.inf
    most: float = np.inf

    @property
    def logarithmic(self) -> bool:
        return self.name.startswith("ln_")


def number(meaning: str, unit: str = "", usual: float = np.nan, least: float = -np.inf, most: float = np.inf) -> Any:
    """Declare a field of a group, see `Parameter`; the name is the field's."""
    return Parameter("", meaning, unit, usual, least, most)


@cache
def declared(group: type[Group], prefix: str = "") -> tuple[Parameter, ...]:
    """The parameters of a group, in order; ``prefix`` tells groups of one kind apart."""
    declarations = group._field_defaults
    return tuple(replace(declarations[name], name=prefix + name) for name in group._fields)


def usual(group: type[Group]) -> Group:
    """The usual values of a group."""
    return group._make(one.usual for one in declared(group))


@dataclass(frozen=True)
class Layout:
    """The order of a model's parameters.

    Attributes
    ----------
    parameters : tuple of Parameter
    blocks : dict of str to slice
        Where the groups are.
    """

    parameters: tuple[Parameter, ...]
    blocks: dict[str, slice]

    @classmethod
    def of(cls, **groups: tuple[Parameter, ...]) -> Layout:
        """Groups one after the other."""
        blocks, first = {}, 0
        for name, group in groups.items():
            blocks[name] = slice(first, first + len(group))
            first += len(group)
        return cls(tuple(one for group in groups.values() for one in group), blocks)

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.parameters)

    @cached_property
    def _places(self) -> dict[str, int]:
        return {name: place for place, name in enumerate(self.names)}

    def index(self, name: str) -> int:
        """Where a parameter stands; KeyError where the model has none of that name."""
        return self._places[name]

    def indices(self, names: Iterable[str]) -> list[int]:
        """Where parameters stand, in the order of the names."""
        return [self._places[name] for name in names]

    def changed(self, values: FloatArray, **numbers: float) -> FloatArray:
        """The same values but for some numbers."""
        result = values.copy()
        for name, value in numbers.items():
            result[self.index(name)] = value
        return result

    def limits(self, **other: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
        """Least and most of all parameters as declared, but for ``other``."""
        ends = np.array([(one.least, one.most) for one in self.parameters])
        for name, both in other.items():
            ends[self.index(name)] = both
        return ends[:, 0], ends[:, 1]

    def with_other(self, name: str, other: Parameter) -> Layout:
        """The same with another parameter in the place of one."""
        return replace(self, parameters=tuple(other if one.name == name else one for one in self.parameters))

"""Slow pure functions are computed once in a test run for the same input, whichever test or worker asks again.

The code under test still computes every result that any test sees: what is kept lies in a folder of this run alone,
under the digest of all that goes in. Input whose digest cannot be told (it holds a function of its own, say) is
computed anew, and so is everything as long as a test has changed anything in the code. Where a result holds the very
object that was given, what is read back holds the one given then.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import inspect
import pickle
import sys
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

from stillbox.analysis.lumped.coil_models import CHAIN, COIL_MODELS, CoilModel
from stillbox.analysis.watched_build import Watched

COILS = {model.name: model for model in (*COIL_MODELS, CHAIN)}
"""These hold functions without names, and are told apart by identity."""

SLOW = (
    ("stillbox.analysis.sweeps.transfer", "channel_ratio"),
    ("stillbox.analysis.impedance.impedance", "curve_of_spectrum"),
    ("stillbox.analysis.ringing.causes", "assign_causes"),
    ("stillbox.analysis.impedance.resonances", "fit_resonances"),
    ("stillbox.analysis.impedance.resonances", "fit_with_poles"),
    ("stillbox.analysis.impedance.sound_in_sweep", "variance_of_sounds"),
    ("stillbox.analysis.waterfall.decay_response", "decay_on_log_grid"),
    ("stillbox.analysis.waterfall.ridges", "follow_ridges"),
    ("stillbox.analysis.lumped.driver", "fit_driver"),
    ("stillbox.analysis.enclosure.box", "fit_box"),
    ("stillbox.analysis.system.second_take", "second_take"),
    ("stillbox.analysis.bass.bass_cost", "lining_cost"),
    ("stillbox.analysis.bass.bass_cost", "figure_quantity"),
)


ROOMS = ("stillbox.analysis", "stillbox.calibration")
"""What slow functions lean on is in these; of the others they know types of data only."""


class NoDigest(Exception):
    """Input of a kind that has no digest."""


@contextmanager
def computed_once(folder: Path, slow: Sequence[tuple[str, str]] = SLOW) -> Iterator[None]:
    """Keep results of ``slow`` (module, function) in ``folder``, wherever a module has the function under its name."""
    folder.mkdir(exist_ok=True)
    originals = {getattr(importlib.import_module(module), name) for module, name in slow}
    with pytest.MonkeyPatch.context() as patch:
        code = _Code()
        kept = {original: _kept(original, folder, code) for original in originals}
        for module in list(sys.modules.values()):
            for name, value in list(vars(module).items()):
                if isinstance(value, FunctionType) and value in originals:
                    patch.setattr(module, name, kept[value])
        code.look((*ROOMS, *(module for module, _ in slow)))
        yield


class _Code:
    """Functions, constants and methods as they were: whoever changes one in a test asks for other results."""

    def __init__(self) -> None:
        self._seen: list[tuple[Mapping[str, object], str, object]] = []

    def look(self, rooms: Sequence[str]) -> None:
        """Take what stands in the modules of these rooms now for the code."""
        places = tuple(f"{room}." for room in rooms)
        modules = [module for name, module in sys.modules.items() if f"{name}.".startswith(places)]
        for module in modules:
            classes = [one for one in vars(module).values() if isinstance(one, type)]
            for space in (vars(module), *(vars(one) for one in classes if one.__module__ == module.__name__)):
                self._seen += [(space, name, value) for name, value in space.items() if not name.startswith("__")]

    @property
    def untouched(self) -> bool:
        return all(_is_still(space.get(name), value) for space, name, value in self._seen)


def _is_still(now: object, seen: object) -> bool:
    return now is seen or getattr(now, "only_tells_of", None) is seen


def telling(function: Callable[..., Any], tell: Callable[[], None], anew: bool = False) -> Callable[..., Any]:
    """The function as it is, for a test that is to be told of each call: put in its place, it is no other code.

    With ``anew`` it is always computed: for tests of what a computation reads, which a kept result does not.
    """
    asked = inspect.unwrap(function) if anew else function

    @functools.wraps(function)
    def told(*arguments: Any, **named: Any) -> Any:
        tell()
        return asked(*arguments, **named)

    vars(told)["only_tells_of"] = function
    return told


def _kept(function: Callable[..., Any], folder: Path, code: _Code) -> Callable[..., Any]:
    @functools.wraps(function)
    def once(*arguments: Any, **named: Any) -> Any:
        if not code.untouched:
            return function(*arguments, **named)
        given = {**dict(enumerate(arguments)), **named}
        try:
            path = folder / f"{function.__name__}-{digest(given)}"
        except NoDigest:
            return function(*arguments, **named)
        if path.exists():
            with path.open("rb") as file:
                return _Unpickler(file, given).load()
        result = function(*arguments, **named)
        part = path.with_name(f"{path.name}.{uuid.uuid4().hex}")
        with part.open("wb") as file:
            _Pickler(file, given).dump(result)
        part.replace(path)
        return result

    return once


class _Pickler(pickle.Pickler):
    def __init__(self, file: Any, given: Mapping[int | str, object]) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._named = {id(value): name for name, value in given.items() if is_dataclass(value)}

    def persistent_id(self, value: object) -> tuple[str, int | str] | None:
        if isinstance(value, CoilModel) and COILS.get(value.name) is value:
            return "coil", value.name
        return ("given", self._named[id(value)]) if id(value) in self._named else None


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: Any, given: Mapping[int | str, object]) -> None:
        super().__init__(file)
        self._given = given

    def persistent_load(self, place: tuple[str, Any]) -> object:
        kind, name = place
        return COILS[name] if kind == "coil" else self._given[name]


def digest(value: object) -> str:
    """SHA-256 of a value and all that it holds."""
    sums = hashlib.sha256()
    _add(sums.update, value)
    return sums.hexdigest()


def _add(update: Callable[[bytes], None], value: object) -> None:
    kind = type(value)
    update(f"({kind.__module__}.{kind.__qualname__} ".encode())
    if isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            raise NoDigest(value)
        update(f"{value.dtype.str}{value.shape}".encode())
        update(np.ascontiguousarray(value).tobytes())
    elif value is None or isinstance(value, (bool, int, float, complex, str, bytes, np.generic)):
        update(repr(value).encode())
    elif isinstance(value, (tuple, list)):
        for item in value:
            _add(update, item)
    elif isinstance(value, Mapping):
        for key, item in value.items():
            _add(update, key)
            _add(update, item)
    elif isinstance(value, Watched):  # a result that is not computed reads nothing: all of it counts as read
        _add(update, value.whole)
    elif isinstance(value, BaseModel):
        update(repr(value.model_dump()).encode())  # JSON would not tell numbers apart that are none
    elif isinstance(value, CoilModel) and COILS.get(value.name) is value:
        update(value.name.encode())
    elif is_dataclass(value):
        for field in fields(value):
            _add(update, getattr(value, field.name))
    elif isinstance(value, FunctionType) and sys.modules[value.__module__].__dict__.get(value.__name__) is value:
        update(f"{value.__module__}.{value.__name__}".encode())
    else:
        raise NoDigest(value)
    update(b")")

"""What was computed is kept: each value once, for whoever asks in any thread, until what it was made from changes.

While a value is computed, the questions that it asks of the outside are noted with their answers (`Memory.note`), those
of the kept values that it leans on with them. In another state of the outside a value holds as long as all its
questions have the same answers (`Memory.where`): nobody has to say what it depends on, so nobody can forget to.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar

import numpy as np

from stillbox.analysis.maths.stopping import checked

Value = TypeVar("Value")
Answers = dict[Hashable, object]
"""By question."""

_PATIENCE_S = 0.05
"""A thread that waits for another looks so often whether its own work is still wanted."""


@dataclass(frozen=True)
class _Kept:
    """A value with the questions it was made from; ``made_from`` keeps alive what its place names by identity."""

    value: Any
    answers: Mapping[Hashable, object]
    made_from: tuple[object, ...]


class _Running:
    """A computation under way."""

    def __init__(self) -> None:
        self.thread = threading.get_ident()
        self.ended = threading.Event()


class Memory:
    """Values by what they are and what they are of.

    No lock is held while something is computed. A thread that asks for what another computes waits for it; where that
    one fails, or is stopped, the one that waited computes it itself. What fails is not kept.
    """

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._kept: dict[Hashable, _Kept] = {}
        self._origins: dict[int, Mapping[Hashable, object]] = {}
        self._running: dict[Hashable, _Running] = {}
        self._waits: dict[int, _Running] = {}
        self._own = threading.local()

    def kept(
        self, what: str, key: Hashable, compute: Callable[[], Value], made_from: tuple[object, ...] = ()
    ) -> Value:
        """The value of this name and key; computed where it is not known. Its arrays cannot be written to.

        Parameters
        ----------
        what, key
            Name of the value, and what it is of.
        compute : callable
            Must depend on nothing but ``key``, ``made_from``, and what it asks for: kept values, and questions that
            are noted.
        made_from : tuple
            Values out of this memory that are given to ``compute`` as they are. Where one is not out of it, nobody
            knows what it was made from: the value is then computed anew and not kept.
        """
        checked()
        place = (what, key, *map(id, made_from))
        with self._guard:
            origins = [self._origins.get(id(one)) for one in made_from]
        given: Answers = {}
        for origin in origins:
            if origin is None:
                return compute()
            given.update(origin)
        mine = _Running()
        try:
            while True:
                with self._guard:
                    self._waits.pop(mine.thread, None)
                    known = self._kept.get(place)
                    other = self._running.setdefault(place, mine) if known is None else mine
                    endless = other is not mine and self._waits_for_me(other)
                    if other is not mine and not endless:
                        self._waits[mine.thread] = other
                if known is not None:
                    self._note_all(known.answers)
                    value: Value = known.value
                    return value
                if other is mine:
                    return self._computed(place, compute, given, made_from)
                if other.thread == mine.thread:
                    raise RuntimeError(f"{what} is needed to compute itself")
                if endless:  # the other one waits for what this thread is at: better twice than never
                    return compute()
                while not other.ended.wait(_PATIENCE_S):
                    checked()
        finally:
            with self._guard:
                self._waits.pop(mine.thread, None)
                if self._running.get(place) is mine:
                    del self._running[place]
            mine.ended.set()

    def _computed(
        self, place: Hashable, compute: Callable[[], Value], given: Answers, made_from: tuple[object, ...]
    ) -> Value:
        answers, frames = dict(given), self._frames()
        frames.append(answers)
        try:
            value = compute()
        finally:  # who asked may go on without it: that it failed depends on the same
            frames.pop()
            self._note_all(answers)
        self._freeze(value)
        with self._guard:
            self._kept[place] = _Kept(value, answers, made_from)
            if is_dataclass(value):
                self._origins.setdefault(id(value), answers)
        return value

    def _waits_for_me(self, running: _Running | None) -> bool:
        """Whether the thread of a computation waits, through others perhaps, for this thread."""
        me = threading.get_ident()
        while running is not None and running.thread != me:
            running = self._waits.get(running.thread)
        return running is not None

    def note(self, question: Hashable, answer: object) -> None:
        """Tell of what is being computed in this thread that it has asked this, and was answered so."""
        frames = self._frames()
        if frames:
            frames[-1][question] = answer

    def _note_all(self, answers: Mapping[Hashable, object]) -> None:
        frames = self._frames()
        if frames:
            frames[-1].update(answers)

    def _frames(self) -> list[Answers]:
        """Questions of the computations of this thread, the innermost last."""
        if not hasattr(self._own, "frames"):
            self._own.frames = []
        frames: list[Answers] = self._own.frames
        return frames

    def knows(self, what: str, key: Hashable, made_from: tuple[object, ...] = ()) -> bool:
        """Whether a value is known already."""
        with self._guard:
            return (what, key, *map(id, made_from)) in self._kept

    def where(self, answer: Callable[[Any], object]) -> Memory:
        """A memory of what holds still where questions are answered by ``answer``; this one stays as it is."""
        with self._guard:
            kept, origins = dict(self._kept), dict(self._origins)
        same: dict[Hashable, bool] = {}

        def holds(question: Hashable, before: object) -> bool:
            if question not in same:
                same[question] = bool(answer(question) == before)
            return same[question]

        new = Memory()
        for place, one in kept.items():
            if all(holds(question, before) for question, before in one.answers.items()):
                new._kept[place] = one
                if is_dataclass(one.value):
                    new._origins.setdefault(id(one.value), origins[id(one.value)])
        return new

    def _freeze(self, value: object) -> None:
        """Make every array in a value read-only: other threads have it, too."""
        if isinstance(value, np.ndarray):
            value.setflags(write=False)
        elif isinstance(value, (tuple, list)):
            for item in value:
                self._freeze(item)
        elif isinstance(value, Mapping):
            for item in value.values():
                self._freeze(item)
        elif is_dataclass(value) and not isinstance(value, type) and id(value) not in self._origins:
            for field in fields(value):
                self._freeze(getattr(value, field.name, None))

"""Long computations end early where nobody waits for them any more.

Who starts one says by `stopping_when` how to know; what computes calls `checked` once in each round of a loop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_WAYS: ContextVar[tuple[Callable[[], bool], ...]] = ContextVar("ways to be stopped", default=())


class NoLongerWanted(BaseException):
    """Nobody waits for what was being computed: no fault, and nothing that a person is told of."""


@contextmanager
def stopping_when(unwanted: Callable[[], bool]) -> Iterator[None]:
    """Within, `checked` raises `NoLongerWanted` as soon as ``unwanted`` says so; in this thread alone."""
    token = _WAYS.set((*_WAYS.get(), unwanted))
    try:
        yield
    finally:
        _WAYS.reset(token)


def checked() -> None:
    """Go on where the result is still wanted.

    Raises
    ------
    NoLongerWanted
        If it is not.
    """
    for unwanted in _WAYS.get():
        if unwanted():
            raise NoLongerWanted

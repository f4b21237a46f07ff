"""A fit that breaks down says of which take."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.lumped.lumped_fit import FitBrokeDown
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

_More = ParamSpec("_More")

_Report = TypeVar("_Report")

_OfTake = Callable[Concatenate[Bench, TakeInfo, _More], _Report]


def blaming_the_take(make: _OfTake[_More, _Report]) -> _OfTake[_More, _Report]:
    """A fit that breaks down says of which take; any other error is a fault of the program and stays what it is."""

    @wraps(make)
    def made(bench: Bench, take: TakeInfo, /, *more: _More.args, **named: _More.kwargs) -> _Report:
        try:
            return make(bench, take, *more, **named)
        except (np.linalg.LinAlgError, FitBrokeDown) as error:
            raise StillboxError(
                f"no driver or box can be fitted to take {take.number}, {take.address} ({error})",
                "is it of what its subject says? Sweep it again, at a higher level",
            ) from error

    return made

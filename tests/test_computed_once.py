"""Results that are kept within a test run are those that would be computed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from inspect import getclosurevars
from pathlib import Path

import numpy as np
import pytest
from computed_once import NoDigest, computed_once, digest

from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.coil_models import COIL_MODELS, CoilModel

COMPUTED: list[float] = []
OFFSET = 0.0


@dataclass(frozen=True)
class Result:
    values: np.ndarray
    coil: CoilModel


def further(before: Result, factor: float) -> tuple[Result, Result]:
    return before, Result(before.values * factor, before.coil)


def slow(values: np.ndarray, factor: float = 2.0, say: Callable[[], None] | None = None) -> Result:
    COMPUTED.append(factor)
    if factor < 0:
        raise ValueError(factor)
    return Result(values * factor + OFFSET, COIL_MODELS[1])


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    COMPUTED.clear()
    return tmp_path / "kept"


def test_the_same_input_is_computed_once_and_other_input_anew(kept: Path) -> None:
    values = np.arange(3.0)
    for _ in range(2):  # as by two workers
        with computed_once(kept, [(__name__, "slow")]):
            for _ in range(2):
                result = slow(values.copy())
                assert result.values.tolist() == [0.0, 2.0, 4.0]
                assert result.coil is COIL_MODELS[1]
                result.values[:] = 0.0  # what a test does to its own is nobody else's
    assert COMPUTED == [2.0]
    with computed_once(kept, [(__name__, "slow")]):
        assert slow(values, 3.0).values.tolist() == [0.0, 3.0, 6.0]
        assert slow(values + 1).values.tolist() == [2.0, 4.0, 6.0]
        assert slow(values.astype(np.float32)).values.dtype == np.float32
    assert len(COMPUTED) == 4
    slow(values)
    assert len(COMPUTED) == 5, "outside it is the function itself"


def test_a_result_leans_on_the_very_object_that_was_given(kept: Path) -> None:
    with computed_once(kept, [(__name__, "further")]):
        for _ in range(2):
            given = Result(np.ones(2), COIL_MODELS[0])
            before, after = further(given, 2.0)
            assert before is given
            assert after.values.tolist() == [2.0, 2.0]
    assert len(list(kept.iterdir())) == 1


@pytest.mark.parametrize(
    "place",
    [
        f"{__name__}.OFFSET",
        "stillbox.analysis.maths.rational.MOST_Q",
        "stillbox.analysis.maths.rational.FitProblem.free",
    ],
)
def test_as_long_as_code_is_changed_nothing_is_kept(kept: Path, monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    with computed_once(kept, [(__name__, "slow")]):
        assert slow(np.zeros(1)).values.tolist() == [0.0]
        with monkeypatch.context() as patch:
            patch.setattr(place, 1.0)
            for _ in range(2):
                assert slow(np.zeros(1)).values.tolist() == [OFFSET]
        assert slow(np.zeros(1)).values.tolist() == [0.0]
    assert len(COMPUTED) == 3


def test_no_code_is_changed_by_itself_while_tests_run() -> None:
    """Else every result would be computed anew, and nobody would see why."""
    assert getclosurevars(fit_resonances).nonlocals["code"].untouched


def test_a_fault_is_raised_each_time_and_what_has_no_digest_is_computed_each_time(kept: Path) -> None:
    with computed_once(kept, [(__name__, "slow")]):
        for _ in range(2):
            with pytest.raises(ValueError, match="-1"):
                slow(np.zeros(1), -1.0)
            slow(np.zeros(1), say=lambda: None)
    assert COMPUTED == [-1.0, 2.0, -1.0, 2.0]
    assert not list(kept.iterdir())


def test_digests_tell_apart_what_differs() -> None:
    array = np.arange(6.0)
    different = [
        1, 1.0, True, "1", b"1", None, (1,), [1], ((1,),), (1, 1), {"a": 1}, {"a": 1, "b": 1}, np.float64(1.0), 1 + 0j,
        array, array.reshape(2, 3), array.astype(complex), array[::-1], Result(array, COIL_MODELS[0]),
        Result(array, COIL_MODELS[1]), Result(2 * array, COIL_MODELS[1]), slow, digest,
    ]  # fmt: skip
    assert len({digest(value) for value in different}) == len(different)
    assert digest(array[::-1]) == digest(array[::-1].copy())
    with pytest.raises(NoDigest):
        digest([lambda: None])

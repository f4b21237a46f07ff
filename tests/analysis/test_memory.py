"""The memory of what was computed: once for all threads, read-only, dropped by what it was made from."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from stillbox.analysis.maths.stopping import NoLongerWanted, checked, stopping_when
from stillbox.analysis.memory import Memory

PATIENCE_S = 20.0


@dataclass(frozen=True)
class Made:
    """A result with an array at several depths."""

    values: np.ndarray
    parts: tuple[object, ...] = ()


def in_thread(work: Callable[[], object], found: list[object]) -> threading.Thread:
    """Do ``work`` in a thread; its result or exception goes to ``found``."""

    def run() -> None:
        try:
            found.append(work())
        except BaseException as error:
            found.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def joined(*threads: threading.Thread) -> None:
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "it hangs"


def wait_until_waiting(memory: Memory, count: int = 1) -> None:
    """Until so many threads wait for what others compute."""
    slept = threading.Event()
    for _ in range(int(PATIENCE_S / 0.005)):
        if len(memory._waits) >= count:
            return
        slept.wait(0.005)
    raise AssertionError("nobody waits")


# Once


def test_a_value_is_computed_once_for_many_threads_at_once() -> None:
    memory, begun, go = Memory(), threading.Event(), threading.Event()
    calls: list[int] = []

    def compute() -> Made:
        calls.append(1)
        begun.set()
        assert go.wait(PATIENCE_S)
        return Made(np.ones(3))

    found: list[object] = []
    threads = [in_thread(lambda: memory.kept("it", 1, compute), found) for _ in range(5)]
    assert begun.wait(PATIENCE_S)
    wait_until_waiting(memory, 4)
    assert memory.kept("other", 1, lambda: 7) == 7, "what is being computed keeps others from computing"
    go.set()
    joined(*threads)
    assert len(calls) == 1 and len({id(one) for one in found}) == 1 and isinstance(found[0], Made)


def test_names_and_keys_tell_values_apart() -> None:
    memory = Memory()
    assert [memory.kept(what, key, lambda what=what, key=key: (what, key)) for what in "ab" for key in (1, 2)] == [
        ("a", 1), ("a", 2), ("b", 1), ("b", 2),
    ]  # fmt: skip
    assert memory.knows("a", 1) and not memory.knows("a", 3)


# Failures, stops, circles


def test_what_fails_is_not_kept_and_who_waits_tries_itself() -> None:
    memory, begun, go = Memory(), threading.Event(), threading.Event()
    calls: list[int] = []

    def fails_once() -> int:
        calls.append(1)
        if len(calls) == 1:
            begun.set()
            assert go.wait(PATIENCE_S)
            raise ValueError("no")
        return 5

    found: list[object] = []
    first = in_thread(lambda: memory.kept("it", 1, fails_once), found)
    assert begun.wait(PATIENCE_S)
    second = in_thread(lambda: memory.kept("it", 1, fails_once), found)
    wait_until_waiting(memory)
    go.set()
    joined(first, second)
    assert isinstance(found[0], ValueError) and found[1] == 5 and len(calls) == 2


def test_a_stopped_computation_leaves_nothing_and_hangs_nobody() -> None:
    memory, begun, wanted = Memory(), threading.Event(), [True]
    calls: list[int] = []

    def slow_at_first() -> int:
        calls.append(1)
        if len(calls) > 1:
            return 5
        begun.set()
        nap = threading.Event()
        while True:
            checked()
            nap.wait(0.005)

    def unwanted_soon() -> int:
        with stopping_when(lambda: not wanted[0]):
            return memory.kept("outer", 1, lambda: memory.kept("it", 1, slow_at_first) + 1)

    found: list[object] = []
    first = in_thread(unwanted_soon, found)
    assert begun.wait(PATIENCE_S)
    second = in_thread(lambda: memory.kept("outer", 1, lambda: memory.kept("it", 1, slow_at_first) + 1), found)
    wait_until_waiting(memory)
    wanted[0] = False
    joined(first, second)
    assert {type(one) for one in found} == {NoLongerWanted, int} and 6 in found
    assert not memory._running and not memory._waits


def test_who_waits_can_be_stopped_too() -> None:
    memory, begun, go = Memory(), threading.Event(), threading.Event()

    def slow() -> int:
        begun.set()
        assert go.wait(PATIENCE_S)
        return 5

    def unwanted() -> int:
        with stopping_when(lambda: bool(memory._waits)):
            return memory.kept("it", 1, slow)

    found: list[object] = []
    first = in_thread(lambda: memory.kept("it", 1, slow), found)
    assert begun.wait(PATIENCE_S)
    joined(in_thread(unwanted, found))
    assert isinstance(found[0], NoLongerWanted)
    go.set()
    joined(first)
    assert found[1] == 5 and not memory._waits


def test_two_threads_that_need_each_other_end() -> None:
    """One computes A and needs B, the other is at B and asks for A: it must not wait for the one that waits for it."""
    memory = Memory()
    at_a, at_b = threading.Event(), threading.Event()

    def a() -> int:
        at_a.set()
        assert at_b.wait(PATIENCE_S)
        return 1 + memory.kept("B", 0, lambda: 10)

    def b() -> int:
        at_b.set()
        assert at_a.wait(PATIENCE_S)
        return 10 * memory.kept("A", 0, lambda: 1)

    found: list[object] = []
    joined(in_thread(lambda: memory.kept("A", 0, a), found), in_thread(lambda: memory.kept("B", 0, b), found))
    assert all(isinstance(one, int) for one in found), found


def test_a_circle_of_three_threads_ends() -> None:
    memory, barrier, found = Memory(), threading.Barrier(3), list[object]()

    def make(name: str, needs: str) -> int:
        barrier.wait(PATIENCE_S)
        return 1 + memory.kept(needs, 0, lambda: 0)

    pairs = (("A", "B"), ("B", "C"), ("C", "A"))
    joined(*(in_thread(lambda n=n, o=o: memory.kept(n, 0, lambda: make(n, o)), found) for n, o in pairs))
    assert all(isinstance(one, int) for one in found) and len(found) == 3


def test_what_needs_itself_is_a_fault_and_no_hang() -> None:
    memory = Memory()

    def needs_itself() -> int:
        return memory.kept("other", 1, lambda: memory.kept("it", 1, needs_itself))

    with pytest.raises(RuntimeError, match="it is needed to compute itself"):
        memory.kept("it", 1, needs_itself)
    assert memory.kept("it", 1, lambda: 3) == 3


# What it was made from


def outside(answers: dict[str, object], memory: Memory) -> Callable[[str], object]:
    """Ask a question, and note it."""

    def ask(question: str) -> object:
        memory.note(question, answers[question])
        return answers[question]

    return ask


def test_a_value_falls_with_the_answers_it_was_made_from_and_no_others() -> None:
    memory = Memory()
    ask = outside({"warm": 20, "name": "x", "port": 70}, memory)
    memory.kept("fit", 1, lambda: ask("port"))
    memory.kept("causes", 1, lambda: (memory.kept("fit", 1, lambda: ask("port")), ask("warm")))
    memory.kept("words", 1, lambda: (memory.kept("causes", 1, lambda: None), ask("name")))
    kinds = ("fit", "causes", "words")

    def holding(**changed: object) -> list[str]:
        now = {"warm": 20, "name": "x", "port": 70, **changed}
        later = memory.where(lambda question: now[question])
        return [what for what in kinds if later.knows(what, 1)]

    assert holding() == list(kinds)
    assert holding(name="y") == ["fit", "causes"]
    assert holding(warm=25) == ["fit"]
    assert holding(port=80) == []
    assert all(memory.knows(what, 1) for what in kinds), "the memory itself stays as it was"


def test_what_failed_within_counts_as_asked() -> None:
    """Who goes on without something depends on what made it fail."""
    memory = Memory()
    ask = outside({"port": None}, memory)

    def fails() -> int:
        if ask("port") is None:
            raise ValueError("no port")
        return 1

    def goes_on() -> str:
        try:
            memory.kept("fit", 1, fails)
        except ValueError:
            return "without"
        return "with"

    assert memory.kept("words", 1, goes_on) == "without"
    assert memory.where(lambda _: None).knows("words", 1)
    assert not memory.where(lambda _: 70).knows("words", 1)


def test_a_value_given_by_hand_is_asked_for_by_all_that_is_made_from_it() -> None:
    memory = Memory()
    ask = outside({"meter": 5.7}, memory)
    driver = memory.kept("driver", 1, lambda: Made(np.array([ask("meter")])))
    box = memory.kept("box", 1, lambda: Made(2 * driver.values), (driver,))
    assert memory.kept("box", 1, lambda: Made(np.zeros(1)), (driver,)) is box
    same, other = memory.where(lambda _: 5.7), memory.where(lambda _: 5.8)
    assert same.kept("box", 1, lambda: Made(np.zeros(1)), (driver,)) is box
    foreign = Made(np.array([5.8]))
    for bench in (memory, other):  # nobody knows what it was made from
        one = bench.kept("box", 1, lambda: Made(2 * foreign.values), (foreign,))
        assert one.values[0] == 11.6 and bench.kept("box", 1, lambda: Made(np.zeros(1)), (foreign,)) is not one


# Read-only


def test_kept_arrays_cannot_be_written_to_at_any_depth() -> None:
    inner = Made(np.zeros(2))
    memory = Memory()
    made = memory.kept("it", 1, lambda: Made(np.ones(3), (inner, {"a": np.ones(1)}, [np.ones(2)])))
    arrays = [made.values, inner.values, made.parts[1]["a"], made.parts[2][0]]  # type: ignore[index]
    for array in arrays:
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 7.0

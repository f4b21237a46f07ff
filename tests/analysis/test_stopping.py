"""Every long computation looks often whether it is still wanted, and ends where it is not."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from practice_takes import practice_takes

from stillbox.analysis.bass.bass_report import bass_report
from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.maths.stopping import NoLongerWanted, checked, stopping_when
from stillbox.analysis.waterfall.decay_response import decay_on_log_grid
from stillbox.calibration.jig import fit_jig
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError

LEAST_LOOKS = {"ratio": 20, "fit": 50, "driver": 50, "box": 200, "bass": 50, "decay": 50}
"""What each is asked to look in its own work, at least: none takes ten seconds."""


@pytest.fixture(autouse=True, scope="module")
def computed_anew() -> Iterator[None]:
    """With a function of a test in the code nothing is taken from what other tests have computed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("stillbox.analysis.bench.fit_jig", lambda *given: fit_jig(*given))
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> BuildFolder:
    takes = (("free-air", None), ("in-box", "stock"), ("in-box", "lined"))
    return BuildFolder.open(practice_takes(tmp_path_factory.mktemp("builds"), takes))  # type: ignore[arg-type]


def steps(bench: Bench) -> dict[str, Callable[[], object]]:
    """From the takes upward, each leaning on those before."""
    free_air, stock, lined = bench.takes
    return {
        "ratio": lambda: [bench.ratio(take) for take in bench.takes],
        "fit": lambda: [bench.fit(take) for take in bench.takes],
        "driver": lambda: driver_of_take(bench, free_air),
        "box": lambda: [box_of_take(bench, take, driver_of_take(bench, free_air)) for take in (stock, lined)],
        "bass": lambda: bass_report(bench, "lined", against="stock"),
        "decay": lambda: decay_on_log_grid(bench.decay(lined)),
    }


def test_outside_of_it_nothing_is_stopped() -> None:
    checked()
    with stopping_when(lambda: False), stopping_when(lambda: False):
        checked()
    with pytest.raises(NoLongerWanted), stopping_when(lambda: True), stopping_when(lambda: False):
        checked()
    checked()
    assert not issubclass(NoLongerWanted, (StillboxError, Exception))


def test_it_holds_for_one_thread_alone() -> None:
    found: list[str] = []

    def other() -> None:
        checked()
        found.append("went on")

    with stopping_when(lambda: True):
        thread = threading.Thread(target=other)
        thread.start()
        thread.join(20)
    assert found == ["went on"]


def test_each_computation_looks_often_and_can_be_stopped_anywhere(folder: BuildFolder) -> None:
    bench, looks = Bench(folder), [0]

    def count() -> bool:
        looks[0] += 1
        return False

    for name, compute in steps(bench).items():
        # Stopped at several places, then done whole: what was stopped has left nothing wrong behind.
        for at in (1, 3, LEAST_LOOKS[name] // 2):
            left = [at]

            def soon(left: list[int] = left) -> bool:
                left[0] -= 1
                return left[0] < 0

            with pytest.raises(NoLongerWanted), stopping_when(soon):
                compute()
            assert not bench.memory._running
        looks[0] = 0
        with stopping_when(count):
            compute()
        assert looks[0] >= LEAST_LOOKS[name] / 2, f"{name} looked {looks[0]} times"


def test_a_stopped_fit_is_no_half_result(folder: BuildFolder) -> None:
    whole, bench = Bench(folder), Bench(folder)
    take, looks = bench.takes[1], [0]

    def later() -> bool:
        looks[0] += 1
        return looks[0] > 30

    with pytest.raises(NoLongerWanted), stopping_when(later):
        bench.fit(take)
    assert not bench.is_fitted(take)
    np.testing.assert_array_equal(bench.fit(take).real_coefficients, whole.fit(take).real_coefficients)


def test_ctrl_c_ends_a_fit_and_leaves_nothing(folder: BuildFolder) -> None:
    bench, looks = Bench(folder), [0]
    take = bench.takes[1]

    def at_thirty() -> bool:
        looks[0] += 1
        if looks[0] == 30:
            os.kill(os.getpid(), signal.SIGINT)
        return False

    with pytest.raises(KeyboardInterrupt), stopping_when(at_thirty):
        bench.fit(take)
    assert looks[0] <= 31 and not bench.memory._running and not bench.is_fitted(take)


def test_a_thread_that_waits_for_a_stopped_fit_makes_it_itself(folder: BuildFolder) -> None:
    bench, wanted, waiting = Bench(folder), [True], threading.Event()
    take, found = bench.takes[1], list[object]()

    def first() -> None:
        def unwanted() -> bool:
            if bench.memory._waits:
                wanted[0] = False
            return not wanted[0]

        try:
            with stopping_when(unwanted):
                waiting.set()
                found.append(bench.fit(take))
        except NoLongerWanted:
            found.append("stopped")

    threads = [threading.Thread(target=first), threading.Thread(target=lambda: found.append(bench.fit(take)))]
    threads[0].start()
    assert waiting.wait(20)
    threads[1].start()
    for thread in threads:
        thread.join(120)
        assert not thread.is_alive()
    assert bench.is_fitted(take) and bench.fit(take) in [one for one in found if one != "stopped"]

"""What two takes tell of their crossovers, in words: values, losses, what is exchanged or missing."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.built import as_built, crossover_told, suspects_words
from stillbox.analysis.watched_build import Netlist
from stillbox.analysis.wrong_part.result import Fault, Suspect
from stillbox.capture.recording.take import TakeInfo

TEXT = "* t\nL1 in w 1m\nRL1 w x 0.3\nXwoofer x 0 W\nC1 in t 6.8u\nXtweeter t 0 T\n"
TAKES = [cast(TakeInfo, SimpleNamespace(number=number, state=state, unit="A", address="", of=""))
         for number, state in ((1, "stock"), (2, "mended"))]  # fmt: skip


def suspect(kind: Any, part: str, value: float | None = None, other: str = "", probability: float = 0.99) -> Suspect:
    std = None if value is None else 0.01 * value
    numbers = (None, None, value, std) if kind == "loss" else (value, std, None, None)
    return Suspect(Fault(kind, part, other), *numbers, probability)


def invented(*found: Suspect | None) -> Bench:
    """Two takes with what their curves tell; C1 has 6.87 uF and L1 0.31 ohm where nothing else is said."""

    def told(one: Suspect | None) -> Any:
        value = one.value if one is not None and one.value is not None else 6.87e-6
        loss_ohm = one.loss_ohm if one is not None and one.loss_ohm is not None else 0.31
        part = SimpleNamespace(value=value, kind="capacitor", loss_ohm=loss_ohm)
        return SimpleNamespace(suspect=one, part=lambda name: part)

    return cast(Bench, SimpleNamespace(
        kept=lambda what, take, compute: told(found[take.number - 1]),
        network_of=lambda number: Netlist("0001.cir", "for all takes", TEXT),
        takes_of=lambda subject: TAKES,
    ))  # fmt: skip


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (None, None, ""),
        (suspect("value", "C1", 4.71e-6, probability=0.9), None, ""),
        (suspect("value", "C1", 4.71e-6), None, "C1 seems to be 4.71 µF in stock and 6.87 µF in mended: CHANGED"),
        (None, suspect("value", "C1", 4.71e-6), "C1 seems to be 6.87 µF in stock and 4.71 µF in mended: CHANGED"),
        (
            suspect("value", "C1", 4.71e-6),
            suspect("value", "C1", 4.75e-6),
            "C1 seems to be 4.71 µF instead of 6.8 µF in stock and mended alike",
        ),
        (suspect("loss", "L1", 2.0), None, "L1 seems to have in series 2 ohm in stock and 0.31 ohm in mended: CHANGED"),
        (suspect("open", "C1"), None, "C1 is open in stock, and not in mended: CHANGED"),
        (
            suspect("open", "C1"),
            suspect("loss", "L1", 2.0),
            "C1 is open in stock, and L1 has 2 ohm in series instead of 0.3 ohm in mended: CHANGED",
        ),
    ],
)
def test_two_crossovers_are_told_in_a_sentence(first: Suspect | None, second: Suspect | None, words: str) -> None:
    assert crossover_told(invented(first, second), *TAKES) == words.replace("CHANGED", "the crossover was changed")


def test_one_part_that_is_wrong_in_both_is_no_change() -> None:
    bench = as_built(invented(suspect("value", "C1", 4.71e-6), suspect("value", "C1", 4.75e-6)), TAKES)
    one, other = (bench.as_built(take) for take in TAKES)
    assert one is not None and one == other and one.stds == (("C1", pytest.approx(4.71e-8)),)
    assert one.network.part("C1").value == 4.71e-6 and "instead of 6.8" in one.words


def test_what_is_missing_has_no_value_to_be_read_through() -> None:
    bench = invented(suspect("open", "C1"), None)
    assert as_built(bench, TAKES) is bench and list(suspects_words(bench, TAKES)) == ["C1 is open in stock"]
    lossy = as_built(invented(suspect("loss", "L1", 2.0), None), TAKES)
    built = lossy.as_built(TAKES[0])
    assert built is not None and built.network.part("L1").loss_ohm == 2.0 and lossy.as_built(TAKES[1]) is None

"""What stands on parts."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillbox.analysis.parts.kinds import KINDS, UNITS, Kind
from stillbox.analysis.parts.part_codes import TOLERANCE_PERCENT, read_marking, value_words
from stillbox.capture.errors import StillboxError


@pytest.mark.parametrize(
    ("text", "kind", "value", "told", "tolerance"),
    [
        # 4R7 and 4K7 as in the article on the RKM code (wikiclassic.com/wiki/IEC_62:1952); the rest [M].
        ("4R7", None, 4.7, "resistor", None),
        ("4K7", None, 4700.0, "resistor", None),
        ("4k7", None, 4700.0, "resistor", None),
        ("R47", None, 0.47, "resistor", None),
        ("0R47", None, 0.47, "resistor", None),
        ("100R", None, 100.0, "resistor", None),
        ("10K", None, 10e3, "resistor", None),
        ("47KJ", "resistor", 47e3, "resistor", 5.0),
        ("1M0", None, 1e6, "resistor", None),
        ("4M7K", None, 4.7e6, "resistor", 10.0),
        ("5L6", None, 5.6e-3, "resistor", None),
        ("4R7F", None, 4.7, "resistor", 1.0),
        ("4R7 J", None, 4.7, "resistor", 5.0),
        ("6n8", None, 6.8e-9, None, None),
        ("6N8K", "capacitor", 6.8e-9, "capacitor", 10.0),
        ("p33", None, 0.33e-12, None, None),
        ("3p3C", "capacitor", 3.3e-12, "capacitor", 0.25),
        ("10µM", "capacitor", 10e-6, "capacitor", 20.0),
        ("12u", "coil", 12e-6, "coil", None),
        ("1m5", "coil", 1.5e-3, "coil", None),
        ("6n8F", "capacitor", 6.8e-9, "capacitor", 1.0),
        ("473K", "capacitor", 47e-9, "capacitor", 10.0),
        ("105J", "capacitor", 1e-6, "capacitor", 5.0),
        ("229M", "capacitor", 22e-3, "capacitor", 20.0),
        ("100J", "resistor", 100.0, "resistor", 5.0),
        # As people write in lists.
        ("12.7u", None, 12.7e-6, None, None),
        ("12,7 µF", None, 12.7e-6, "capacitor", None),
        ("12.7uF 5%", None, 12.7e-6, "capacitor", 5.0),
        ("12.7 uF ± 2,5 %", None, 12.7e-6, "capacitor", 2.5),
        ("0.33 mH", None, 0.33e-3, "coil", None),
        ("330uH", None, 0.33e-3, "coil", None),
        ("4.7 Ω", None, 4.7, "resistor", None),
        ("2.2kohm", None, 2200.0, "resistor", None),
        ("1 Mohm", None, 1e6, "resistor", None),
        ("22 mΩ", None, 0.022, "resistor", None),
        ("4.7 uF J", None, 4.7e-6, "capacitor", 5.0),
        (".68u", None, 0.68e-6, None, None),
        ("4.7e-6", "capacitor", 4.7e-6, "capacitor", None),
        ("8.2", "resistor", 8.2, "resistor", None),
    ],
)
def test_markings(text: str, kind: Kind | None, value: float, told: Kind | None, tolerance: float | None) -> None:
    found = read_marking(text, kind)
    assert found.value == pytest.approx(value, rel=1e-15)
    assert (found.kind, found.tolerance_percent) == (told, tolerance)


def test_letters_of_tolerances() -> None:
    # IEC 60062 [M]
    printed = {"B": 0.1, "C": 0.25, "D": 0.5, "F": 1, "G": 2, "H": 3, "J": 5, "K": 10, "M": 20}
    assert {letter: TOLERANCE_PERCENT[letter] for letter in printed} == printed
    for letter, percent in printed.items():
        assert read_marking(f"4R7{letter}").tolerance_percent == percent
        assert read_marking(f"4u7{letter}", "capacitor").tolerance_percent == percent


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("", None, "'': no value of a part; write it as in 4.7u"),
        ("red", None, "no value of a part"),
        ("4.7q", None, "the letter q means no multiplier here"),
        ("4m7", "resistor", "m may mean a thousandth or a million here; write L for the one, M for the other"),
        ("104", "capacitor", "without a prefix; write 104u or 104K for 10 and 4 noughts in pF"),
        ("4.7", "capacitor", None),
        ("10MF", None, "'MF' is no unit of a capacitor; write uF for millionths"),
        ("4R7", "capacitor", "the letter R means no multiplier on a capacitor"),
        ("4.7uF", "coil", "'4.7uF' is the value of a capacitor, not of a coil"),
        ("4u7Z", "capacitor", "a tolerance of -20/+80 %"),
        ("4u7X", "capacitor", "'X' is neither a unit nor a letter of a tolerance"),
        ("4u7J 5%", "capacitor", "has two tolerances; give one"),
        ("0u", "capacitor", "no value above 0"),
        ("-4.7u", "capacitor", "no value of a part"),
        ("1e99", "resistor", None),
        ("9" * 400, "resistor", "no value of a part"),
        ("9" * 50, "resistor", "no value of a part"),
    ],
)
def test_what_means_nothing_is_told(text: str, kind: Kind | None, said: str | None) -> None:
    if said is None:  # a plain number is left to whoever knows what is within reason
        assert read_marking(text, kind).value == float(text)
        return
    with pytest.raises(StillboxError) as raised:
        read_marking(text, kind)
    assert said in str(raised.value) and raised.value.remedy


@pytest.mark.parametrize(
    ("value", "kind", "words"),
    [
        (12.7e-6, "capacitor", "12.7 µF"), (0.68e-6, "capacitor", "0.68 µF"), (0.1e-6, "capacitor", "0.1 µF"),
        (6.8e-9, "capacitor", "6.8 nF"), (22e-12, "capacitor", "22 pF"), (0.33e-3, "coil", "0.33 mH"),
        (10e-3, "coil", "10 mH"), (22e-6, "coil", "22 µH"), (4.7, "resistor", "4.7 ohm"),
        (0.47, "resistor", "0.47 ohm"),
        (0.022, "resistor", "22 mohm"), (2200.0, "resistor", "2.2 kohm"), (1e6, "resistor", "1 Mohm"),
    ],
)  # fmt: skip
def test_values_in_words(value: float, kind: Kind, words: str) -> None:
    assert value_words(value, kind) == words
    assert read_marking(words, kind).value == pytest.approx(value, rel=1e-12)


@given(st.sampled_from(KINDS), st.integers(1000, 9999), st.integers(-12, -6))
def test_words_are_read_back(kind: Kind, digits: int, power: int) -> None:
    value = digits * 10.0**power * (1e6 if kind == "resistor" else 1)
    found = read_marking(value_words(value, kind))
    assert found.kind == kind and UNITS[kind] and found.value == pytest.approx(value, rel=1e-12)


@settings(max_examples=300)
@given(st.text(max_size=12) | st.text("0123456789.,RKMLpnumFHJ% ohmµΩ", max_size=10), st.sampled_from([None, *KINDS]))
def test_any_text_means_something_or_is_told(text: str, kind: Kind | None) -> None:
    try:
        found = read_marking(text, kind)
    except StillboxError as error:
        assert error.remedy and "\n" not in str(error)
        return
    assert 0 < found.value < float("inf")

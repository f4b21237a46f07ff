"""Preferred values against printed tables."""

from __future__ import annotations

import numpy as np
import pytest

from stillbox.capture.errors import StillboxError
from stillbox.capture.jig.e_series import SERIES, nearest_value, values_between

# IEC 60063, as printed in the table of qsl.net/g4usp, "Component preferred values" (E12, E24, E96 as far as there);
# E3, E48 and the one value of E192 that follows no formula from memory of the standard [M].
PRINTED = {
    "E3": "10 22 47",
    "E6": "10 15 22 33 47 68",
    "E12": "10 12 15 18 22 27 33 39 47 56 68 82",
    "E24": "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91",
    "E48": "100 105 110 115 121 127 133 140 147 154 162 169 178 187 196 205 215 226 237 249 261 274 287 301 316 332 "
    "348 365 383 402 422 442 464 487 511 536 562 590 619 649 681 715 750 787 825 866 909 953",
}


@pytest.mark.parametrize("series", PRINTED)
def test_series_are_as_printed(series: str) -> None:
    printed = [float(value) for value in PRINTED[series].split()]
    assert np.allclose(np.array(SERIES[series]) * printed[0], printed, rtol=1e-12)


def test_the_fine_series() -> None:
    assert [round(100 * value) for value in SERIES["E96"][:12]] == [
        100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130,
    ]  # fmt: skip
    assert round(100 * SERIES["E96"][-1]) == 976
    assert len(SERIES["E192"]) == 192 and len(set(SERIES["E192"])) == 192
    assert SERIES["E192"][185] == 9.2  # and not 9.19
    assert set(SERIES["E3"]) < set(SERIES["E6"]) < set(SERIES["E12"]) < set(SERIES["E24"])
    assert set(SERIES["E48"]) < set(SERIES["E96"]) < set(SERIES["E192"])
    for values in SERIES.values():
        assert list(values) == sorted(values) and values[0] == 1.0 and values[-1] < 10


@pytest.mark.parametrize(
    ("wanted", "series", "nearest"),
    [
        (12.7e-6, "E12", 12e-6), (12.7e-6, "E24", 13e-6), (12.7e-6, "E96", 12.7e-6), (9.6, "E6", 10.0),
        (8.3, "E6", 6.8), (0.98e-3, "E3", 1e-3), (4.7, "E12", 4.7), (9.4, "E24", 9.1), (9.6e5, "E24", 1e6),
        (3.3, "E3", 2.2), (3.5, "E3", 4.7),
    ],
)  # fmt: skip
def test_the_nearest_value(wanted: float, series: str, nearest: float) -> None:
    assert nearest_value(wanted, series) == pytest.approx(nearest, rel=1e-12)


@pytest.mark.parametrize("series", SERIES)
def test_no_value_of_the_series_is_nearer(series: str) -> None:
    for wanted in np.geomspace(1.1e-6, 0.9e6, 200):
        found = nearest_value(float(wanted), series)
        others = values_between(wanted / 20, wanted * 20, series)
        assert found in others
        assert abs(found / wanted - 1) == pytest.approx(min(abs(value / wanted - 1) for value in others), abs=1e-12)


def test_values_of_a_range() -> None:
    assert values_between(4.6, 12, "E12") == [4.7, 5.6, 6.8, 8.2, 10.0, 12.0]
    assert values_between(4700, 4700) == [4700.0]


def test_a_series_that_is_none() -> None:
    with pytest.raises(StillboxError, match="choose one of E3, E6"):
        nearest_value(1.0, "E13")

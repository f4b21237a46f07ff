"""How numbers with uncertainties are printed."""

from __future__ import annotations

import pytest

from stillbox.analysis.maths.quantity import Quantity


@pytest.mark.parametrize(
    ("value", "std", "text"),
    [
        # JCGM 100, H.2 with two digits of u: R 127.732, u 0.071; X 219.847, u 0.295; Z 254.260, u 0.236.
        (127.73217, 0.07107, "127.732 ± 0.071 Hz"),
        (219.84651, 0.29558, "219.85 ± 0.30 Hz"),
        (254.25970, 0.23634, "254.26 ± 0.24 Hz"),
        (0.26249, 0.00014, "0.26249 ± 0.00014 Hz"),
        (12.3456, 0.0996, "12.35 ± 0.10 Hz"),
        (1.1032, 0.0616, "1.103 ± 0.062 Hz"),
        # Better than a ten-thousandth five digits of the value are printed; the uncertainty is rounded up to the last.
        (43.71257, 0.00033, "43.713 ± 0.001 Hz"),
        (43.71257, 0.0021, "43.713 ± 0.003 Hz"),
        (-0.000884711, 2.6e-10, "-0.00088471 ± 0.00000001 Hz"),
        (123456.7, 0.5, "123457 ± 1 Hz"),
        (12346.0, 250.0, "12350 ± 250 Hz"),
        (0.0, 0.012, "0.000 ± 0.012 Hz"),
        (5.6, 0.0, "5.6 Hz"),
    ],
)
def test_value_and_uncertainty(value: float, std: float, text: str) -> None:
    assert Quantity(value, std, "Hz").text() == text


@pytest.mark.parametrize(
    ("value", "std", "text"),
    [
        (10.0, 0.5, "9.02 to 10.98"),  # 10 ± 1.95996 * 0.5
        (43.71257, 0.00033, "43.711 to 43.714"),
        (0.0, 1.0, "-2.0 to 2.0"),
        (-1.0, 0.51, "-2.00 to 0.00"),
        (12346.0, 250.0, "11856 to 12836"),  # 12346 ± 489.99
    ],
)
def test_intervals_are_rounded_outwards(value: float, std: float, text: str) -> None:
    assert Quantity(value, std).interval_text() == text
    low, high = Quantity(value, std).interval_95
    assert float(text.split()[0]) <= low < high <= float(text.split()[2])


def test_json_keeps_all_digits() -> None:
    document = Quantity(43.71257123, 0.00033123, "Hz").as_json()
    assert (document["value"], document["std"]) == (43.71257123, 0.00033123)

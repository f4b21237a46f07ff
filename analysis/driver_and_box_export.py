"""Driver, box and bass as JSON documents and as tables for the terminal and the report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from analysis.alignments import ClosedAlignment, VentedAlignment
from analysis.bass import HEARD_AIR_M_S, HEARD_FROM_HZ, BassCurves, BassFigures, LiningCost, largest
from analysis.box_quantities import LossQ
from analysis.driver_and_box import BassReport, BoxReport, DriverReport
from analysis.quantity import Quantity
from analysis.second_take import Absolute
from analysis.tables import Table
from analysis.volume import LITRE, VolumeBudget

NOTED_MISFIT = 1.1
"""What a fit leaves, over the noise, from which on that is said."""

BASS_COLUMNS = "frequency_hz,level_db,group_delay_ms,excursion_mm,port_speed_m_s"


def scaled(quantity: Quantity, factor: float, unit: str) -> Quantity:
    """The same quantity in another unit."""
    return Quantity(quantity.value * factor, quantity.std * factor, unit, quantity.tolerance_std * abs(factor))


def _absolute_quantities(absolute: Absolute) -> dict[str, Quantity]:
    """In the units that people use."""
    return {
        "vas_litres": scaled(absolute.vas_m3, 1 / LITRE, "litres"),
        "mms_g": scaled(absolute.mms_kg, 1e3, "g"),
        "cms_mm_per_n": scaled(absolute.cms_m_per_n, 1e3, "mm/N"),
        "rms_kg_per_s": absolute.rms_kg_per_s,
        "bl_tm": absolute.bl_tm,
        "sd_cm2": scaled(absolute.sd_m2, 1e4, "cm²"),
        "efficiency_percent": scaled(absolute.efficiency, 100, "%"),
        "sensitivity_1w_db": absolute.sensitivity_db,
        "sensitivity_2v83_db": absolute.sensitivity_2v83_db,
    }


def _driver_quantities(report: DriverReport) -> dict[str, Quantity]:
    fit = report.fit
    quantities = {
        "re_ohm": fit.re_ohm,
        "fs_hz": fit.fs_hz,
        "qms": fit.qms,
        "qes": fit.qes,
        "qts": fit.qts,
        "inductance_1khz_mh": scaled(fit.inductance_1khz_h, 1e3, "mH"),
    }
    if fit.creep_factor is not None:
        quantities["creep_factor"] = fit.creep_factor
    if report.absolute is not None:
        quantities |= _absolute_quantities(report.absolute)
    return quantities


def driver_document(report: DriverReport) -> dict[str, Any]:
    """A driver for other programs; every quantity with value, std, interval_95 and unit."""
    fit, textbook, second = report.fit, report.textbook, report.second
    values = fit.coil.values(fit.lumped[-fit.coil.size :])
    return {
        "build": report.build,
        "unit": report.unit,
        "parameters": {name: value.as_json() for name, value in _driver_quantities(report).items()},
        "coil": {
            "model": fit.coil.name,
            "source": fit.coil.source,
            "values": {name: float(value) for name, value in zip(fit.coil.parameter_names, values, strict=True)},
            "compared": [
                {
                    "model": one.coil,
                    "creep": one.creep,
                    "criterion": one.criterion,
                    "reduced_chi_square": one.reduced_chi_square,
                }
                for one in fit.candidates
            ],
        },
        "textbook": None
        if textbook is None
        else {
            name: value.as_json()
            for name, value in (
                ("fs_hz", textbook.fs_hz),
                ("qms", textbook.qms),
                ("qes", textbook.qes),
                ("qts", textbook.qts),
            )
        },
        "second_takes": None
        if second is None
        else {
            "added_mass": _ways(second.by_mass),
            "test_box": _ways(second.by_box),
            "disagreement_percent": second.disagreement_percent,
            "disagreement_sigma": second.disagreement_sigma,
        },
        "warnings": list(report.warnings),
    }


def _ways(absolute: Absolute | None) -> dict[str, Any] | None:
    if absolute is None:
        return None
    return {name: value.as_json() for name, value in _absolute_quantities(absolute).items()}


_NAMES = {
    "re_ohm": "Re",
    "fs_hz": "fs",
    "qms": "Qms",
    "qes": "Qes",
    "qts": "Qts",
    "inductance_1khz_mh": "L at 1 kHz",
    "creep_factor": "creep of the suspension",
    "vas_litres": "Vas",
    "mms_g": "Mms",
    "cms_mm_per_n": "Cms",
    "rms_kg_per_s": "Rms",
    "bl_tm": "Bl",
    "sd_cm2": "Sd",
    "efficiency_percent": "efficiency",
    "sensitivity_1w_db": "level, 1 W in Re, 1 m, half space",
    "sensitivity_2v83_db": "level, 2.83 V, 1 m, half space",
}


def driver_table(report: DriverReport) -> Table:
    """One row a parameter, the textbook's reading beside it."""
    textbook = report.textbook
    beside = {} if textbook is None else {
        "fs_hz": textbook.fs_hz, "qms": textbook.qms, "qes": textbook.qes, "qts": textbook.qts
    }  # fmt: skip
    rows = [
        (_NAMES[name], value.text(), value.interval_text(), beside[name].text() if name in beside else "")
        for name, value in _driver_quantities(report).items()
    ]
    return Table(("driver", "fit", "95 % interval", "three-point method"), tuple(rows))


def driver_lines(report: DriverReport) -> Iterator[str]:
    """The coil's model, and the second takes against each other."""
    second = report.second
    yield coil_text(report)
    yield (
        "uncertainties are those of these takes (noise, misfit, tolerances): a suspension that is warmer or has been "
        "played in moves fs and Q by more"
    )
    if second is None:
        yield "Vas, Mms, Bl and level need a second take: --subject added-mass or test-box"
    elif second.disagreement_percent is not None and second.disagreement_sigma is not None:
        yield (
            f"Mms by the test box is {second.disagreement_percent:+.1f} % off that by the added mass, "
            f"{abs(second.disagreement_sigma):.1f} times the combined uncertainty"
        )


def coil_text(report: DriverReport) -> str:
    """The coil's model, and how well the fit follows the take with it."""
    return f"coil: {report.fit.coil.name} ({report.fit.coil.source}); {_misfit(report.fit.reduced_chi_square)}"


def _misfit(reduced_chi_square: float) -> str:
    """What a fit leaves, in words."""
    over = float(np.sqrt(reduced_chi_square))
    if over < NOTED_MISFIT:
        return "the fit follows the take within its noise"
    return f"the fit leaves {over:.1f} times the noise, counted in the uncertainties"


def _box_quantities(report: BoxReport) -> dict[str, Quantity]:
    if report.closed is not None:
        box = report.closed
        found = {"fc_hz": box.fc_hz, "qmc": box.qmc, "qec": box.qec, "qtc": box.qtc, "alpha": box.alpha}
    else:
        assert report.vented is not None
        vented = report.vented
        found = {
            "fl_hz": vented.fl_hz,
            "fm_hz": vented.fm_hz,
            "fh_hz": vented.fh_hz,
            "fb_hz": vented.fb_hz,
            "alpha": vented.alpha,
            "h": vented.h,
        }
    if report.effective_m3 is not None:
        found["effective_litres"] = scaled(report.effective_m3, 1 / LITRE, "litres")
    return found


def _losses(report: BoxReport) -> dict[str, LossQ | None]:
    """By name; None for a loss that the fit left out."""
    if report.closed is not None:
        return {"leakage": report.closed.leakage, "absorption": report.closed.absorption}
    vented = report.vented
    assert vented is not None
    return {"all": vented.qb, "leakage": vented.leakage, "absorption": vented.absorption, "port": vented.port}


def _loss_document(loss: LossQ | None) -> dict[str, Any]:
    """The interval of Q is that of 1/Q turned over; without an upper end where there may be no such loss."""
    if loss is None:
        return {"q": None, "interval_95": None, "reciprocal": None, "at_least": None}
    return {
        "q": None if loss.q is None else {"value": loss.q.value, "std": loss.q.std, "unit": ""},
        "interval_95": [loss.at_least, loss.at_most],
        "reciprocal": None if loss.reciprocal is None else loss.reciprocal.as_json(),
        "at_least": loss.at_least,
    }


def _textbook(report: BoxReport) -> dict[str, float | None]:
    if report.closed is not None:
        book = report.closed.textbook
        return {"alpha": book.alpha, "alpha_equal_mass": book.alpha_equal_mass}
    assert report.vented is not None
    vented = report.vented.textbook
    return {"fb_hz": vented.fb_hz, "alpha": vented.alpha, "h": vented.h, "ql": vented.ql}


def box_document(report: BoxReport) -> dict[str, Any]:
    """A box for other programs."""
    hump = report.hump
    return {
        "build": report.build,
        "state": report.state,
        "unit": report.unit,
        "kind": "vented" if report.fit.vented else "closed",
        "parameters": {name: value.as_json() for name, value in _box_quantities(report).items()},
        "losses": {name: _loss_document(loss) for name, loss in _losses(report).items()},
        "reduced_chi_square": report.fit.reduced_chi_square,
        "textbook": _textbook(report),
        "leak": {
            "verdict": report.leak.word,
            "leaks": report.leak.leaks,
            "probability": report.leak.probability,
            "sentence": report.leak.sentence,
        },
        "hump": None
        if hump is None
        else {
            "frequency_hz": hump.resonance.frequency_hz,
            "height_ohm": hump.resonance.height_ohm,
            "kind": hump.kind,
            "evidence": list(hump.evidence),
        },
        "volume": None if report.budget is None else _budget_document(report.budget),
        "volume_verdict": None if report.volumes is None else report.volumes.sentence,
        "warnings": list(report.warnings),
    }


def _budget_document(budget: VolumeBudget) -> dict[str, Any]:
    return {
        "gross_litres": budget.gross_m3 / LITRE,
        "items": [{"what": item.name, "takes_litres": item.taken_m3 / LITRE} for item in budget.items],
        "stuffing": [
            {"material": part.material, "grams": 1000 * part.mass_kg, "takes_litres": part.taken_m3 / LITRE}
            for part in budget.stuffing
        ],
        "air_litres": budget.air_m3 / LITRE,
        "isothermal_limit": budget.most_factor,
        "effective_litres": scaled(budget.effective_m3, 1 / LITRE, "litres").as_json(),
    }


_BOX_NAMES = {
    "fc_hz": "fc",
    "qmc": "Qmc",
    "qec": "Qec",
    "qtc": "Qtc",
    "alpha": "alpha",
    "fl_hz": "lower peak",
    "fm_hz": "saddle",
    "fh_hz": "upper peak",
    "fb_hz": "tuning fB",
    "h": "h",
    "effective_litres": "effective volume",
}


_LOSS_NAMES = {
    "all": "QB, all losses",
    "leakage": "QL, leakage",
    "absorption": "QA, absorption",
    "port": "QP, port",
}


def box_table(report: BoxReport) -> Table:
    """One row a quantity, Small's formulas beside it; then the losses."""
    book = _textbook(report)
    rows = []
    for name, value in _box_quantities(report).items():
        read = book.get(name)
        rows.append((_BOX_NAMES[name], value.text(), value.interval_text(), "" if read is None else f"{read:.4g}"))
    for name, loss in _losses(report).items():
        seen, limits = ("none seen", "") if loss is None else (loss.text(), loss.interval_text())
        ql = book.get("ql") if name == "leakage" else None
        if name == "leakage" and report.leak.word != "leaks":
            # The row says what the verdict says.
            seen, limits = report.leak.word, report.leak.ql.least_text()
        rows.append((_LOSS_NAMES[name], seen, limits, "" if ql is None else f"{ql:.4g}"))
    return Table(("box", "fit", "95 % interval", "textbook"), tuple(rows))


def box_lines(report: BoxReport) -> Iterator[str]:
    """Verdicts: leak, hump, volume; how well the fit follows the take."""
    yield report.leak.sentence
    yield _misfit(report.fit.reduced_chi_square)
    if report.hump is not None:
        yield f"a hump near the tuning, {report.hump.kind}:"
        for sentence in report.hump.evidence:
            yield f"  - {sentence}"
    if report.budget is not None:
        yield from _budget_lines(report.budget)
    if report.volumes is not None:
        yield report.volumes.sentence
    elif report.effective_m3 is None:
        yield "the effective volume needs a second take of the driver: --subject added-mass or test-box"


def _budget_lines(budget: VolumeBudget) -> Iterator[str]:
    yield f"volume: {budget.gross_m3 / LITRE:.2f} litres inside"
    for item in budget.items:
        yield f"  - {item.name}: {item.taken_m3 / LITRE:.2f} litres"
    for part in budget.stuffing:
        yield f"  - {1000 * part.mass_kg:.0f} g of {part.material}: {part.taken_m3 / LITRE:.2f} litres"
    yield f"  leaves {budget.air_m3 / LITRE:.2f} litres of air"
    if budget.most_factor > 1:
        yield f"  which the stuffing can make up to {budget.most_factor:.2f} times as soft (isothermal limit)"


def bass_document(report: BassReport) -> dict[str, Any]:
    """Bass for other programs."""
    return {
        "build": report.box.build,
        "state": report.box.state,
        "unit": report.box.unit,
        "f3_hz": report.f3_hz.as_json(),
        "peak_db": report.peak_db.as_json(),
        "figures": _figures(report.figures),
        "changed": None if report.changed_figures is None else _figures(report.changed_figures),
        "against": report.against,
        "against_figures": None if report.against_figures is None else _figures(report.against_figures),
        "sense": None if report.cost is None else f"{report.box.state} minus {report.against}",
        "cost": None if report.cost is None else _cost(report.cost),
        "alignments": [vars(one) for one in report.published],
        "voltage_v": report.voltage_v,
        "curves": _curves(report.curves),
        "against_curves": None if report.against_curves is None else _curves(report.against_curves),
        "changed_curves": None if report.changed_curves is None else _curves(report.changed_curves),
        "warnings": list(report.warnings),
    }


def _figures(figures: BassFigures) -> dict[str, float]:
    return {name: float(value) for name, value in vars(figures).items()}


def _cost(cost: LiningCost) -> dict[str, Any]:
    return {name: None if value is None else value.as_json() for name, value in vars(cost).items()}


def _curves(curves: BassCurves) -> dict[str, list[float] | None]:
    def numbers(values: np.ndarray | None, factor: float = 1.0) -> list[float] | None:
        return None if values is None else (np.asarray(values) * factor).tolist()

    return {
        "frequency_hz": numbers(curves.frequency_hz),
        "level_db": numbers(curves.level_db),
        "group_delay_ms": numbers(curves.group_delay_s, 1e3),
        "excursion_mm": numbers(curves.excursion_m, 1e3),
        "port_speed_m_s": numbers(curves.port_speed_m_s),
    }


def bass_csv(curves: BassCurves) -> str:
    """Curves as CSV; what is not known stays empty."""
    columns = list(_curves(curves).values())
    rows = [BASS_COLUMNS]
    for index in range(curves.frequency_hz.size):
        rows.append(",".join("" if column is None else f"{column[index]:.6g}" for column in columns))
    return "\n".join([*rows, ""])


def _bass_named(report: BassReport) -> list[tuple[str, BassFigures, BassCurves]]:
    """Figures and curves with the names that tell them apart: the state before, this one, and this one changed."""
    state = report.box.state or "this state"
    found = [("as measured" if report.against_figures is None else state, report.figures, report.curves)]
    if report.against_figures is not None and report.against_curves is not None:
        found.insert(0, (report.against or "the other", report.against_figures, report.against_curves))
    if report.changed_figures is not None and report.changed_curves is not None:
        name = "changed" if report.against_figures is None else f"{state}, changed"
        found.append((name, report.changed_figures, report.changed_curves))
    return found


def bass_curves_named(report: BassReport) -> list[tuple[str, BassCurves]]:
    """What a picture shows over each other: the state before and this one, or this one and its change."""
    return [(name, curves) for name, _, curves in _bass_named(report)][-2:]


def bass_table(report: BassReport) -> Table:
    """Figures as measured, of the state before and after a change: a column each."""
    columns = [(name, figures) for name, figures, _ in _bass_named(report)]
    named = (
        ("3 dB point, Hz", "f3_hz", "{:.1f}"),
        ("10 dB point, Hz", "f10_hz", "{:.1f}"),
        ("highest level, dB", "peak_db", "{:+.2f}"),
        ("at, Hz", "peak_hz", "{:.0f}"),
        ("longest group delay, ms", "group_delay_s", "{:.1f}"),
    )
    rows = []
    for label, name, pattern in named:
        factor = 1e3 if name.endswith("_s") else 1.0
        rows.append((label, *(pattern.format(factor * getattr(figures, name)) for _, figures in columns)))
    return Table(("bass", *(name for name, _ in columns)), tuple(rows))


def bass_lines(report: BassReport) -> Iterator[str]:
    """Uncertainty, cost of the lining, excursion, alignments."""
    of_state = f"{report.box.state}: " if report.against_figures is not None and report.box.state else ""
    yield f"{of_state}3 dB point {report.f3_hz.text()}, highest level {report.peak_db.text()}"
    yield from _moved_lines(report.curves, report.voltage_v)
    if report.changed_curves is not None:
        yield from _moved_lines(report.changed_curves, report.voltage_v, "changed: ")
    costs = cost_texts(report)
    if costs:
        yield f"{cost_sense(report)}: {', '.join(f'{name} {text}' for name, text in costs.items())}"
    yield "published alignments, for orientation:"
    for text in alignment_texts(report):
        yield f"  - {text}"


def _moved_lines(curves: BassCurves, voltage_v: float, box: str = "") -> Iterator[str]:
    """What cone and air in the port do at most, as far as it is known."""
    if curves.excursion_m is not None:
        place_hz, most_m = largest(curves.frequency_hz, curves.excursion_m, HEARD_FROM_HZ)
        yield (
            f"{box}at {voltage_v:g} V the cone moves at most {1000 * most_m:.2f} mm one way above "
            f"{HEARD_FROM_HZ:g} Hz, at {place_hz:.0f} Hz"
        )
    if curves.port_speed_m_s is not None:
        place_hz, fastest_m_s = largest(curves.frequency_hz, curves.port_speed_m_s)
        yield (
            f"{box}the air in the port reaches {fastest_m_s:.1f} m/s at {place_hz:.0f} Hz "
            f"(above some {HEARD_AIR_M_S:g} m/s it is heard: common practice, no source)"
        )


def cost_sense(report: BassReport) -> str:
    """From which state to which."""
    return f"from {report.against or '-'} to {report.box.state or '-'}"


ALPHA_RATIO = "alpha times"


def cost_texts(report: BassReport) -> dict[str, str]:
    """What differs between the state before and this one, by its name; empty where none was chosen."""
    cost = report.cost
    if cost is None:
        return {}
    tuning = {} if cost.fb_shift_hz is None else {"tuning": _signed(cost.fb_shift_hz)}
    return {
        **tuning,
        "3 dB point": _signed(cost.f3_shift_hz),
        "highest level": _signed(cost.peak_shift_db),
        ALPHA_RATIO: cost.alpha_ratio.text(),
    }


def alignment_texts(report: BassReport) -> list[str]:
    """Published alignments, one a line."""
    return [_alignment(one, report) for one in report.published]


def _signed(quantity: Quantity) -> str:
    text = quantity.text()
    return text if text.startswith("-") else f"+{text}"


def _alignment(one: VentedAlignment | ClosedAlignment, report: BassReport) -> str:
    if isinstance(one, ClosedAlignment):
        return f"{one.name}: Qtc {one.qtc:.3f}, 3 dB point {one.f3_over_fc:.3f} fc, peak {one.peak_db:.2f} dB"
    fs_hz = report.box.driver.fit.fs_hz.value
    absolute = report.box.driver.absolute
    litres = "" if absolute is None else f", {absolute.vas_m3.value / one.alpha / LITRE:.1f} litres"
    ripple = f", ripple {one.ripple_db:.2f} dB" if one.ripple_db else ""
    return (
        f"{one.name} for Qts {one.qt:.3f} (QL 7): tuned to {one.h * fs_hz:.1f} Hz, alpha {one.alpha:.3f}{litres}, "
        f"3 dB point {one.f3_over_fs * fs_hz:.1f} Hz{ripple}"
    )

"""Driver and box as JSON documents and as tables for the terminal and the report (bass: ``bass_export``)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from stillbox.analysis.driver_and_box.driver_and_box import BoxReport, DriverReport
from stillbox.analysis.enclosure.box_quantities import LossQ
from stillbox.analysis.enclosure.second_take import Absolute
from stillbox.analysis.impedance.repeatability import USUAL_LUMPED, as_it_repeats
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.maths.table import Table
from stillbox.analysis.physics.volume import LITRE, VolumeBudget

NOTED_MISFIT = 1.1
"""What a fit leaves, over the noise, from which on that is said."""


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


def _repeating(quantities: dict[str, Quantity]) -> dict[str, Quantity]:
    return {name: as_it_repeats(name, value) for name, value in quantities.items()}


def _documents(quantities: dict[str, Quantity]) -> dict[str, dict[str, Any]]:
    """Uncertainties of the takes, and beside them, relative, how far each quantity repeats by itself."""
    return {name: {**value.as_json(), "repeats": USUAL_LUMPED.get(name, 0.0)} for name, value in quantities.items()}


def driver_document(report: DriverReport) -> dict[str, Any]:
    """A driver for other programs; every quantity with value, std, interval_95 and unit."""
    fit, textbook, second = report.fit, report.textbook, report.second
    values = fit.coil.values(fit.lumped[-fit.coil.size :])
    return {
        "build": report.build,
        "unit": report.unit,
        "parameters": _documents(_driver_quantities(report)),
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
        for name, value in _repeating(_driver_quantities(report)).items()
    ]
    return Table(("driver", "fit", "95 % interval", "three-point method"), tuple(rows))


def driver_lines(report: DriverReport) -> Iterator[str]:
    """The coil's model, the second takes against each other, or how to make one."""
    yield from driver_notes(report)
    if report.second is None:
        yield "Vas, Mms, Bl and level need a second take: --subject added-mass or test-box"


def driver_notes(report: DriverReport) -> Iterator[str]:
    """The same without what is still to be done."""
    second = report.second
    yield coil_text(report)
    yield (
        "± holds noise, misfit and tolerances of these takes, and how far a driver repeats (warmth, playing in): a "
        "usual size, common practice, no source"
    )
    if second is not None and second.disagreement_percent is not None and second.disagreement_sigma is not None:
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
        "parameters": _documents(_box_quantities(report)),
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
    "fl_hz": "lower peak of |Z|",
    "fm_hz": "saddle of |Z|",
    "fh_hz": "upper peak of |Z|",
    "fb_hz": "tuning fB",
    "h": "h",
    "effective_litres": "effective volume",
}


_LOSS_NAMES = {
    "all": "QB, all losses",
    "leakage": "QL, leakage",
    "absorption": "QA, lining and filling",
    "port": "QP, port itself",
}


def box_table(report: BoxReport) -> Table:
    """One row a quantity, Small's formulas beside it; then the losses."""
    book = _textbook(report)
    rows = []
    for name, value in _repeating(_box_quantities(report)).items():
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

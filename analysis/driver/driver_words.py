"""A driver as JSON document, as tables and in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stillbox.analysis.driver.driver_fit import REMEDIES, driver_fit_report
from stillbox.analysis.driver.driver_report import DriverReport
from stillbox.analysis.impedance.repeatability import as_they_repeat, quantity_documents
from stillbox.analysis.lumped.plausibility import misfit_text
from stillbox.analysis.maths.quantity import Quantity, scaled
from stillbox.analysis.maths.table import Table, text_of_lines
from stillbox.analysis.physics.volume import LITRE
from stillbox.analysis.system.absolute import Absolute
from stillbox.capture.files.output_file import TABLE_HEADS


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
    values = fit.coil.values(fit.coil_parameters)
    return {
        "build": report.build,
        "unit": report.unit,
        "of": report.of,
        "parameters": quantity_documents(_driver_quantities(report)),
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
        "fit": driver_fit_report(fit).document(REMEDIES),
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
        for name, value in as_they_repeat(_driver_quantities(report)).items()
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


def driver_fit_lines(report: DriverReport) -> Iterator[str]:
    """What the fit tells of its numbers."""
    yield "the fit:"
    yield from (f"  - {line}" for line in driver_fit_report(report.fit).lines(REMEDIES))


def coil_text(report: DriverReport) -> str:
    """The coil's model, and how well the fit follows the take with it."""
    return f"coil: {report.fit.coil.name} ({report.fit.coil.source}); {misfit_text(report.fit.reduced_chi_square)}"


def fitted_csv(report: DriverReport) -> str:
    """Measured and fitted impedance side by side as CSV, on the grid of the measurement."""
    curve = report.curve
    model_ohm = report.fit.impedance_ohm(curve.frequency_hz)
    rows = []
    for frequency_hz, measured, model in zip(curve.frequency_hz, curve.impedance_ohm, model_ohm, strict=True):
        values = (measured.real, measured.imag, model.real, model.imag)
        rows.append(f"{frequency_hz:.6g}," + ",".join(f"{value:.8g}" for value in values))
    return text_of_lines(TABLE_HEADS["driver"], rows)

"""A box as JSON document, as table and in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stillbox.analysis.box.box_fit import box_fit_report, remedies
from stillbox.analysis.box.box_report import BoxReport
from stillbox.analysis.enclosure.box_quantities import LossQ
from stillbox.analysis.impedance.repeatability import USUAL_LOSS, as_they_repeat, quantity_documents
from stillbox.analysis.lumped.plausibility import misfit_text
from stillbox.analysis.maths.quantity import Quantity, scaled
from stillbox.analysis.maths.table import Table
from stillbox.analysis.physics.volume import LITRE, VolumeBudget
from stillbox.analysis.system.filling import entries_words


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
        return {"q": None, "interval_95": None, "reciprocal": None, "at_least": None, "repeats": USUAL_LOSS}
    return {
        "q": None if loss.q is None else {"value": loss.q.value, "std": loss.q.std, "unit": ""},
        "interval_95": [loss.at_least, loss.at_most],
        "reciprocal": None if loss.reciprocal is None else loss.reciprocal.as_json(),
        "at_least": loss.at_least,
        "repeats": USUAL_LOSS,
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
        "of": report.of,
        "kind": "vented" if report.fit.vented else "closed",
        "parameters": quantity_documents(_box_quantities(report)),
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
        "volume": None
        if report.budget is None
        else {**_budget_document(report.budget), "from_notebook": list(report.filling.logged)},
        "volume_verdict": None if report.volumes is None else report.volumes.sentence,
        "fit": box_fit_report(report.fit).document(remedies(report.fit, report.port_closed)),
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
    "alpha": "compliance ratio alpha",
    "fl_hz": "lower peak of |Z|",
    "fm_hz": "saddle of |Z|",
    "fh_hz": "upper peak of |Z|",
    "fb_hz": "tuning fB",
    "h": "tuning ratio h",
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
    for name, value in as_they_repeat(_box_quantities(report)).items():
        read = book.get(name)
        rows.append((_BOX_NAMES[name], value.text(), value.interval_text(), "" if read is None else f"{read:.4g}"))
    for name, found in _losses(report).items():
        loss = None if found is None else found.as_it_repeats(USUAL_LOSS)
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
    yield misfit_text(report.fit.reduced_chi_square)
    if report.hump is not None:
        yield f"a hump near the tuning, {report.hump.kind}:"
        for sentence in report.hump.evidence:
            yield f"  - {sentence}"
    if report.budget is not None:
        yield from _budget_lines(report.budget)
        if report.filling.logged:
            yield f"  counted from the notebook: {entries_words(report.filling.logged)}"
    if report.volumes is not None:
        yield report.volumes.sentence
    elif report.effective_m3 is None:
        yield "the effective volume needs a second take of the driver: --subject added-mass or test-box"


def box_fit_lines(report: BoxReport) -> Iterator[str]:
    """What the fit tells of its numbers."""
    yield "the fit:"
    for line in box_fit_report(report.fit).lines(remedies(report.fit, report.port_closed)):
        yield f"  - {line}"


def _budget_lines(budget: VolumeBudget) -> Iterator[str]:
    yield f"volume: {budget.gross_m3 / LITRE:.2f} litres inside"
    for item in budget.items:
        yield f"  - {item.name}: {item.taken_m3 / LITRE:.2f} litres"
    for part in budget.stuffing:
        yield f"  - {1000 * part.mass_kg:.0f} g of {part.material}: {part.taken_m3 / LITRE:.2f} litres"
    yield f"  leaves {budget.air_m3 / LITRE:.2f} litres of air"
    if budget.most_factor > 1:
        yield f"  which the stuffing can make up to {budget.most_factor:.2f} times as soft (isothermal limit)"

"""The notebook for other programs."""

from __future__ import annotations

from typing import Any

from stillbox.analysis.notebook.effects import Effect
from stillbox.analysis.notebook.notebook_report import Expense, NotebookReport, Step
from stillbox.capture.build.notebook import Entry


def notebook_document(report: NotebookReport) -> dict[str, Any]:
    """As ``log --json`` prints it."""
    return {
        "build": report.build,
        "entries": [entry_document(entry) for entry in report.notebook.entries],
        "heard": [{"entry": entry.number, "heard": entry.heard} for entry in report.heard],
        "steps": None if report.steps is None else [_step_document(step) for step in report.steps],
        "sums": [_step_document(step) for step in report.sums],
        "expense": _expense_document(report.expense),
        "questions": list(report.questions),
        "warnings": list(report.warnings),
    }


def entry_document(entry: Entry) -> dict[str, Any]:
    """All of an entry, with what stood there before."""
    told: dict[str, Any] = entry.model_dump(mode="json", exclude={"former"})
    former = [one.model_dump(mode="json", exclude_unset=True) for one in entry.former]
    return {**told, "former": former}


def _step_document(step: Step) -> dict[str, Any]:
    effects = step.effects
    return {
        "unit": step.unit or None,
        "before": step.before or None,
        "after": step.after or None,
        "takes": None if effects is None else [effects.before.number, effects.after.number],
        "entries": [entry.number for entry in step.entries],
        "expense": _expense_document(step.expense),
        "measurable": None if effects is None else effects.measurable,
        "effects": [] if effects is None else [_effect_document(step, one) for one in effects.every],
        "missing": [step.reason] if effects is None else list(effects.missing),
    }


def _effect_document(step: Step, effect: Effect) -> dict[str, Any]:
    per_hour = step.per_hour(effect)
    return {
        "kind": effect.kind,
        "name": effect.name,
        "frequency_hz": effect.frequency_hz,
        "change": effect.change.as_json() if effect.is_known else None,
        "bound": effect.bound or None,
        "told": effect.told,
        "verdict": effect.verdict,
        "per_cost": {currency: one.as_json() for currency, one in step.per_cost(effect).items()},
        "per_hour": None if per_hour is None else per_hour.as_json(),
    }


def _expense_document(expense: Expense) -> dict[str, Any]:
    return {"costs": dict(sorted(expense.costs.items())), "minutes": expense.minutes}

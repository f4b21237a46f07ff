"""What is wrong with a text that a person wrote by hand: the key, its section, and the key that was likely meant."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from stillbox.capture.errors import describe_validation_error
from stillbox.capture.recording.take import SUBJECTS

TOP = ""
"""Name under which ``Sections`` holds the keys before the first section."""

OTHERS = "drivers"
"""Holds sections by the names of drivers, each with the keys of one."""

Sections = Mapping[str, Sequence[str]]
"""The keys that each section may have."""

_UNKNOWN_KEY = ("extra_forbidden", "unexpected_keyword_argument")
_REMEDY = "mend it in a text editor or put # before the line"


def describe_fault(error: ValidationError, sections: Sections) -> tuple[str, str]:
    """First fault of ``error``, and its remedy; an unknown key goes first, for others may follow from it."""
    faults = error.errors()
    for fault in faults:
        if fault["type"] in _UNKNOWN_KEY:
            return _unknown_key(fault, sections), _REMEDY
    first = faults[0]
    if len(first["loc"]) == 1 and isinstance(first["loc"][0], str) and first["loc"][0] in sections:
        name = first["loc"][0]
        if first["type"] == "tuple_type":
            return f"each piece of {name} is a block of its own: write [[{name}]] with two brackets", ""
        if first["type"] in ("model_type", "dict_type"):
            return f"{name} is one section: write [{name}] on a line of its own, its values below", ""
    return describe_validation_error(error), _REMEDY


def _unknown_key(fault: ErrorDetails, sections: Sections) -> str:
    *above, key = (str(part)[:60] for part in fault["loc"])
    # A place in a list, and the name under which the model keeps [limits.free-air] and its like, nobody wrote.
    names = [name for name in above if name != "subjects" and not name.isdigit()]
    section = names[0] if names else TOP
    where = f"in {_shown(names)}" if names else "before the first section"
    if key and key in sections:
        return f"[{key}] is a section of its own, not a part of {_shown(names)}"
    elsewhere = [name for name, keys in sections.items() if key in keys and name not in (section, OTHERS)]
    if len(elsewhere) == 1:
        belongs = _shown(elsewhere) if elsewhere[0] else "the part before the first section"
        return f"the key '{key}' stands {where} but belongs to {belongs}"
    # In [limits.free-air] the keys are those of [limits] without the subjects.
    known = [name for name in sections.get(section, ()) if len(names) < 2 or name not in (*SUBJECTS, OTHERS)]
    near = difflib.get_close_matches(key.lower(), known, n=1)
    if isinstance(fault["input"], dict):
        of_limits = [[*names, name] for name in known if name in SUBJECTS]
        within = of_limits or [[name] for name in sections if name not in (TOP, OTHERS)]
        shown = _shown([*names, near[0]]) if near else ", ".join(map(_shown, within))
        meant = f"did you mean {shown}?" if near else f"there may be {shown}"
        return f"there is no section {_shown([*names, key])} ({meant})"
    meant = f"did you mean '{near[0]}'?" if near else f"there may be {', '.join(known)}"
    return f"there is no key '{key}' {where} ({meant})"


def _shown(names: list[str]) -> str:
    return f"[{'.'.join(names)}]"


def sections_of(model: Any) -> dict[str, tuple[str, ...]]:
    """The keys of a pydantic model, and of each of its fields that has keys itself."""
    found = {TOP: tuple(model.model_fields)}
    for name, field in model.model_fields.items():
        keys = _keys_within(field.annotation)
        if keys:
            found[name] = keys
    return found


def _keys_within(annotation: Any) -> tuple[str, ...]:
    """Keys of the first model or named tuple in an annotation such as ``tuple[Lining, ...]``."""
    for attribute in ("model_fields", "_fields"):
        keys = getattr(annotation, attribute, None)
        if keys is not None:
            return tuple(keys)
    parts = (_keys_within(part) for part in getattr(annotation, "__args__", ()))
    return next((keys for keys in parts if keys), ())

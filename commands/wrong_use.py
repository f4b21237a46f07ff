"""Wrong use of options in the project's own sentences: value, what is asked, remedy.

What is asked is read off the declarations of the commands, not off the option library: its versions differ in what
they say and know of a fault.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Annotated, Any, get_args, get_origin, get_type_hints

NUMBER, WHOLE = "number", "whole number"

_EXAMPLES = {
    "S": "0.5", "HZ": "1000", "PERCENT": "1", "P": "80", "R": "8", "V": "1", "DBFS": "-20", "W": "50", "T": "20",
    "M": "500", "MM": "100", "QA": "10", "N": "3", "N STATE": "3", "Q": "0.4",
    "CM2": "3500", "G": "150", "AMOUNT": "12.50",
}  # fmt: skip
"""A number that could be meant, by what an option calls its value in the help."""
_LEADING = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)(.*)", re.DOTALL)


@dataclass(frozen=True)
class NumberOption:
    """An option of a command whose value is a number.

    Attributes
    ----------
    names : tuple of str
        As it is written, each with its dashes.
    kind : str
        `NUMBER` or `WHOLE`.
    example : str
        A number that could be meant.
    meaning : str
        What its value is called, and its help.
    """

    names: tuple[str, ...]
    kind: str
    example: str
    meaning: str

    def fault(self, value: str) -> str:
        """A sentence where the value is no such number, else empty."""
        try:
            int(value) if self.kind == WHOLE else float(value)
        except ValueError:
            name = max(self.names, key=len)
            return f"{name} '{value}' is not a {self.kind}; {self._remedy(name, value)} ({self.meaning})"
        return ""

    def _remedy(self, name: str, value: str) -> str:
        """The number that seems to be meant, else an example."""
        leading = _LEADING.fullmatch(value)
        if leading is None:
            return f"give a {self.kind}, as in {name} {self.example}"
        number, rest = leading[1].replace(",", "."), leading[2].strip()
        if self.kind == WHOLE and "." in number:
            return f"give it without a fraction, as in {name} {float(number):.0f}"
        if "," in leading[1] and not rest:
            return f"write it with a point: {name} {number}"
        return f"give the number alone, as in {name} {number}"


def number_options(command: Callable[..., None]) -> Iterator[NumberOption]:
    """The options of a command that are numbers; of several words, those that begin with one."""
    parameters = inspect.signature(command).parameters
    for name, hint in get_type_hints(command, include_extras=True).items():
        if get_origin(hint) is not Annotated:
            continue
        held, declared = get_args(hint)[:2]
        kind = _kind_of(held)
        if kind and hasattr(declared, "param_decls"):
            said = (declared.default, *(declared.param_decls or ()))
            names = tuple(one for one in said if isinstance(one, str) and one.startswith("-"))
            default = parameters[name].default
            usual = f"{default:g}" if isinstance(default, (int, float)) else _EXAMPLES[declared.metavar]
            meaning = f"{declared.metavar}: {declared.help.rstrip('.')}"
            yield NumberOption(names or (f"--{name.replace('_', '-')}",), kind, usual, meaning)


def _kind_of(held: Any) -> str:
    """Whether a type is a number, or begins with one; empty if not."""
    if held in (int, float):
        return WHOLE if held is int else NUMBER
    inner = [one for one in get_args(held) if one is not type(None)]
    return _kind_of(inner[0]) if inner else ""


def fault_of_number(command: Callable[..., None], given: Sequence[str]) -> str:
    """The first of the words given to a command that should be a number and is none, in a sentence; else empty."""
    options = {name: option for option in number_options(command) for name in option.names}
    for word, following in zip_longest(given, given[1:]):
        name, joined, value = word.partition("=")
        if name in options and (joined or following is not None):
            sentence = options[name].fault(value if joined else str(following))
            if sentence:
                return sentence
    return ""

"""The man page, made from the commands themselves: ``python -m stillbox.commands.man_page > commands/stillbox.1``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import typer

from stillbox import __version__
from stillbox.commands.front_door import app

STATUS = (
    ("0", "What was asked is done."),
    ("1", "Something went wrong inside Stillbox; one line says what, the traceback is in the log."),
    ("2", "Wrong use or bad input; one line says what and the remedy."),
    ("128 + N", "Signal N asked for the end: 130 for Ctrl-C."),
)
FILES = (
    ("BUILD/build.toml", "What a person says of box, driver and limits."),
    ("BUILD/notebook.toml", "What was done and heard, and what it cost."),
    ("BUILD/takes/", "The recordings as they were made, each with a JSON that describes it."),
)


def man_page() -> str:
    """The page of section 1 in the language of roff."""
    root = typer.main.get_command(app)
    context = root.context_class(root, info_name="stillbox")
    lines = [
        f'.TH STILLBOX 1 "" "stillbox {__version__}" "User Commands"',
        ".SH NAME",
        r"stillbox \- find what rings in a loudspeaker, and show that it is gone",
        ".SH SYNOPSIS",
        ".B stillbox",
        "[BUILD]",
        ".br",
        ".B stillbox",
        "COMMAND [ARGUMENTS] [OPTIONS]",
        ".SH DESCRIPTION",
        *_paragraphs(root.help or ""),
        *_entries(root, context),
        ".SH COMMANDS",
    ]
    for name, command in _commands(root).items():
        below = command.context_class(command, info_name=name, parent=context)
        usage = _plain(" ".join(["stillbox", name, *command.collect_usage_pieces(below)]))
        lines += [f".SS {usage}", *_paragraphs(command.help or ""), *_entries(command, below)]
    for head, pairs in (("EXIT STATUS", STATUS), ("FILES", FILES)):
        lines.append(f".SH {head}")
        for what, meaning in pairs:
            lines += _entry(what, meaning)
    return "\n".join(lines) + "\n"


def _commands(root: Any) -> dict[str, Any]:
    return {name: command for name, command in root.commands.items() if not command.hidden}


def _entries(command: Any, context: Any) -> Iterator[str]:
    """Arguments and options with their help, as the command itself shows them."""
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is not None:
            yield from _entry(*record)


def _entry(what: str, meaning: str) -> list[str]:
    return [".TP", f".B {_plain(what)}", _plain(meaning)]


def _paragraphs(text: str) -> Iterator[str]:
    for paragraph in re.split(r"\n\s*\n", text.strip()):
        yield from (".PP", _plain(paragraph))


def _plain(text: str) -> str:
    """One line of text that roff takes for nothing else."""
    line = " ".join(text.split()).replace("\\", r"\e").replace("-", r"\-")
    return rf"\&{line}" if line.startswith((".", "'")) else line


if __name__ == "__main__":
    print(man_page(), end="")

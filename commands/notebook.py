"""The command of the notebook."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillbox.analysis.notebook.notebook_controls import AREA, COST, MASS, MINUTES, NUMBERS, POROSITY, THICKNESS
from stillbox.capture.errors import StillboxError
from stillbox.commands.opening import open_bench, open_build
from stillbox.commands.options import BuildArgument, JsonOption, number_option
from stillbox.commands.printing import ask, print_json, say, warn_of
from stillbox.commands.telling import tell

if TYPE_CHECKING:
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.build.notebook import Entry


def log(
    build: BuildArgument,
    text: Annotated[
        str | None,
        typer.Argument(
            metavar="TEXT", help="What was done; nothing at all: print the notebook.", show_default=False
        ),
    ] = None,
    state: Annotated[
        str | None,
        typer.Option(
            "--state",
            metavar="NAME",
            help="Stage of the work that it led to; left out: that of the next take in the box.",
        ),
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="NAME", help="Which of a pair; left out: any that has the state.")
    ] = None,
    heard: Annotated[
        str | None, typer.Option("--heard", metavar="TEXT", help="What you hear: the complaint first, and again later.")
    ] = None,
    material: Annotated[
        str | None,
        typer.Option(
            "--material",
            metavar="NAME",
            help="What was put into the box: felt, foam, bitumen, polyester, wool ...; counts in volume and lining.",
        ),
    ] = None,
    area: Annotated[float | None, number_option(AREA, "CM2")] = None,
    thickness: Annotated[float | None, number_option(THICKNESS, "MM")] = None,
    mass: Annotated[float | None, number_option(MASS, "G")] = None,
    porosity: Annotated[float | None, number_option(POROSITY, "P")] = None,
    at: Annotated[str | None, typer.Option("--at", metavar="PLACE", help="Where in the box: back and sides.")] = None,
    takes_out: Annotated[
        list[int] | None,
        typer.Option("--takes-out", metavar="N", help="The material of entry N was taken out; may be repeated."),
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="NAME=VALUE", help="A part that was exchanged: C2=8.2u; may be repeated."),
    ] = None,
    cost: Annotated[float | None, number_option(COST, "AMOUNT")] = None,
    currency: Annotated[
        str | None,
        typer.Option("--currency", metavar="C", help="Three letters, as in EUR; left out: that of the last cost."),
    ] = None,
    minutes: Annotated[float | None, number_option(MINUTES, "T")] = None,
    picture: Annotated[
        list[Path] | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="JPEG, PNG, WebP or BMP: a small upright copy is kept, without place and camera; may be repeated.",
        ),
    ] = None,
    day: Annotated[
        str | None, typer.Option("--date", metavar="DAY", help="When it was done, as in 2026-05-31; left out: now.")
    ] = None,
    correct: Annotated[
        int | None,
        typer.Option(
            "--correct", metavar="N", help="Put what is given in the place of what entry N says; that stays below it."
        ),
    ] = None,
    withdraw: Annotated[
        int | None, typer.Option("--withdraw", metavar="N", help="Let entry N count no more; it stays where it is.")
    ] = None,
    restore: Annotated[int | None, typer.Option("--restore", metavar="N", help="Let it count again.")] = None,
    short: Annotated[bool, typer.Option("--short", help="The entries alone, not what each step did.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Also what a step left unchanged.")] = False,
    as_json: JsonOption = False,
) -> None:
    """The notebook: what was done, what it cost, what it did.

    With nothing but BUILD it is printed, with what each step between two sweeps did to findings, tuning, volume and
    bass, and over what it cost. It is kept in notebook.toml, which may be edited by hand.
    """
    folder = open_build(build)
    numbers = dict(zip((one.key for one in NUMBERS), (area, thickness, mass, porosity, cost, minutes), strict=True))
    for declared in NUMBERS:
        declared.checked(numbers[declared.key])
    texts = {"text": text, "heard": heard, "state": state, "unit": unit, "material": material, "at": at}
    lists = {"parts": part, "takes_out": takes_out}
    told_lists = {key: tuple(value) for key, value in lists.items() if value}
    said: dict[str, Any] = {**texts, "currency": currency, **numbers, **told_lists}
    given = {key: value for key, value in said.items() if value is not None}
    if day is not None:
        from stillbox.capture.build.notebook_edit import day_of

        given["made"] = day_of(day)
    turned = [one for one in (withdraw, restore) if one is not None]
    if turned and (given or picture or correct is not None or len(turned) > 1):
        raise StillboxError("--withdraw and --restore do nothing else", "give them alone, with the number of an entry")
    if not (turned or given or picture or correct is not None):
        from stillbox.analysis.notebook.topic import NOTEBOOK

        tell(NOTEBOOK, open_bench(build), {"short": short}, as_json=as_json, everything=everything)
        return
    if short or everything:
        raise StillboxError("--short and --all are for printing the notebook", "leave them out")
    entry = _turned(folder, withdraw, restore) if turned else _written(folder, given, picture or [], correct, as_json)
    _tell_of(folder, entry, as_json)


def _turned(folder: BuildFolder, withdraw: int | None, restore: int | None) -> Entry:
    from stillbox.capture.build.notebook_edit import restore_entry, withdraw_entry

    return restore_entry(folder, restore) if restore is not None else withdraw_entry(folder, withdraw or 0)


def _written(
    folder: BuildFolder, given: Mapping[str, Any], pictures: list[Path], correct: int | None, as_json: bool
) -> Entry:
    from stillbox.analysis.notebook.checked import checked_parts
    from stillbox.capture.build.notebook import read_notebook
    from stillbox.capture.build.notebook_edit import add_entry, correct_entry

    checked_parts(given.get("parts", ()))
    notebook = read_notebook(folder.path)
    if "cost" in given and "currency" not in given:
        old = None if correct is None else notebook.entry(correct).currency
        known = old or notebook.currency
        if known is None:
            raise StillboxError(f"--cost {given['cost']:g} has no currency", "give it with --currency, as in EUR")
        given = {**given, "currency": known}
    if correct is not None:
        return correct_entry(folder, correct, given, pictures)
    if not as_json and "heard" not in given and sys.stdin.isatty() and not any(e.heard for e in notebook.standing):
        heard = ask("What do you hear, what is to become better? (Enter: say it later)")
        if heard.strip():
            add_entry(folder, {"heard": heard.strip()})
    return add_entry(folder, given, pictures)


def _tell_of(folder: BuildFolder, entry: Entry, as_json: bool) -> None:
    """The entry as it stands now, and what is to be known of it."""
    from stillbox.analysis.notebook.checked import entry_notes
    from stillbox.analysis.notebook.notebook_document import entry_document
    from stillbox.analysis.notebook.notebook_words import entry_line

    if as_json:
        print_json({"build": folder.description.name or folder.path.name, "entry": entry_document(entry)})
        return
    say(f"entry {entry_line(entry)}")
    warn_of(entry_notes(folder, entry))

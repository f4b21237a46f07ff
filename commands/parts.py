"""Commands about parts and wire: combine, coil, wire."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stillbox.commands.options import JsonOption
from stillbox.commands.printing import print_json, show, warn_of


def combine(
    target: Annotated[
        str, typer.Option(metavar="VALUE", help="The value wanted: 12.7u, 0.33mH, 4R7; its unit tells the kind.")
    ],
    drawer: Annotated[
        Path,
        typer.Option(
            "--from",
            metavar="LIST.csv",
            help="Parts there are. First line: value,count,tolerance_percent,price,name (also kind), in any order, "
            "of which only value must be there. Semicolons instead of commas where decimals have a comma.",
        ),
    ],
    kind: Annotated[
        str | None,
        typer.Option(metavar="KIND", help="capacitor, coil or resistor; left out: what unit or list tell."),
    ] = None,
    most_parts: Annotated[int, typer.Option("--most-parts", metavar="N", help="Parts in one combination: 1 to 3.")] = 3,
    results: Annotated[int, typer.Option(metavar="N", help="How many combinations to show.")] = 10,
    as_json: JsonOption = False,
) -> None:
    """Make a value out of the parts in a drawer.

    Series, parallel and mixed combinations of up to three parts of one kind, the nearest first, with their tolerance
    and what they cost.
    """
    from stillbox.analysis.network.combine_report import combine_report

    report = combine_report(target, drawer, kind, most_parts, results)
    if as_json:
        print_json(report.document())
        return
    for item in report.said():
        show(item)
    warn_of(report.notes)

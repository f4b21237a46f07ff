"""The command about the check right after assembly."""

from __future__ import annotations

from stillbox.commands.opening import open_bench
from stillbox.commands.options import AgainstOption, AnyUnitOption, BuildArgument, JsonOption, StateOption
from stillbox.commands.telling import tell


def check(
    build: BuildArgument,
    state: StateOption = None,
    unit: AnyUnitOption = None,
    against: AgainstOption = None,
    as_json: JsonOption = False,
) -> None:
    """May an amplifier be connected, and is all as planned, as the other unit, as before: right after assembly.

    good, look (look at this before you go on), or stop (do not connect an amplifier).
    """
    bench = open_bench(build)
    from stillbox.analysis.checking.topic import CHECK

    tell(CHECK, bench, {"state": state, "unit": unit, "against": against}, as_json=as_json)

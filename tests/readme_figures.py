"""The lines of README.md that `stillbox` prints of its demonstration: kept true by ``python tests/readme_figures.py``.

Without an option it says what differs; ``--write`` puts what is printed now into README.md. Of each command only a few
lines are shown; three dots stand for what is left out between them.
"""

from __future__ import annotations

import contextlib
import io
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from places import ROOT

README = ROOT / "README.md"
BUILD, TWO_WAY_BUILD = "stillbox-demo/build", "stillbox-demo/two-way"
"""As README names the demonstration's builds."""

SHOWN = {
    f"compare {BUILD} stock lined": (r"From stock", r"frequency", r"\d", r"\d", r"\d", r"tuning between"),
    f"bass {BUILD} --state lined --against stock": (
        r"bass ", r"3 dB point, Hz", r"slope there", r"from stock to lined", r"lined: 3 dB point"
    ),
    f"crossover {TWO_WAY_BUILD} --state finished --swap R1=3.3": (
        r"One part is wrong", r"  - read", r"with R1=3.3, against the speaker", r"  - woofer", r"  - tweeter"
    ),
    f"part {TWO_WAY_BUILD} C1 --marked 5u6K": (r"capacitor", r"value", r"ESR", r"marked"),
}  # fmt: skip
"""Commands shown, and how the lines begin that are shown of each, in their order."""
LONGEST = 118
"""Of a line: longer ones are wrapped nowhere but cut at a comma."""


def printed(arguments: list[str]) -> list[str]:
    """What the command line prints, without trailing blanks."""
    from stillbox.commands import front_door

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        try:
            front_door.main(arguments)
        except SystemExit as ended:
            assert not ended.code, arguments
    return [line.rstrip() for line in out.getvalue().splitlines()]


def chosen(lines: list[str], beginnings: tuple[str, ...]) -> Iterator[str]:
    """The lines that begin so, in their order; three dots for what lies between."""
    place = 0
    for beginning in beginnings:
        found = next(index for index in range(place, len(lines)) if re.match(beginning, lines[index]))
        if found > place and place:
            yield "..."
        yield lines[found] if len(lines[found]) <= LONGEST else lines[found][:LONGEST].rsplit(",", 1)[0] + ", ..."
        place = found + 1


def blocks(build: Path, two_way: Path, run: Callable[[list[str]], list[str]] = printed) -> dict[str, list[str]]:
    """What README shows of each command, for the demonstration's builds in these folders."""

    def words(command: str) -> list[str]:
        return command.replace(BUILD, str(build)).replace(TWO_WAY_BUILD, str(two_way)).split()

    return {command: list(chosen(run(words(command)), beginnings)) for command, beginnings in SHOWN.items()}


def with_figures(text: str, shown: dict[str, list[str]]) -> str:
    """README with these lines behind their commands."""
    for command, lines in shown.items():
        head = f"    $ stillbox {command}\n"
        assert head in text, f"README.md lacks: {head.strip()}"
        begin = text.index(head) + len(head)
        end = begin + len(re.match(r"(    (?!\$ ).*\n)*", text[begin:])[0])  # type: ignore[index]
        text = text[:begin] + "".join(f"    {line}\n" for line in lines) + text[end:]
    return text


def main(arguments: list[str]) -> int:
    """Compare or write; 1 where README differs and is not written."""
    from stillbox.analysis.page.demonstration import BOX, TWO_WAY, demonstration_build

    with tempfile.TemporaryDirectory() as folder:
        made = [demonstration_build(Path(folder) / one, lambda _: None, one).path for one in (BOX, TWO_WAY)]
        shown = blocks(*made)
    old = README.read_text(encoding="utf-8")
    new = with_figures(old, shown)
    if new == old:
        return 0
    if "--write" in arguments:
        README.write_text(new, encoding="utf-8")
        return 0
    print("README.md differs from what is printed; run python tests/readme_figures.py --write")
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

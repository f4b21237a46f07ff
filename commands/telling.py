"""How commands tell of a topic: compute, write the files asked for, print; the same way for all topics."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillbox.commands.printing import print_json, say, show, warn_of

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.analysis.topic import Topic


def tell(
    topic: Topic[Any],
    bench: Bench,
    asked: Mapping[str, Any],
    files: Mapping[str, Path | None] | None = None,
    *,
    as_json: bool = False,
    everything: bool = False,
) -> None:
    """Compute what is asked and say it.

    Parameters
    ----------
    topic : Topic
    bench : Bench
    asked : mapping
        What the topic's ``compute`` is asked for.
    files : mapping, optional
        Where to write, by the name of the option (as the topic's files and pictures have it); None where it was not
        given.
    as_json : bool
        Print the document alone.
    everything : bool
        Say all of it, not what matters most.
    """
    from stillbox.analysis.drawing.layout import save_picture
    from stillbox.capture.files.output_file import check_different

    wanted = {option: path for option, path in (files or {}).items() if path is not None}
    check_different(**{option.removeprefix("--"): path for option, path in wanted.items()})
    result = topic.compute(bench, asked)
    for file in topic.files:
        if file.option in wanted:
            file.write(result, wanted[file.option])
    for drawn in topic.pictures:
        if drawn.option in wanted:
            save_picture(drawn.picture(result), wanted[drawn.option])
    if as_json and topic.document is not None:
        print_json(topic.document(result))
        return
    for item in topic.said(result, everything):
        show(item)
    for path in wanted.values():
        say(f"wrote {path}")
    warn_of(topic.warnings(result))

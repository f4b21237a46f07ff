"""What can be written of a topic's result, as the topic has it. No Qt here."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

from stillbox.analysis.topic import Result, Topic
from stillbox.capture.files.output_file import RESULTS, OutputKind, write_output
from stillbox.gui.results.view import Export


def document_of(topic: Topic[Result], result: Result) -> Export:
    """The JSON document of a topic as its command prints it."""
    document = topic.document
    assert document is not None

    def write(path: Path) -> None:
        write_output(path, RESULTS, json.dumps(document(result), indent=2, allow_nan=False) + "\n")

    return Export(f"{topic.title} for other programs", RESULTS.suffixes, write)


def files_of(topic: Topic[Result], result: Result, *kinds: OutputKind) -> list[Export]:
    """The files of a topic as its command writes them; of these kinds alone, if any are named."""
    return [
        Export(words, file.kind.suffixes, partial(file.write, part))
        for file in topic.files
        if not kinds or file.kind in kinds
        for words, part in ([(file.words, result)] if file.parts is None else file.parts(result))
    ]

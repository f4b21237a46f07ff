"""What a topic is: a reading of a build that plugs in at one place.

A topic is a package in ``analysis/`` with its computing, words, pictures and files, and one object of `Topic` in its
``topic.py``, listed in `analysis.page.topics`. Command line, report and documentation take from that object all that
they show; the window takes its files and controls. It is plain data with functions in it: nothing is inherited, so that
a topic says in one place all that it has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked, Control
from stillbox.analysis.maths.table import Table
from stillbox.analysis.section import Section
from stillbox.capture.files.output_file import OutputKind
from stillbox.capture.recording.take import TakeInfo

if TYPE_CHECKING:
    from stillbox.analysis.drawing.panels import PictureDescription

Result = TypeVar("Result")
Said = Iterator[str | Table]
"""Lines and tables in the order in which they are read."""


@dataclass(frozen=True)
class File(Generic[Result]):
    """Something that can be written of a result, but for its pictures.

    Attributes
    ----------
    option : str
        Its name on the command line.
    words : str
        What it is, in the window's menu.
    kind : OutputKind
    write : callable
    parts : callable or None
        Where a result may hold several of it, or none: the words of each, and the result with that alone.
    """

    option: str
    words: str
    kind: OutputKind
    write: Callable[[Result, Path], None]
    parts: Callable[[Result], Sequence[tuple[str, Result]]] | None = None


@dataclass(frozen=True)
class TopicPicture(Generic[Result]):
    """A picture of a result: its name on the command line, its words, and what it shows."""

    option: str
    words: str
    picture: Callable[[Result], PictureDescription]


def no_sections(bench: Bench, takes: Sequence[TakeInfo]) -> Sequence[Section]:
    """Of a topic that says nothing in the report by itself."""
    return ()


@dataclass(frozen=True)
class Topic(Generic[Result]):
    """All that is to be known of a topic.

    Attributes
    ----------
    name : str
        Its command.
    title : str
        As a heading.
    needs : str
        What has to be measured for it, in words.
    compute : callable
        From a bench and what is asked to the result.
    said : callable
        From the result, and whether all of it is wanted, to what the terminal shows.
    document : callable or None
        The result for other programs, as JSON.
    warnings : callable
    files : tuple of File
    pictures : tuple of TopicPicture
    controls : tuple of Number and Choice
        What may be changed in it.
    sections : callable
        From a bench and the takes of a report, the earlier first, to what the report says.
    """

    name: str
    title: str
    needs: str
    compute: Callable[[Bench, Asked], Result]
    said: Callable[[Result, bool], Said]
    warnings: Callable[[Result], Sequence[str]]
    document: Callable[[Result], dict[str, Any]] | None = None
    files: tuple[File[Result], ...] = ()
    pictures: tuple[TopicPicture[Result], ...] = ()
    controls: tuple[Control, ...] = ()
    sections: Callable[[Bench, Sequence[TakeInfo]], Sequence[Section]] = no_sections

"""Text from outside (names, flags, file names) made fit to be shown: what a terminal would obey becomes visible."""

from __future__ import annotations

LONGEST_NAME = 80
"""Letters of a name where it is only a part of a line, a heading or a button."""


def visible(text: str, kept: str = "") -> str:
    r"""The text with every letter that cannot be printed written out: ESC as ``\x1b``, a line end as ``\n``.

    Control characters, marks that turn the direction of writing, and halves of characters are such; letters in
    ``kept`` stay.
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in kept else _written_out(letter) for letter in text)


def in_one_line(text: str) -> str:
    """The text with single blanks for all line ends and gaps in it."""
    return " ".join(text.split())


def as_sentence(text: str) -> str:
    """The text in one line, with a capital letter and a full stop where it ends without one."""
    line = in_one_line(text)
    return line[:1].upper() + line[1:] + ("" if line.endswith((".", "!", "?")) else ".")


def short_name(text: str) -> str:
    """A name as part of a line: visible, its blanks single, cut where it is longer than any name."""
    line = visible(in_one_line(text))
    return line if len(line) <= LONGEST_NAME else line[: LONGEST_NAME - 1].rstrip() + "…"


def _written_out(letter: str) -> str:
    # Spaces of other widths do no harm, but many fonts lack them.
    return " " if letter.isspace() and ord(letter) > 0x7F else letter.encode("unicode_escape").decode("ascii")

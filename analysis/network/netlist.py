"""Networks as netlists: the elements R, L, C and subcircuits X of SPICE, read and written.

The speaker's terminals are the nodes ``in`` and ``0``. A driver is a subcircuit, ``Xwoofer positive negative ANYNAME``:
the order of its nodes is its polarity. Capitals and small letters are the same, numbers are those of SPICE
(`analysis.network.spice_number`). ``RL1`` in series with ``L1`` on a node that nothing else touches is the loss of
``L1``; every other resistor is a part. Lines that begin with ``*`` and what follows ``;`` are comments, a line that
begins with ``+`` goes on with the one before, ``.end`` ends. As in SPICE the first line is the title, but where it can
only be meant as an element. What a simulator adds without changing the network (a source on the terminals, analyses,
the models of the drivers) is left out, and a note says so.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from stillbox.analysis.network.connections import islands, loose_ends, without_current
from stillbox.analysis.network.network import GROUND, INPUT, DriverPlace, Network, Part
from stillbox.analysis.network.spice_number import is_spice_number, spice_number, spice_text
from stillbox.analysis.parts.kinds import LETTERS, REASONABLE, Kind
from stillbox.analysis.parts.part_codes import value_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import read_small_text, why_unreadable
from stillbox.capture.recording.take import driver_name

MOST_ELEMENTS = 200
"""No passive speaker has more; what is computed grows with it."""

LOSSY = ("L", "C")
"""Parts that have a loss: a resistor's own would only be more resistor."""

_NAME = re.compile(r"[A-Za-z0-9_]+")
_NODE = re.compile(r"[^\s(),=;*+$\"']+")
_COMMENT = re.compile(r";|//|(?:^|\s)\$(?:\s|$)")
_ANALYSES = (
    ".ac", ".backanno", ".dc", ".disto", ".four", ".meas", ".measure", ".net", ".noise", ".op", ".option", ".options",
    ".plot", ".print", ".probe", ".save", ".sens", ".temp", ".tf", ".tran", ".width",
)  # fmt: skip
"""Directives that ask for something to be computed, and change no part."""
_BLOCKS = {".subckt": ".ends", ".control": ".endc"}


@dataclass(frozen=True)
class _Line:
    """A line with those that continue it, without comments."""

    number: int
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Element:
    """R, L, C or X with the line that it stands in; a driver has no value, a part no model."""

    line: int
    name: str
    nodes: tuple[str, str]
    value: float = 0.0
    model: str = ""

    @property
    def letter(self) -> str:
        return self.name[0].upper()

    @property
    def key(self) -> str:
        return self.name.casefold()


def read_netlist(path: Path) -> str:
    """The text of a netlist's file; StillboxError where it cannot be read."""
    try:
        return read_small_text(path)
    except (OSError, ValueError) as error:
        raise StillboxError(
            f"the netlist {path} cannot be read: {why_unreadable(error)}", "give the path of a text file"
        ) from error


def network_from_text(
    text: str, source: str = "netlist", known_drivers: Collection[str] | None = None, by_line: bool = True
) -> Network:
    """The network that a netlist describes.

    Parameters
    ----------
    text : str
        The netlist.
    source : str
        What to call it in errors.
    known_drivers : collection of str, optional
        Names that drivers of this build have; left out: any.
    by_line : bool
        Whether errors say in which line it is; else the names of parts have to do.

    Raises
    ------
    StillboxError
        With line, fault and remedy.
    """
    return _Reader(source, known_drivers, by_line).network(text)


def netlist_text(network: Network) -> str:
    """The netlist of a network, which `network_from_text` reads back unchanged; what carries no current is left out."""
    lines = [f"* {network.title}".rstrip()]
    for part in network.parts:
        nodes = part.nodes
        if nodes[0] == nodes[1]:
            continue
        if part.loss_name:
            inner, own = (nodes[0], part.loss_node), (part.loss_node, nodes[1])
            loss_nodes, nodes = (inner, own) if part.loss_first else (own, inner)
        lines.append(f"{part.name} {nodes[0]} {nodes[1]} {spice_text(part.value)}")
        if part.loss_name:
            lines.append(f"{part.loss_name} {loss_nodes[0]} {loss_nodes[1]} {spice_text(part.loss_ohm)}")
    lines += [
        f"X{driver.name} {driver.positive} {driver.negative} {driver.model}"
        for driver in network.drivers
        if driver.positive != driver.negative
    ]
    return "\n".join([*lines, ".end", ""])


class _Reader:
    """Reads one netlist; knows what to call it in errors."""

    def __init__(self, source: str, known_drivers: Collection[str] | None, by_line: bool) -> None:
        self._source, self._by_line = source, by_line
        self._known = None if known_drivers is None else {driver_name(name) for name in known_drivers}
        self._notes: list[str] = []
        self._title = ""

    def network(self, text: str) -> Network:
        lines = self._lines(text)
        elements = [self._element(line) for line in self._circuit(lines)]
        elements = [element for element in elements if not self._is_source(element)]
        self._check_names(elements)
        self._check_connections(elements)
        bare = [element for element in elements if element.letter != "X"]
        losses, apart = _losses(bare, elements)
        self._notes += apart
        parts = tuple(_with_losses(bare, losses))
        drivers = tuple(
            DriverPlace(self._driver_name(one), *one.nodes, one.model) for one in elements if one.letter == "X"
        )
        return Network(self._title, parts, drivers, tuple(self._notes))

    def _fault(self, line: int, fault: str, remedy: str) -> StillboxError:
        return StillboxError(f"{self._source}, line {line}: {fault}" if self._by_line else fault, remedy)

    # Lines

    def _lines(self, text: str) -> list[_Line]:
        raw = text.splitlines()
        joined: list[_Line] = []
        for number, line in enumerate(raw, start=1):
            bare = _COMMENT.split("" if line.lstrip().startswith("*") else line, maxsplit=1)[0].strip()
            if bare.startswith("+") and joined:
                joined[-1] = replace(joined[-1], words=(*joined[-1].words, *bare[1:].split()))
            elif bare or number == 1:
                joined.append(_Line(number, tuple(bare.split())))
        if not joined:
            return []
        first, *rest = joined
        if first.words and (first.words[0].startswith(".") or _must_be_element(first, rest)):
            if not first.words[0].startswith("."):
                self._notes.append(
                    f"line 1 of {self._source} is read as {first.words[0]}; simulators take the first line for the "
                    "title: put one before it"
                )
            return joined
        self._title = raw[0].strip().removeprefix("*").strip()
        return rest

    def _circuit(self, lines: list[_Line]) -> Iterator[_Line]:
        """The lines that are elements, directives taken out."""
        waiting_for = ""
        left_out: list[str] = []
        for line in lines:
            word = line.words[0].lower()
            if waiting_for:
                waiting_for = "" if word == waiting_for else waiting_for
            elif word == ".end":
                break
            elif word == ".title":
                self._title = " ".join(line.words[1:])
            elif word in _BLOCKS or word in _ANALYSES:
                waiting_for = _BLOCKS.get(word, "")
                left_out.append(word)
            elif word.startswith("."):
                raise self._fault(line.number, f"'{word}' changes what a network is, and is not read",
                                  "write each part out as R, L or C")  # fmt: skip
            else:
                yield line
        if waiting_for:
            raise StillboxError(f"{self._source}: {waiting_for} is missing", "end the block with it")
        if left_out:
            self._notes.append(f"left out of {self._source}: {', '.join(dict.fromkeys(left_out))}")

    # Elements

    def _element(self, line: _Line) -> _Element:
        name, *rest = line.words
        letter = name[0].upper()
        if letter == "V" and len(rest) >= 2 and {_node(node) for node in rest[:2]} == {INPUT, GROUND}:
            return _Element(line.number, name, (INPUT, GROUND))
        if letter not in LETTERS and letter != "X":
            raise self._fault(
                line.number,
                f"'{name}' is no part that a network is made of",
                "names begin with R, L, C or, for drivers, X; comments begin with *",
            )
        if not _NAME.fullmatch(name) or len(name) == 1:
            raise self._fault(
                line.number, f"'{name}' is no name", f"write {letter} and letters, digits or _, as in {letter}1"
            )
        if len(rest) != 3:
            raise self._wrong_length(line, letter)
        nodes = self._nodes(line, rest)
        if letter == "X":
            return _Element(line.number, name, nodes, model=rest[2])
        return _Element(line.number, name, nodes, self._value(line, name, rest[2]))

    def _wrong_length(self, line: _Line, letter: str) -> StillboxError:
        name, *rest = line.words
        form = f"{name} NODE NODE {'ANYNAME' if letter == 'X' else 'VALUE'}"
        if len(rest) > 3 and letter != "X" and is_spice_number(rest[2]):
            more = " ".join(rest[3:])
            loss = f"; a loss is a resistor of its own, R{name}" if letter in LOSSY else ""
            remedy = f"write {form}, number and prefix in one word{loss}"
            return self._fault(line.number, f"'{more}' after the value of {name} is not read", remedy)
        return self._fault(line.number, f"{name} has {len(rest)} words behind it instead of 3", f"write {form}")

    def _nodes(self, line: _Line, words: list[str]) -> tuple[str, str]:
        for word in words[:2]:
            if not _NODE.fullmatch(word):
                raise self._fault(line.number, f"'{word}' is no name of a node", "use letters, digits and _")
        one, other = _node(words[0]), _node(words[1])
        if one == other:
            raise self._fault(
                line.number, f"both ends of {line.words[0]} are at node {one}", "give it two nodes, or leave it out"
            )
        return one, other

    def _value(self, line: _Line, name: str, word: str) -> float:
        kind = LETTERS[name[0].upper()]
        try:
            value = spice_number(word)
        except StillboxError as error:
            raise self._fault(line.number, f"the value of {name}: {error.fault}", error.remedy) from error
        least, most = REASONABLE[kind]
        if not least <= value <= most:
            raise self._fault(line.number, *out_of_reason(name, kind, value, word))
        if kind == "resistor" and "M" in word and "meg" not in word.lower():
            self._notes.append(
                f"{name} is {value_words(value, kind)}: in a netlist M is a thousandth, and a million is meg"
            )
        return value

    def _is_source(self, element: _Element) -> bool:
        if element.letter != "V":
            return False
        self._notes.append(f"left out of {self._source}: {element.name}, as the terminals are driven anyway")
        return True

    def _driver_name(self, element: _Element) -> str:
        name = driver_name(element.name[1:])
        if self._known is None:
            return name
        if name not in self._known:
            there = ", ".join(sorted(self._known)) or "none"
            raise self._fault(
                element.line, f"there is no driver '{name}'; the drivers are: {there}", "write X and one of these names"
            )
        return name

    # The whole

    def _check_names(self, elements: list[_Element]) -> None:
        if not elements:
            raise StillboxError(f"{self._source} holds no part and no driver", "write a line for each, as R1 in 0 8")
        if len(elements) > MOST_ELEMENTS:
            raise StillboxError(
                f"{self._source} has {len(elements)} parts and drivers", f"a network has {MOST_ELEMENTS} at most"
            )
        lines: dict[str, int] = {}
        for element in elements:
            if element.key in lines:
                where = f", first in line {lines[element.key]}" if self._by_line else ""
                raise self._fault(element.line, f"{element.name} is there twice{where}", "rename one")
            lines[element.key] = element.line
        for element in elements:
            if element.letter == "X" and element.key[1:] in lines:
                name = element.name[1:]
                raise self._fault(element.line, f"'{name}' names a part and a driver", "rename one")

    def _check_connections(self, elements: list[_Element]) -> None:
        ends = [element.nodes for element in elements]
        nodes = {node for pair in ends for node in pair}
        for terminal in (INPUT, GROUND):
            if terminal not in nodes:
                raise StillboxError(
                    f"{self._source}: nothing is joined to node {terminal}, which is a terminal of the speaker",
                    f"the terminals are {INPUT} and {GROUND}: name the node of the first part so",
                )
        faults = (
            (loose_ends(ends), "joins nothing else", "join it to another part, or correct the name"),
            (islands(ends), "has no way to the terminals", "join it to the rest of the network"),
        )
        for floating, fault, remedy in faults:
            for element in elements:
                for node in element.nodes:
                    if node in floating:
                        raise self._fault(element.line, f"node {node} of {element.name} floats: it {fault}", remedy)
        for place in without_current(ends)[:1]:
            name, line = elements[place].name, elements[place].line
            raise self._fault(
                line,
                f"{name} has no path: no current from {INPUT} to {GROUND} can pass it",
                "join both of its ends to the network",
            )


def _must_be_element(first: _Line, rest: list[_Line]) -> bool:
    """Whether the first line joins nodes of the others: then it is no title."""
    if len(first.words) < 3 or first.words[0][0].upper() not in (*LETTERS, "X"):
        return False
    nodes = {INPUT, GROUND} | {_node(word) for line in rest for word in line.words[1:3]}
    return bool(_NAME.fullmatch(first.words[0])) and {_node(word) for word in first.words[1:3]} <= nodes


def _node(word: str) -> str:
    """As nodes are compared; ``gnd`` is another name of node 0 in SPICE."""
    return GROUND if word.casefold() == "gnd" else word.casefold()


def _losses(parts: list[_Element], elements: list[_Element]) -> tuple[dict[str, tuple[_Element, str]], list[str]]:
    """By the key of a part, the resistor that is its loss and the node between; and which are none, named as if."""
    touched = Counter(node for element in elements for node in element.nodes)
    named = {element.key: element for element in parts}
    losses: dict[str, tuple[_Element, str]] = {}
    apart: list[str] = []
    for part in parts:
        loss = named.get("r" + part.key)
        if loss is None or part.letter not in LOSSY:
            continue
        shared = set(part.nodes) & set(loss.nodes)
        node = next(iter(shared)) if len(shared) == 1 else INPUT
        if node not in (INPUT, GROUND) and touched[node] == 2:
            losses[part.key] = loss, node
        else:
            apart.append(f"{loss.name} is no loss of {part.name}, as it is not in series with it alone: it is a part")
    return losses, apart


def _with_losses(parts: list[_Element], losses: dict[str, tuple[_Element, str]]) -> Iterator[Part]:
    """Parts, resistors that are the loss of one taken into it."""
    taken = {loss.key for loss, _ in losses.values()}
    for part in parts:
        if part.key in taken:
            continue
        kind = LETTERS[part.letter]
        if part.key not in losses:
            yield Part(part.name, kind, part.nodes, part.value)
            continue
        loss, node = losses[part.key]
        outer = next(other for other in loss.nodes if other != node)
        first = part.nodes[0] == node
        nodes = (outer, part.nodes[1]) if first else (part.nodes[0], outer)
        yield Part(part.name, kind, nodes, part.value, loss.value, loss.name, node, first)


def out_of_reason(name: str, kind: Kind, value: float, word: str) -> tuple[str, str]:
    """Fault and remedy of a value that no part of a passive speaker has; ``word`` is how it was written."""
    least, most = (value_words(limit, kind) for limit in REASONABLE[kind])
    farad = " (behind a number f is a factor, 1e-15)" if kind == "capacitor" and word.lower().endswith("f") else ""
    written = f"'{word}' is {value_words(value, kind)}" if value > 0 else f"'{word}' is not above 0"
    return (
        f"the value of {name} is out of reason: {written}{farad}",
        f"a {kind} has {least} to {most}; write the prefix, as in {'1meg' if kind == 'resistor' else '4.7u'}",
    )

"""A network as a drawn circuit: the ways to its drivers one below the other, or all nodes as lines one below the other.

Plain lines and words with their places, for the window (which paints them itself) and for paper alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from stillbox.analysis.drawing.symbols import HALF, Stroke, ground, ring, symbol
from stillbox.analysis.network.ladder import Ladder, Link, Row, ladder_of
from stillbox.analysis.network.network import GROUND, INPUT
from stillbox.analysis.parts.kinds import Kind

STEP = 2 * HALF
COLUMN = 8.0
"""Between what hangs beside each other at one node: symbol and its words."""
ABOVE, BYPASS = 5.2, 6.5
"""Over a row: words of its parts; each bypass with its words."""
LEAD = 1.6
BESIDE = 2.0
"""From where ways part at a node to what hangs there, and on to what is in series."""
APART = 7.5
"""Between nodes that are drawn as lines."""
EDGE = 1.2
LINE = 1.25
"""Between lines of words."""
LETTER = 0.66
"""Width of a letter, about."""


@dataclass(frozen=True)
class Drawn:
    """A part or a driver as it is to be drawn.

    Attributes
    ----------
    name : str
    kind : str or None
        None for a driver.
    nodes : tuple of str
        Of a driver the positive one first.
    words : tuple of str
        Value and loss, a line each.
    """

    name: str
    kind: Kind | None
    nodes: tuple[str, str]
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Label:
    """Words at a place.

    Attributes
    ----------
    x, y : float
        Middle of the line in height; in width as ``side`` says.
    side : str
        What of the words is at x: left, middle, right.
    strong : bool
        A name.
    """

    x: float
    y: float
    text: str
    name: str = ""
    side: str = "left"
    strong: bool = False


@dataclass(frozen=True)
class Schematic:
    """Lines and words in units of which a symbol is six long; y downwards.

    Attributes
    ----------
    places : mapping
        Middle of each element's symbol, by name.
    is_ladder : bool
        Whether it is drawn as ways to the drivers.
    """

    width: float
    height: float
    strokes: tuple[Stroke, ...]
    dots: tuple[tuple[float, float], ...]
    labels: tuple[Label, ...]
    places: Mapping[str, tuple[float, float]]
    is_ladder: bool


@dataclass
class _Sheet:
    """What has been drawn so far."""

    elements: Mapping[str, Drawn]
    strokes: list[Stroke] = field(default_factory=list)
    dots: list[tuple[float, float]] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    places: dict[str, tuple[float, float]] = field(default_factory=dict)
    nodes: dict[str, tuple[float, float]] = field(default_factory=dict)

    def wire(self, *points: tuple[float, float]) -> None:
        self.strokes.append(Stroke(tuple(points)))

    def element(self, name: str, start: str, x: float, y: float, down: bool) -> None:
        """One element with its middle there; ``start`` is its node on the left, or above."""
        drawn = self.elements[name]
        flipped = drawn.kind is None and drawn.nodes[0] != start
        self.strokes += [one.placed(x, y, down, flipped) for one in symbol(drawn.kind, name)]
        self.places[name] = (x, y)
        lines = (name, *drawn.words)
        if down:
            aside = x + (2.6 if drawn.kind is None else 1.5)
            places = [(aside, y + LINE * (row - (len(lines) - 1) / 2)) for row in range(len(lines))]
        else:
            over = y - (2.9 if drawn.kind is None else 1.5)
            places = [(x, over - LINE * (len(lines) - 1 - row) - 0.5) for row in range(len(lines))]
        for (left, height), text in zip(places, lines, strict=True):
            self.labels.append(Label(left, height, text, name, "left" if down else "middle", strong=text is name))

    def chain(self, link: Link, x: float, y: float, down: bool) -> tuple[float, float]:
        """Elements of a link one after the other; returns where it ends."""
        node = link.nodes[0]
        for name in link.elements:
            self.element(name, node, *((x, y + HALF) if down else (x + HALF, y)), down)
            x, y = (x, y + STEP) if down else (x + STEP, y)
            one, other = self.elements[name].nodes
            node = other if node == one else one
        return x, y

    def rows(self, ladder: Ladder) -> float:
        """All rows; returns how deep they reach."""
        begun: dict[str, list[int]] = {}
        for index, row in enumerate(ladder.rows):
            begun.setdefault(row.nodes[0], []).append(index)
        top = 0.0
        for index, row in enumerate(ladder.rows):
            node = row.nodes[0]
            y = top + ABOVE + BYPASS * len(row.bypasses)
            if index == 0:
                self.strokes.append(ring(0.0, y, 0.45))
                self.labels.append(Label(-0.8, y, INPUT, side="right"))
                self.wire((0.45, y), (LEAD, y))
                self.nodes[node] = LEAD, y
            else:
                self.wire(self.nodes[node], (self.nodes[node][0], y))
                self.dots.append(self.nodes[node])
                if index != begun[node][-1]:
                    self.dots.append((self.nodes[node][0], y))
            parting = {name for name, rows in begun.items() if rows[-1] > index}
            top = self.row(ladder, row, (self.nodes[node][0], y), parting) + 1.0
        return top

    def row(self, ladder: Ladder, row: Row, start: tuple[float, float], parting: set[str]) -> float:
        """One row from a place on; ways part at some of its nodes. Returns how deep it reaches."""
        x, y = start
        deepest = y + 1.5
        for number, node in enumerate(row.nodes):
            own = number > 0 or self.nodes.get(node) == start
            if number:
                self.nodes[node] = x, y
            across = ladder.across.get(node, ()) if own else ()
            goes_on = number < len(row.series)
            if across and node in parting:
                self.wire((x, y), (x + BESIDE, y))
                x += BESIDE
            for place, link in enumerate(across):
                if place:
                    self.wire((x, y), (x + COLUMN, y))
                    x += COLUMN
                if number or place or goes_on or node in parting:
                    self.dots.append((x, y))
                end = self.chain(link, x, y, down=True)
                self.strokes += ground(*end)
                deepest = max(deepest, end[1] + 1.0)
            if not across and any(node in link.nodes for link in row.bypasses):
                self.dots.append((x, y))
            if not goes_on:
                break
            if across:
                self.wire((x, y), (x + BESIDE, y))
                x += BESIDE
            ends = [link for link in row.bypasses if link.nodes[1] == row.nodes[number + 1]]
            after, _ = self.chain(row.series[number], x, y, down=False)
            x = max([after, *(self.nodes[link.nodes[0]][0] + STEP * len(link.elements) + 1.0 for link in ends)])
            self.wire((after, y), (x, y))
        for level, link in enumerate(row.bypasses):
            self.bypass(link, (self.nodes[link.nodes[0]][0], self.nodes[link.nodes[1]][0]), y, y - BYPASS * (level + 1))
        return deepest

    def bypass(self, link: Link, ends_x: tuple[float, float], y: float, height: float) -> None:
        left, right = ends_x
        begin = (left + right - STEP * len(link.elements)) / 2
        self.wire((left, y), (left, height), (begin, height))
        end, _ = self.chain(link, begin, height, down=False)
        self.wire((end, height), (right, height), (right, y))

    def lines_of_nodes(self) -> None:
        """Each node a line, each part between two of them: for whatever has no rows."""
        order = [INPUT, *_from_terminal(self.elements)]
        heights = {node: APART * place for place, node in enumerate([*order, GROUND])}
        columns = sorted(self.elements.values(), key=lambda one: sorted(heights[node] for node in one.nodes))
        last: dict[str, float] = {}
        for place, one in enumerate(columns):
            x = COLUMN * place
            upper, lower = sorted(one.nodes, key=lambda node: heights[node])
            middle = heights[upper] + APART / 2
            self.element(one.name, upper, x, middle, down=True)
            self.wire((x, heights[upper]), (x, middle - HALF))
            self.wire((x, middle + HALF), (x, heights[lower]))
            self.dots += [(x, heights[upper]), (x, heights[lower])]
            last.update({upper: x, lower: x})
        for node, x in last.items():
            self.wire((-3.0, heights[node]), (x, heights[node]))
            self.labels.append(Label(-3.6, heights[node], node, side="right"))

    def loose(self, name: str, x: float, y: float) -> None:
        """A part alone, with the names of the places that it is to join."""
        upper, lower = self.elements[name].nodes
        self.element(name, upper, x, y + HALF + LINE, down=True)
        self.labels += [Label(x, y, upper, side="middle"), Label(x, y + STEP + 2 * LINE, lower, side="middle")]

    def finished(self, is_ladder: bool) -> Schematic:
        points = [point for stroke in self.strokes for point in stroke.points]
        left = min([x for x, _ in points] + [_ends_x(one)[0] for one in self.labels])
        least = left - EDGE, min([y for _, y in points] + [one.y for one in self.labels]) - EDGE
        right = max([x for x, _ in points] + [_ends_x(one)[1] for one in self.labels]) + EDGE
        low = max([y for _, y in points] + [one.y for one in self.labels]) + EDGE

        def moved(x: float, y: float) -> tuple[float, float]:
            return x - least[0], y - least[1]

        return Schematic(
            right - least[0],
            low - least[1],
            tuple(replace(one, points=tuple(moved(*point) for point in one.points)) for one in self.strokes),
            tuple(moved(*one) for one in self.dots),
            tuple(replace(one, x=moved(one.x, one.y)[0], y=moved(one.x, one.y)[1]) for one in self.labels),
            {name: moved(*place) for name, place in self.places.items()},
            is_ladder,
        )


def _ends_x(label: Label) -> tuple[float, float]:
    """Where its words begin and end, about."""
    width = LETTER * len(label.text)
    left = label.x - {"left": 0.0, "middle": width / 2, "right": width}[label.side]
    return left, left + width


def schematic_of(elements: Sequence[Drawn]) -> Schematic | None:
    """The circuit of parts and drivers; None where there is nothing to draw."""
    drawn = {one.name: one for one in elements if one.nodes[0] != one.nodes[1]}
    if not drawn:
        return None
    sheet = _Sheet(drawn)
    loose = _loose(drawn)
    joined = {name: one.nodes for name, one in drawn.items() if name not in loose}
    ladder = ladder_of(joined, [name for name in joined if drawn[name].kind is None]) if joined else None
    if ladder is None and joined:
        sheet.lines_of_nodes()
        return sheet.finished(is_ladder=False)
    depth = 0.0 if ladder is None else sheet.rows(ladder)
    for place, name in enumerate(loose):
        sheet.loose(name, COLUMN * place + LEAD, depth + LINE)
    return sheet.finished(is_ladder=True)


def _loose(drawn: Mapping[str, Drawn]) -> list[str]:
    """What is not joined to the positive terminal, as while somebody is still writing."""
    apart = set(_from_terminal(drawn, with_apart=False))
    return [name for name, one in drawn.items() if not {INPUT, *apart} & set(one.nodes)]


def _from_terminal(elements: Mapping[str, Drawn], with_apart: bool = True) -> list[str]:
    """All nodes but the terminals, the nearest to the positive one first; what is not joined to it comes last."""
    seen = [INPUT]
    for node in seen:
        for one in elements.values():
            seen += [end for end in one.nodes if node in one.nodes and end not in (*seen, GROUND)]
    if not with_apart:
        return seen[1:]
    apart = [node for one in elements.values() for node in one.nodes if node not in (*seen, GROUND)]
    return [*seen[1:], *dict.fromkeys(apart)]

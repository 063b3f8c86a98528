"""What a drawing consists of: symbols, wires, texts and marks, each with its place [px], x to the right and y down."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

__all__ = ["ON_SCREEN", "Box", "Canvas", "Lettering", "Mark", "Point", "Symbol", "Text", "Wire", "text_width"]

Point = tuple[float, float]

# widths of a wide sans-serif face (DejaVu Sans) [em]; narrower faces then fit as well
_NARROW, _WIDE = "ijlI|.,:;'!()[] ", "mwMWQ%@"
_CAPITAL_EM, _SMALL_EM, _NARROW_EM, _WIDE_EM, _FOREIGN_EM = 0.70, 0.62, 0.40, 0.99, 1.05
_BOLD = 1.10


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a text is at most, in any usual sans-serif face [px].

    Parameters
    ----------
    text : str
        The text.
    size : float
        Size of its letters [px].
    bold : bool
        Whether it is set bold.
    """
    em = 0.0
    for sign in text:
        if sign in _NARROW:
            em += _NARROW_EM
        elif sign in _WIDE:
            em += _WIDE_EM
        elif ord(sign) > 0x3FF:
            em += _FOREIGN_EM
        elif sign.isupper() or sign.isdigit():
            em += _CAPITAL_EM
        else:
            em += _SMALL_EM
    return em * size * (_BOLD if bold else 1.0)


@dataclass(frozen=True, slots=True)
class Lettering:
    """How large texts are beside the symbols.

    Parameters
    ----------
    scale : float
        1 on a screen; more where the whole sheet is printed small.

    Examples
    --------
    >>> Lettering().label, Lettering(2.0).small
    (11.0, 19.0)
    """

    scale: float = 1.0

    @property
    def label(self) -> float:
        """Size of a part's name [px]."""
        return 11.0 * self.scale

    @property
    def small(self) -> float:
        """Size of values, pads and names of nets [px]."""
        return 9.5 * self.scale

    @property
    def large(self) -> float:
        """Size of main terminals [px]."""
        return 13.0 * self.scale

    def of(self, length: float) -> float:
        """Return a distance that goes with the letters [px].

        Parameters
        ----------
        length : float
            What it is at a scale of 1 [px].
        """
        return length * self.scale


ON_SCREEN = Lettering()


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle [px]."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box, gap: float = 0.0) -> bool:
        """Return whether two rectangles share an area, or come nearer than a gap [px].

        Parameters
        ----------
        other : Box
            The other rectangle.
        gap : float
            Distance that must stay free [px].
        """
        return (
            self.left < other.right + gap
            and other.left < self.right + gap
            and self.top < other.bottom + gap
            and other.top < self.bottom + gap
        )

    def shifted(self, dx: float, dy: float) -> Box:
        """Return the rectangle elsewhere."""
        return Box(self.left + dx, self.top + dy, self.right + dx, self.bottom + dy)


@dataclass(frozen=True, slots=True)
class Symbol:
    """A part.

    Parameters
    ----------
    ref : str
        The part.
    shape : str
        Its symbol: a kind of part, or ``zener``.
    start, end : Point
        Where its first and its last pin are; collector or drain, then emitter or source, of a switch.
    body : Box
        What its drawing covers without leads.
    """

    ref: str
    shape: str
    start: Point
    end: Point
    body: Box


@dataclass(frozen=True, slots=True)
class Wire:
    """A straight wire of a net."""

    net: str
    start: Point
    end: Point


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text.

    Parameters
    ----------
    words : str
        What it says.
    at : Point
        Its anchor; the baseline.
    anchor : str
        ``start``, ``middle`` or ``end``: which end of it the anchor is.
    role : str
        ``part``, ``value``, ``terminal``, ``pad``, ``net`` or ``note``.
    size : float
        Size of its letters [px].
    ref : str
        Part it belongs to, if any.
    """

    words: str
    at: Point
    anchor: str
    role: str
    size: float
    ref: str = ""

    @property
    def bold(self) -> bool:
        """Whether it is set bold."""
        return self.role == "terminal"

    @property
    def box(self) -> Box:
        """What it covers at most."""
        width = text_width(self.words, self.size, bold=self.bold)
        left = self.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * width
        return Box(left, self.at[1] - 0.80 * self.size, left + width, self.at[1] + 0.24 * self.size)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place a lead goes to (``terminal``, ``pad``), or the end of a wire (``bar``, ``upright-bar``)."""

    at: Point
    kind: str


@dataclass
class Canvas:
    """A drawing in the making.

    Parameters
    ----------
    symbols, wires, texts, marks : list
        What is on it.
    spots : dict of str to Point
        Where each lead goes: terminals by name.
    pins : dict of (str, str) to Point
        Where each pin of each part is.
    kept : list of Box
        Room kept for what may be written later.
    """

    symbols: list[Symbol] = field(default_factory=list)
    wires: list[Wire] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    spots: dict[str, Point] = field(default_factory=dict)
    pins: dict[tuple[str, str], Point] = field(default_factory=dict)
    kept: list[Box] = field(default_factory=list)

    def wire(self, net: str, *points: Point) -> None:
        """Draw a wire from point to point."""
        for start, end in itertools.pairwise(points):
            if start != end:
                self.wires.append(Wire(net, start, end))

    def mark(self, at: Point, kind: str, leads: Sequence[str] = ()) -> None:
        """Draw a mark, and say which leads go there."""
        self.marks.append(Mark(at, kind))
        for lead in leads:
            self.spots.setdefault(lead, at)

    def add(self, other: Canvas, dx: float = 0.0, dy: float = 0.0) -> None:
        """Draw everything on another canvas here, moved."""

        def at(point: Point) -> Point:
            return point[0] + dx, point[1] + dy

        self.symbols += [
            replace(one, start=at(one.start), end=at(one.end), body=one.body.shifted(dx, dy)) for one in other.symbols
        ]
        self.wires += [Wire(one.net, at(one.start), at(one.end)) for one in other.wires]
        self.texts += [replace(one, at=at(one.at)) for one in other.texts]
        self.marks += [Mark(at(one.at), one.kind) for one in other.marks]
        for lead, spot in other.spots.items():
            self.spots.setdefault(lead, at(spot))
        self.pins |= {pin: at(point) for pin, point in other.pins.items()}
        self.kept += [box.shifted(dx, dy) for box in other.kept]

    @property
    def box(self) -> Box:
        """What the drawing covers."""
        boxes = [one.body for one in self.symbols] + [one.box for one in self.texts] + self.kept
        points = [point for wire in self.wires for point in (wire.start, wire.end)] + [one.at for one in self.marks]
        xs = [edge for box in boxes for edge in (box.left, box.right)] + [x for x, _ in points] or [0.0]
        ys = [edge for box in boxes for edge in (box.top, box.bottom)] + [y for _, y in points] or [0.0]
        return Box(min(xs), min(ys), max(xs), max(ys))

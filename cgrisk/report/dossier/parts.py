"""What a report is made of, as plain data: text, tables, figures, formulas, in sections.

Nothing here knows of HTML or PDF: both pages are made from the same parts, so that a sentence is
written once. All text is plain; what looks like markup is shown as it stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Literal

__all__ = [
    "BANNER",
    "HASH_SIGNS",
    "Block",
    "Bullets",
    "Cell",
    "Column",
    "Dossier",
    "Figure",
    "Formula",
    "Heading",
    "Mark",
    "Section",
    "Table",
    "Text",
    "columns",
    "said",
    "said_when",
    "sections_of",
]

#: Stands above everything else.
BANNER: Final = (
    "Study aid, not approved data and not for dispatch. The certified limits, the operator's "
    "approved manual, the authority's rules and qualified staff decide."
)
#: Signs of a SHA-256 that are shown, everywhere in a report.
HASH_SIGNS: Final = 12
#: What a paragraph is for: "command" is text to type, "caution" must not be overlooked.
Kind = Literal["plain", "lead", "caution", "decision", "command", "note", "warning"]


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    kind: Kind = "plain"


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a section."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """Sentences that stand by themselves."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table.

    Attributes
    ----------
    text : str
        What is read.
    value : float or None
        What the table is sorted by; None: the text.
    """

    text: str
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    head : str
        Its heading, with the unit.
    key : str
        "side", "phase" or "reading" where rows can be picked by it; else empty.
    numeric : bool
        Whether its cells are numbers, which stand on the right.
    weight : float
        Share of the width on paper.
    """

    head: str
    key: str = ""
    numeric: bool = False
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption that says what to see in it."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a chart that tells its value when pointed at.

    Attributes
    ----------
    text : str
        Value with its interval.
    side, phase : str
        By which it can be picked; empty where it has none.
    """

    text: str
    side: str = ""
    phase: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart.

    Attributes
    ----------
    name : str
        Its name, unlike that of any other figure of the report.
    caption : str
        The one thing it says, and where its numbers are.
    alt : str
        What it shows, for those who do not see it.
    svg : str
        The drawing, cleaned by :func:`cgrisk.report.dossier.drawing.clean_svg`.
    marks : mapping of str to Mark
        By the name of an element of the drawing.
    data : Table or None
        Its numbers, where no table of the section has them.
    """

    name: str
    caption: str
    alt: str
    svg: str
    marks: Mapping[str, Mark] = field(default_factory=dict)
    data: Table | None = None


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula: in MathML, in the notation of the typesetter, and in words."""

    mathml: str
    typeset: str
    words: str


Block = Text | Heading | Bullets | Table | Figure | Formula


@dataclass(frozen=True, slots=True)
class Section:
    """A section; ``anchor`` is its name in links."""

    anchor: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Dossier:
    """A report.

    Attributes
    ----------
    title, subtitle : str
        Name, and what it is about.
    date : str
        When the run was made, ISO 8601, UTC.
    front : tuple of blocks
        The first half page: the question and the answer.
    sections : tuple of Section
    numbers : dict
        The numbers of the first half page as plain data.
    """

    title: str
    subtitle: str
    date: str
    front: tuple[Block, ...]
    sections: tuple[Section, ...]
    numbers: dict[str, Any]


def said_when(date: str) -> str:
    """Return a date (ISO 8601) as it is read, UTC."""
    return f"{datetime.fromisoformat(date).astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def said(*texts: str, kind: Kind = "plain") -> tuple[Text, ...]:
    """Return paragraphs, empty ones left out."""
    return tuple(Text(text, kind) for text in texts if text)


def columns(*heads: str, keys: Mapping[str, str] | None = None) -> tuple[Column, ...]:
    """Return columns by their headings.

    Parameters
    ----------
    heads : str
        Headings; one that starts with ``#`` is of numbers, ``2:`` before it doubles its width.
    keys : mapping of str to str
        Key of a heading by which rows can be picked.
    """
    found = []
    for head in heads:
        weight, text = 1.0, head
        if len(head) > 2 and head[0].isdigit() and head[1] == ":":
            weight, text = float(head[0]), head[2:]
        numeric = text.startswith("#")
        text = text.removeprefix("#")
        found.append(Column(text, (keys or {}).get(text, ""), numeric, weight))
    return tuple(found)


def sections_of(*sections: Section | None) -> tuple[Section, ...]:
    """Return the sections that are there and have something in them."""
    return tuple(section for section in sections if section is not None and section.blocks)

"""The report as a typeset, tagged PDF for archives (PDF/A-2a, PDF/UA-1)."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from importlib import resources
from typing import Any, Final

import typst

from cgrisk.errors import ComputationError
from cgrisk.report.dossier.parts import (
    BANNER,
    Block,
    Bullets,
    Dossier,
    Figure,
    Formula,
    Heading,
    Table,
    Text,
    said_when,
)

__all__ = ["STANDARDS", "pdf_page"]

#: Long names may be broken after a dot, an underscore or a stroke.
_LONG: Final = re.compile(r"\S{24,}")
_BREAK: Final = re.compile(r"([._/])")
#: Latin, Greek, Cyrillic; their accented forms, punctuation, raised figures; mathematics.
_SIGNS: Final = ((0x20, 0x4FF), (0x1E00, 0x213F), (0x2200, 0x22FF))
STANDARDS: Final = ("a-2a", "ua-1")


def _block(block: Block) -> dict[str, Any]:
    """Return a block as plain data; text stays text and is never read as markup."""
    if isinstance(block, Text):
        typed = block.kind == "command"  # is copied out of the page as it stands
        text = _readable(block.text) if typed else _shown(block.text)
        return {"kind": "Text", "mood": block.kind, "text": text}
    if isinstance(block, Heading):
        return {"kind": "Heading", "text": _shown(block.text)}
    if isinstance(block, Bullets):
        return {"kind": "Bullets", "items": [_shown(item) for item in block.items]}
    if isinstance(block, Formula):
        return {"kind": "Formula", "typeset": block.typeset, "words": block.words}
    if isinstance(block, Figure):
        return {
            "kind": "Figure",
            "svg": block.svg,
            "alt": _shown(block.alt),
            "caption": _shown(block.caption),
        }
    return _table(block)


def _table(table: Table) -> dict[str, Any]:
    return {
        "kind": "Table",
        "caption": _shown(table.caption),
        "note": _shown(table.note),
        "columns": [
            {"head": _shown(column.head), "numeric": column.numeric, "weight": column.weight}
            for column in table.columns
        ],
        "rows": [[_cell(cell.text) for cell in row] for row in table.rows],
    }


def _cell(text: str) -> dict[str, Any]:
    """Return a cell; a command in it is copied out of the page as it stands."""
    typed = text.startswith("cgrisk ")
    return {"text": _readable(text) if typed else _shown(text), "typed": typed}


def _sign(sign: str) -> str:
    """Return a sign if the typesetter's own fonts have it, else its number."""
    if sign == "\n":
        return sign
    if not sign.isprintable():
        return "?"
    place = ord(sign)
    known = any(first <= place <= last for first, last in _SIGNS) or sign in "←↑→↓"
    return sign if known else f"[U+{place:04X}]"


def _readable(text: str) -> str:
    """Return text that an archive can hold: every sign in one of the fonts that are embedded."""
    return "".join(_sign(sign) for sign in text)


def _shown(text: str) -> str:
    """Return readable text whose long words may be broken."""
    return _LONG.sub(lambda word: _BREAK.sub("\\1\u200b", word[0]), _readable(text))


def _content(dossier: Dossier) -> str:
    data = {
        "title": _shown(dossier.title),
        "subtitle": _shown(dossier.subtitle),
        "when": said_when(dossier.date),
        "banner": BANNER,
        "front": [_block(block) for block in dossier.front],
        "sections": [
            {"title": _shown(section.title), "blocks": [_block(block) for block in section.blocks]}
            for section in dossier.sections
        ],
    }
    return json.dumps(data, ensure_ascii=False, allow_nan=False)


def pdf_page(dossier: Dossier) -> tuple[bytes, tuple[str, ...]]:
    """Return a report as a PDF, and the typesetter's warnings.

    Only the typesetter's own fonts are used, and the time of the run is that of the document, so
    that the bytes are the same every time.

    Parameters
    ----------
    dossier : Dossier

    Raises
    ------
    ComputationError
        If it cannot be set.
    """
    template = resources.files("cgrisk.report.dossier") / "templates" / "report.typ"
    compiler = typst.Compiler(
        input=template.read_bytes(),
        font_paths=typst.Fonts(include_system_fonts=False),
        ignore_system_fonts=True,
        sys_inputs={"data": _content(dossier)},
    )
    made = datetime.fromisoformat(dossier.date).astimezone(UTC)
    try:
        content, warnings = compiler.compile_with_warnings(
            format="pdf", pdf_standards=list(STANDARDS), timestamp=int(made.timestamp())
        )
    except typst.TypstError as error:
        raise ComputationError(
            f"the PDF could not be set: {error.message}. Write the page alone with --html-only, "
            "and report this."
        ) from error
    assert isinstance(content, bytes)
    return content, tuple(warning.message for warning in warnings)

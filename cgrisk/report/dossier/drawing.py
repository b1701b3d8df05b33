"""Drawings for a page: cleaned of all that is no drawing, with names of their own, and marks."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from typing import Final
from xml.etree import ElementTree as ET

from matplotlib.figure import Figure as Canvas

from cgrisk.errors import RunFolderError
from cgrisk.report.dossier.parts import Mark

__all__ = ["clean_svg", "drawn"]

_SVG: Final = "http://www.w3.org/2000/svg"
_LINK: Final = "http://www.w3.org/1999/xlink"
_ELEMENTS: Final = frozenset(
    """
    svg g defs path rect circle ellipse line polyline polygon use clipPath image
    linearGradient radialGradient stop pattern symbol mask title desc
    """.split()  # noqa: SIM905
)
_ATTRIBUTES: Final = frozenset(
    """
    id d x y x1 y1 x2 y2 cx cy r rx ry width height viewBox transform clip-path href
    points offset clipPathUnits gradientUnits
    gradientTransform patternUnits preserveAspectRatio version mask overflow type
    """.split()  # noqa: SIM905
)
#: What a style attribute says stands as attributes of its own: a page may forbid inline styles.
_LOOKS: Final = frozenset(
    """
    fill stroke opacity fill-opacity stroke-opacity stroke-width stroke-dasharray stroke-dashoffset
    stroke-linecap stroke-linejoin stroke-miterlimit fill-rule clip-rule stop-color stop-opacity
    image-rendering
    """.split()  # noqa: SIM905
)
#: The one rule of the charts' own style sheet, as attributes that are handed down.
_OWN_LOOK: Final = {"stroke-linejoin": "round", "stroke-linecap": "butt"}
_REFERENCE: Final = re.compile(r"url\(\s*['\"]?([^)'\"]*)['\"]?\s*\)")


def _local(tag: str) -> str:
    return tag.rsplit("}", 1)[-1]


def clean_svg(
    text: str, *, name: str, marks: Mapping[str, Mark] | None = None, shown: str = ""
) -> str:
    """Return a drawing that can stand in a page beside others.

    Elements and attributes that draw nothing (scripts, handlers, foreign content, links to
    elsewhere) are left out, and all names begin with ``drawing-`` and ``name``.

    Parameters
    ----------
    text : str
        An SVG.
    name : str
        Of the figure; letters, digits and hyphens.
    marks : mapping of str to Mark
        By the id of an element: it tells its text when pointed at.
    shown : str
        The file, for the message.

    Raises
    ------
    RunFolderError
        If it is no SVG.
    """
    try:
        root = ET.fromstring(text)
    except ET.ParseError as error:
        raise RunFolderError(
            f"{shown or name}: expected an SVG; got {error}. Repeat the command that made it."
        ) from error
    if _local(root.tag) != "svg":
        raise RunFolderError(
            f"{shown or name}: expected an SVG; got <{_local(root.tag)}>. Repeat the command that "
            "made it."
        )
    new = _cleaned(root, f"drawing-{name}", dict(marks or {}))
    assert new is not None  # an svg is kept
    new.set("xmlns", _SVG)
    new.set("xmlns:xlink", _LINK)
    return ET.tostring(new, encoding="unicode")


def _cleaned(old: ET.Element, name: str, marks: dict[str, Mark]) -> ET.Element | None:
    tag = _local(str(old.tag))
    if tag not in _ELEMENTS:
        return None
    new = ET.Element(tag)
    if tag == "svg":
        for key, value in _OWN_LOOK.items():
            new.set(key, value)
    for key, value in _told(old):
        kept = _value(key, value, name)
        if kept is not None:
            new.set("xlink:href" if key == "href" else key, kept)
    if tag == "svg":
        new.set("id", name)
    if tag in ("title", "desc"):
        new.text = old.text
    mark = marks.get(old.attrib.get("id", ""))
    if mark is not None:
        new.set("class", "mark")
        for key, value in (("side", mark.side), ("phase", mark.phase)):
            if value:
                new.set(f"data-{key}", value)
        title = ET.SubElement(new, "title")
        title.text = mark.text
    for child in old:
        kept_child = _cleaned(child, name, marks)
        if kept_child is not None:
            new.append(kept_child)
    return new


def _told(old: ET.Element) -> list[tuple[str, str]]:
    """Return the attributes of an element, a style taken apart; a style goes before them."""
    style = [part.partition(":") for part in old.attrib.get("style", "").split(";")]
    looks = [(key.strip(), value.strip()) for key, _, value in style if value]
    own = [(_local(key), value) for key, value in old.attrib.items() if key != "style"]
    return own + [(key, value) for key, value in looks if key in _LOOKS]


def _value(key: str, value: str, name: str) -> str | None:
    """Return an attribute's value with its names changed; None where it may not stand."""
    if key not in _ATTRIBUTES | _LOOKS:
        return None
    if key == "id":
        return f"{name}-{value}"
    if key == "href":
        if value.startswith("#"):
            return f"#{name}-{value[1:]}"
        return value if re.match(r"data:image/(png|jpeg);base64,", value) else None
    if any(not target.startswith("#") for target in _REFERENCE.findall(value)):
        return None
    return _REFERENCE.sub(lambda found: f"url(#{name}-{found[1][1:]})", value)


def drawn(figure: Canvas, *, name: str, marks: Mapping[str, Mark] | None = None) -> str:
    """Return a figure of matplotlib as a clean drawing."""
    content = io.StringIO()
    figure.savefig(content, format="svg", metadata={"Date": None})
    return clean_svg(content.getvalue(), name=name, marks=marks)

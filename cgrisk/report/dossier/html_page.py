"""The report as one page of HTML that needs no network."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from cgrisk.report.dossier.parts import BANNER, Dossier, said_when
from cgrisk.report.page_policy import source_of
from cgrisk.risk.summary import CAUTIONS

__all__ = ["html_page"]


@lru_cache(maxsize=4)
def _own(name: str) -> str:
    folder = resources.files("cgrisk.report.dossier") / "templates"
    return (folder / name).read_text(encoding="utf-8")


def _shown(text: object) -> object:
    """Return text without what no page may hold; all else is shown as it stands."""
    if isinstance(text, Markup) or not isinstance(text, str):
        return text
    return "".join(c for c in text if c in "\n\t" or (c.isprintable() and c.isascii()) or c >= " ")


def html_page(dossier: Dossier) -> str:
    """Return a report as a page: everything inline, scripts other than its own forbidden.

    Text of the scenario is escaped wherever it stands. Only what this package makes itself is
    taken as markup: its style and script, formulas, and drawings, which are cleaned.
    """
    script, style = _own("report.js"), _own("report.css")
    environment = Environment(
        loader=FunctionLoader(_own),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        finalize=_shown,
    )
    environment.filters["own"] = Markup
    environment.filters["kind"] = lambda block: type(block).__name__
    template = environment.get_template("report.html")
    return template.render(
        dossier=dossier,
        when=said_when(dossier.date),
        style=style,
        style_source=source_of(style),
        script=script,
        script_source=source_of(script),
        cautions=CAUTIONS,
        banner=BANNER,
    )

"""A report of a run and of the decisions beside it: read, put together, and set as two pages.

``read_findings`` reads and checks files; ``make_dossier`` turns them into sections of plain text,
tables, figures and formulas; ``html_page`` and ``pdf_page`` set the same sections.
"""

from __future__ import annotations

from cgrisk.report.dossier.build import make_dossier
from cgrisk.report.dossier.findings import Findings, Result, read_findings
from cgrisk.report.dossier.html_page import html_page
from cgrisk.report.dossier.pdf_page import pdf_page

__all__ = ["Findings", "Result", "html_page", "make_dossier", "pdf_page", "read_findings"]

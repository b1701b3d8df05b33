"""Charts and texts of a run. Functions take and return matplotlib axes.

Import charts from their modules (``envelope_chart``, ``exceedance_chart``, ``cause_chart``), so
that a text needs no drawing library.
"""

from __future__ import annotations

from cgrisk.report.check_text import check_text

__all__ = ["check_text"]

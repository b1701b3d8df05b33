"""One flight as one page that plays: people, carts, CG, moments and stabilizer over time.

``replay_page`` writes the page from a :class:`cgrisk.flight.FlightReplay`. ``drawing`` lays out the
cabin from above, ``page_data`` says what the page is given, ``assets/`` holds template, style and
scripts.
"""

from __future__ import annotations

from cgrisk.report.replay.drawing import CabinDrawing, cabin_drawing
from cgrisk.report.replay.page import replay_page
from cgrisk.report.replay.page_data import page_data
from cgrisk.report.replay.publish import check_page, publish_replay

__all__ = [
    "CabinDrawing",
    "cabin_drawing",
    "check_page",
    "page_data",
    "publish_replay",
    "replay_page",
]

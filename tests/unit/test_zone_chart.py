"""The picture of divisions stays legible however wide the cabin is."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from cgrisk.aircraft import cabin_plan
from cgrisk.report.style import chart_style, new_figure
from cgrisk.report.zone_chart import cabin_divisions
from cgrisk.scenario import load_scenario
from tests.flight_cases import SHIPPED

CASES = {
    "commuter": (("1-3", "4-7", "8-10"), (3, 7)),
    "single_aisle": (("1-9", "10-19", "20-29"), (9, 19)),
    "twin_aisle": (("1-12", "13-26", "27-44"), (12, 26)),
}


@pytest.mark.parametrize("name", CASES)
def test_figures_stand_clear_of_the_axis(name):
    """Text with the counts and the curtains lies inside its axes, which end at the axis line."""
    rows, cuts = CASES[name]
    scenario = load_scenario(SHIPPED.parent / name)
    division = SimpleNamespace(
        label="3 zones", rows=rows, boundaries=cuts, counts=(9, 99, 100), conventional_kgm=9_999.0
    )
    study = SimpleNamespace(
        question=SimpleNamespace(scenario=scenario),
        trade=[division] * 5,
        rows=SimpleNamespace(number=np.unique(cabin_plan(scenario).row)),
    )
    with chart_style():
        figure = new_figure(180, 28 + 23 * 5)
        axes = figure.subplots(5, 1)
        cabin_divisions(study, axes=list(axes))
        figure.suptitle("of\nthree\nlines", fontsize=8)
        figure.draw_without_rendering()
        for ax in axes:
            frame = ax.get_window_extent()
            texts = [text for text in ax.texts if text.get_text()]
            assert len(texts) == 5
            for text in texts:
                found = text.get_window_extent()
                assert frame.y0 <= found.y0 < found.y1 <= frame.y1

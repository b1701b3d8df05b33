"""The estimate shown while flights are flown is that of the flights so far."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.risk import binomial_interval, leave_envelope, running_text
from cgrisk.sampling import simulate
from cgrisk.sampling.layout import AT_LIMIT
from tests.flight_cases import shipped_scenario


def test_running_estimate_ends_in_the_answer():
    blocks = []
    sample = simulate(shipped_scenario(), flights=9000, seed=2, on_block=blocks.append)
    assert [block.flights for block in blocks] == [4096, 4096, 808]
    hits = dict(
        zip(sample.layout.outcomes, np.sum([b.tally.hits for b in blocks], axis=0), strict=True)
    )
    text = running_text(hits, flights=9000)
    table = leave_envelope(sample)
    for side in ("forward", "aft"):
        rows = table[(table["side"] == side) & (table["phase"] == "any")]
        row = rows[rows["reading"] == "as planned"].iloc[0]
        p = binomial_interval(int(row["hits"]), flights=9000)
        if row["hits"]:
            own = text.split(f"{side} ")[1].split(",")[0]
            told = [float(word.strip("()")) for word in own.split() if word != "to"]
            assert told == pytest.approx([p.estimate, p.low, p.high], rel=0.05)  # two figures
        else:
            assert f"{side} at most {p.high:.2g}" in text
    assert "at limit" in running_text(hits, flights=9000, reading=AT_LIMIT)
    assert running_text(hits, flights=0) == ""

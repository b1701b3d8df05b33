"""The estimate shown while flights are flown is that of the flights so far."""

from __future__ import annotations

from cgrisk.risk import binomial_interval, leave_envelope
from cgrisk.risk.running import RunningRisk
from cgrisk.sampling import simulate
from tests.flight_cases import shipped_scenario


def test_running_estimate_ends_in_the_answer():
    running: list[RunningRisk] = []
    texts: list[str] = []

    def on_block(block):
        running[0].add(block)
        texts.append(running[0].text())

    sample = simulate(
        shipped_scenario(),
        flights=9000,
        seed=2,
        on_ready=lambda model, _seconds: running.append(RunningRisk(model)),
        on_block=on_block,
    )
    table = leave_envelope(sample)
    for side in ("forward", "aft"):
        rows = table[(table["side"] == side) & (table["phase"] == "any")]
        row = rows[rows["reading"] == "as planned"].iloc[0]
        assert running[0].hits[side] == row["hits"]
        p = binomial_interval(int(row["hits"]), flights=9000)
        assert running[0].interval(side) == p
    assert len(texts) == 3
    assert "forward at most" in texts[-1]
    assert RunningRisk(sample.model).text() == ""

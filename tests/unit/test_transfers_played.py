"""Transfers of fuel on a flight that is played back: when they start is where the path bends."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from cgrisk.flight import FlightReplay, fly_block, phase_column, prepare, replay_flight
from cgrisk.risk.replay import happenings
from tests.twin_cases import twin_scenario

STILL = {
    "operation.crowd.sign_off_share": 0.0,
    "operation.service.carts": [],
    "operation.service.crew_walks": 0.0,
    "operation.behaviour.lavatory_closed": 0.0,
}


def _bends(replay: FlightReplay) -> list[float]:
    """Return when the moment begins to move otherwise (s), by more than 10 kg m/s."""
    path = replay.path
    rate = np.diff(path.moment_kgm, axis=1)[:, 0] / (path.end_s - path.start_s)
    bends: list[float] = path.start_s[1:][np.abs(np.diff(rate)) > 10.0].tolist()
    return bends


def test_a_transfer_starts_where_the_path_bends() -> None:
    """People sit and nothing is served: the moment bends where fuel begins to be moved."""
    model = prepare(twin_scenario(STILL))
    urge = model.program.urge
    quiet = urge._replace(seat_rate_per_s=0.0 * urge.seat_rate_per_s)
    model = replace(model, program=model.program._replace(urge=quiet))
    looked_at = 0
    for flight in range(4):
        replay = replay_flight(model, seed=5, flight=flight)
        bends = _bends(replay)
        assert len(replay.transfers) == 2
        if any(transfer.stuck for transfer in replay.transfers):
            continue
        looked_at += 1
        for transfer in replay.transfers:
            assert transfer.start_s > transfer.due_s  # late by a time that is never 0
            assert min(abs(bend - transfer.start_s) for bend in bends) < 1e-6
        texts = [event.text for event in happenings(replay) if event.kind == "fuel"]
        assert len(texts) == 2
        assert all(text.endswith(("late", "on time")) for text in texts)
    assert looked_at >= 2


def test_a_stuck_transfer_is_told_and_stays_aft() -> None:
    model = prepare(twin_scenario({"aircraft.fuel_transfers.1.stuck": 0.5}))
    flights = np.arange(10, dtype=np.uint32)
    rows = fly_block(model, seed=9, flights=flights)
    told = [replay_flight(model, seed=9, flight=int(k)) for k in flights]
    stuck = np.array([replay.transfers[1].stuck for replay in told])
    assert 1 <= stuck.sum() <= 9
    for replay in told:
        forward = replay.transfers[1]
        assert math.isinf(forward.start_s) == forward.stuck
        texts = [event.text for event in happenings(replay) if event.kind == "fuel"]
        assert any("is stuck and never starts" in text for text in texts) == forward.stuck
    # What was not moved forward lands in the tail: some 50 t m, far more than all else varies by.
    margin = rows[
        :, model.columns.index(phase_column("moment_margin_kgm", phase="landing", side="aft"))
    ]
    assert margin[stuck].max() < margin[~stuck].min()

"""The passengers' error by zone adds up to the parts of the error at take-off."""

from __future__ import annotations

import numpy as np

from cgrisk.flight import fly_block, load_block, passengers_aboard, prepare, zone_errors_kgm
from tests.flight_cases import edited, shipped_scenario

FLIGHTS = np.arange(60, dtype=np.uint32)


def passengers_part(model, rows):
    names = [f"take_off_error_kgm.{part}" for part in ("count", "seating", "mass")]
    return sum(rows[:, model.columns.index(name)] for name in names)


def test_zones_add_up_to_count_seating_and_mass() -> None:
    model = prepare(shipped_scenario())
    rows = fly_block(model, seed=5, flights=FLIGHTS)
    zones = zone_errors_kgm(model, seed=5, flights=FLIGHTS)
    np.testing.assert_allclose(zones.sum(axis=1), passengers_part(model, rows), atol=1e-6)
    assert (zones[:, -1] == 0.0).all()


def test_the_same_people_as_in_a_load() -> None:
    model = prepare(shipped_scenario())
    versions = np.zeros((60, 1759), dtype=np.uint32)
    versions[:, ::3] = 7
    seat, mass, _ = passengers_aboard(model, seed=5, flights=FLIGHTS, versions=versions)
    loaded = load_block(model, seed=5, flights=FLIGHTS, versions=versions)
    bare = prepare(edited({"operation.hold_loads": []}))
    held = load_block(bare, seed=5, flights=FLIGHTS, versions=versions)
    assert (seat.max(axis=1) < model.plan.seats).all()
    # Without holds what is left besides the passengers is the dry aircraft.
    dry = held[:, 0] - mass.sum(axis=1)
    assert np.ptp(dry) < 1500.0
    assert (loaded[:, 0] > held[:, 0]).all()


def test_one_moved_passenger_by_hand() -> None:
    # Everybody of standard mass, nobody travels in company: only seats differ.
    people = {"mean": 84.0, "sd": 0.0, "skewness": 0.0}
    model = prepare(
        edited(
            {
                "operation.parties": [],
                "operation.passengers.last_minute_off": 0.0,
                "operation.passengers.last_minute_on": 0.0,
                "operation.mass.body.men": people,
                "operation.mass.body.women": people,
                "operation.mass.body.bias_sd_operation": 0.0,
                "operation.mass.bag": {"mean": 0.0, "sd": 0.0, "none_share": 1.0},
                "operation.seating.movers_share": 0.0,
            }
        )
    )
    seat, mass, _ = passengers_aboard(model, seed=1, flights=FLIGHTS[:1])
    found = zone_errors_kgm(model, seed=1, flights=FLIGHTS[:1])[0]
    reference = model.program.sheet.take_off_arm_m
    for zone in range(3):
        inside = (seat[0] >= 0) & (model.plan.zone[seat[0]] == zone)
        hand = (mass[0, inside] * (model.plan.arm_m[seat[0, inside]] - reference)).sum()
        line = [line for line in model.sheet.lines if line.kind == "zone"][zone]
        assert (
            found[zone] == np.float64(hand - line.mass_kg * (line.arm_m - reference))
            or abs(found[zone] - (hand - line.mass_kg * (line.arm_m - reference))) < 1e-6
        )

"""The cure of a refused load: by hand, and against every possible move of bags."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from cgrisk.aircraft import Limits
from cgrisk.decide import LoadState, scenario_with, state_of
from cgrisk.decide.hold_cure import BALLAST_STEP_KG, Cure, hold_cure
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.verdicts import SheetPoints, by_envelope, by_path, planned_points
from cgrisk.flight import FlightModel, prepare
from cgrisk.scenario import Scenario
from tests.flight_cases import edited, shipped_scenario

#: No rounding, so that figures can be worked out by hand.
EXACT: dict[str, Any] = {
    "operation.load_sheet.arm_step": 0.0,
    "operation.load_sheet.mass_step": 0.0,
    "operation.load_sheet.index_step": 0.0,
    "operation.load_sheet.cg_step": 0.0,
}
#: A third hold between the two.
THREE: dict[str, Any] = {
    **EXACT,
    "aircraft.holds": [
        {"name": "forward hold", "arm": 11.2, "length": 5.0, "max_load": 104.0},
        {"name": "middle hold", "arm": 15.0, "length": 2.0, "max_load": 130.0},
        {"name": "aft hold", "arm": 23.0, "length": 6.4, "max_load": 4600.0},
    ],
    "operation.hold_loads": [
        {"hold": "forward hold", "bags": 4, "cargo": 0.0},
        {"hold": "middle hold", "bags": 5, "cargo": 0.0},
        {"hold": "aft hold", "bags": 12, "cargo": 0.0},
    ],
}


def envelope(aft: float, *, forward: float = 0.0, kind: str = "zero_fuel") -> OperatorEnvelope:
    """An envelope with the same limits at every mass."""
    flat = Limits(
        forward_mass_kg=np.array([5e4]),
        forward_pct=np.array([forward]),
        aft_mass_kg=np.array([5e4]),
        aft_pct=np.array([aft]),
    )
    return OperatorEnvelope("test", **{kind: flat})


def made(changes: dict[str, Any]) -> tuple[Scenario, FlightModel, LoadState]:
    scenario = edited(changes)
    return scenario, prepare(scenario), state_of(scenario)


def admitted(scenario: Scenario, state: LoadState, wanted: OperatorEnvelope) -> bool:
    model = prepare(scenario_with(scenario, state))
    points = planned_points(model)
    return not by_envelope(wanted, points=points, mac_m=model.balance.mac_m).refused


def test_bags_moved_by_hand() -> None:
    # Moment outside: 0.5 % of a chord of 4.20 m times the mass; a bag of 13 kg gains 13 x 11.8 m.
    _, model, state = made(EXACT)
    mass, cg = planned_points(model)["zero_fuel"]
    bags = math.ceil(0.005 * 4.20 * mass / (13.0 * (23.0 - 11.2)))
    cure = hold_cure(model, state=state, envelope=envelope(cg - 0.5))
    assert cure.kind == "move"
    (move,) = cure.moves
    assert (move.source, move.target, move.what) == ("aft hold", "forward hold", "bags")
    assert (move.pieces, move.mass_kg) == (bags, 13.0 * bags)
    assert cure.state.bags == (40 + bags, 80 - bags)
    assert not cure.after.refused


def test_cargo_follows_when_the_bags_are_used_up() -> None:
    _, model, _ = made({**EXACT, "operation.hold_loads.1.bags": 3})
    state = state_of(model.scenario)
    mass, cg = planned_points(model)["zero_fuel"]
    need = 0.003 * 4.20 * mass - 3 * 13.0 * 11.8
    cure = hold_cure(model, state=state, envelope=envelope(cg - 0.3))
    assert [(move.what, move.pieces) for move in cure.moves] == [("bags", 3), ("cargo", 0)]
    assert cure.moves[1].mass_kg == math.ceil(need / 11.8)


def test_forward_of_the_envelope_load_goes_aft() -> None:
    _, model, state = made(EXACT)
    _, cg = planned_points(model)["zero_fuel"]
    cure = hold_cure(model, state=state, envelope=envelope(90.0, forward=cg + 0.2))
    assert cure.kind == "move"
    assert (cure.moves[0].source, cure.moves[0].target) == ("forward hold", "aft hold")


def test_a_load_on_the_limit_needs_no_cure() -> None:
    _, model, state = made(EXACT)
    _, cg = planned_points(model)["zero_fuel"]
    assert hold_cure(model, state=state, envelope=envelope(cg)).kind == "none"
    assert hold_cure(model, state=state, envelope=envelope(cg - 1e-6)).kind == "move"


@pytest.mark.parametrize("drop", [0.05, 0.1, 0.2, 0.3, 0.4, 0.45])
def test_no_other_move_of_bags_cures_with_less(drop: float) -> None:
    """Against every way to have 21 bags in three holds, by plain sums."""
    scenario, model, state = made(THREE)
    mass, cg = planned_points(model)["zero_fuel"]
    arms = (11.2, 15.0, 23.0)
    moment = mass * (16.40 + cg * 4.20 / 100.0)
    limit = cg - drop
    best = math.inf
    for bags in itertools.product(range(22), repeat=3):
        if sum(bags) != 21 or bags[0] * 13.0 > 104.0 or bags[1] * 13.0 > 130.0:
            continue
        gain = sum(
            13.0 * (n - old) * arm for n, old, arm in zip(bags, state.bags, arms, strict=True)
        )
        there = 100.0 * ((moment + gain) / mass - 16.40) / 4.20
        if there <= limit + 1e-9:
            moved = sum(max(n - old, 0) for n, old in zip(bags, state.bags, strict=True))
            best = min(best, moved)
    cure = hold_cure(model, state=state, envelope=envelope(limit))
    if math.isinf(best):
        assert cure.kind != "move"
    else:
        assert cure.kind == "move"
        assert sum(move.pieces for move in cure.moves) == best
        assert admitted(scenario, cure.state, envelope(limit))


def test_with_rounding_no_fewer_bags_are_admitted() -> None:
    """Two holds, sheets rounded as shipped: every number of bags is tried on a real sheet."""
    scenario = shipped_scenario()
    model, state = prepare(scenario), state_of(scenario)
    for drop in (0.1, 0.4, 0.9):
        wanted = envelope(model.sheet.zero_fuel_cg_pct_mac - drop)
        cure = hold_cure(model, state=state, envelope=wanted)
        quick = SheetPoints(model)

        def inside(bags: int, wanted: OperatorEnvelope = wanted, quick: Any = quick) -> bool:
            there = replace(state, bags=(state.bags[0] + bags, state.bags[1] - bags))
            points = quick.of(there)
            return not by_envelope(wanted, points=points, mac_m=model.balance.mac_m).refused

        fewest = next(n for n in range(81) if inside(n))
        assert cure.kind == "move"
        assert cure.moves[0].pieces == fewest


def test_the_quick_points_are_those_of_a_load_made_ready() -> None:
    scenario = shipped_scenario()
    model, state = prepare(scenario), state_of(scenario)
    there = replace(state, bags=(61, 40), cargo_kg=(150.5, 990.0))
    quick, real = (
        SheetPoints(model).of(there),
        planned_points(prepare(scenario_with(scenario, there))),
    )
    assert quick.keys() == real.keys() == {"zero_fuel", "take_off", "landing"}
    for kind, point in real.items():
        assert quick[kind] == pytest.approx(point, rel=1e-12)


def empty(**holds: float) -> dict[str, Any]:
    """Nobody aboard, and cargo in the holds as given."""
    zones = [{"adults": 0, "children": 0, "name": n, "rows": r} for n, r in
             (("A", "1-9"), ("B", "10-19"), ("C", "20-29"))]  # fmt: skip
    loads = [
        {"hold": f"{name} hold", "bags": 0, "cargo": holds.get(name, 0.0)}
        for name in ("forward", "aft")
    ]
    return {**EXACT, "operation.zones": zones, "operation.hold_loads": loads}


def test_ballast_by_hand_where_the_holds_are_empty() -> None:
    # 42,600 kg at cg; b kg at 11.2 m: (42600 x + 11.2 b) / (42600 + b) = limit.
    _, model, state = made(empty())
    mass, cg = planned_points(model)["zero_fuel"]
    arm, limit = 16.40 + cg * 0.042, 16.40 + (cg - 1.0) * 0.042
    least = mass * (arm - limit) / (limit - 11.2)
    cure = hold_cure(model, state=state, envelope=envelope(cg - 1.0))
    assert cure.kind == "ballast"
    (move,) = cure.moves
    assert (move.source, move.target) == ("", "forward hold")
    assert move.mass_kg == BALLAST_STEP_KG * math.ceil(least / BALLAST_STEP_KG)
    assert cure.moved_kg == 0.0
    assert cure.state.cargo_kg == (move.mass_kg, 0.0)


def test_what_can_be_moved_is_moved_before_ballast() -> None:
    _, model, state = made(empty(aft=100.0))
    _, cg = planned_points(model)["zero_fuel"]
    cure = hold_cure(model, state=state, envelope=envelope(cg - 2.0))
    assert cure.kind == "ballast"
    assert [(move.what, move.mass_kg) for move in cure.moves[:1]] == [("cargo", 100.0)]
    assert cure.ballast_kg > 0.0


def test_maximum_loads_and_masses_bound_the_ballast() -> None:
    _, model, state = made(empty())
    _, cg = planned_points(model)["zero_fuel"]
    hopeless = hold_cure(model, state=state, envelope=envelope(cg - 20.0))
    assert hopeless.kind == "cabin"
    assert "3,400 kg" in hopeless.why
    tight = {**empty(), "aircraft.masses.max_zero_fuel": 42_700.0}
    _, model, state = made(tight)
    wanted = envelope(cg - 1.0)
    assert "100 kg" in hold_cure(model, state=state, envelope=wanted).why


def test_both_sides_at_once_cannot_be_cured() -> None:
    _, model, state = made(EXACT)
    _, cg = planned_points(model)["zero_fuel"]
    cure = hold_cure(model, state=state, envelope=envelope(cg - 0.5, forward=cg + 0.5))
    assert (cure.kind, cure.state) == ("cabin", state)
    assert "both sides" in cure.why


def test_an_envelope_narrower_than_a_bag_is_told() -> None:
    _, model, state = made({**EXACT, "operation.load_sheet.bag_mass": 200.0,
                            "operation.hold_loads.1.bags": 20,
                            "operation.hold_loads.0.bags": 1,
                            "operation.hold_loads.1.cargo": 0.0})  # fmt: skip
    _, cg = planned_points(model)["zero_fuel"]
    cure = hold_cure(model, state=state, envelope=envelope(cg - 0.01, forward=cg - 0.02))
    assert cure.kind == "cabin"
    assert "narrower" in cure.why


def test_the_old_envelope_is_kept_in_every_phase() -> None:
    scenario = shipped_scenario()
    state = replace(state_of(scenario), bags=(20, 100))
    model = prepare(scenario_with(scenario, state))
    assert by_path(model.operational_margins).side == "aft"
    cure: Cure = hold_cure(model, state=state)
    assert cure.kind == "move"
    there = prepare(scenario_with(scenario, cure.state))
    assert not by_path(there.operational_margins).refused
    fewer = replace(cure.state, bags=(cure.state.bags[0] - 1, cure.state.bags[1] + 1))
    there = prepare(scenario_with(scenario, fewer))
    assert by_path(there.operational_margins).refused


@pytest.mark.parametrize("kind", ["take_off", "landing"])
def test_every_kind_of_mass_is_brought_inside(kind: str) -> None:
    scenario, model, state = made(EXACT)
    _, cg = planned_points(model)[kind]
    wanted = envelope(cg - 0.7, kind=kind)
    cure = hold_cure(model, state=state, envelope=wanted)
    assert cure.kind == "move"
    assert admitted(scenario, cure.state, wanted)

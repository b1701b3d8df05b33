"""What must hold of a cure whatever the load and the envelope."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cgrisk.aircraft import Limits
from cgrisk.decide import LoadState, hold_mass_kg, scenario_with
from cgrisk.decide.hold_cure import BALLAST_STEP_KG, hold_cure
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.verdicts import by_envelope, planned_points
from cgrisk.flight import prepare
from tests.flight_cases import shipped_scenario

SCENARIO = shipped_scenario()
HOLDS = SCENARIO.aircraft.holds
people = st.tuples(st.integers(0, 54), st.integers(0, 60), st.integers(0, 60))
states = st.builds(
    LoadState,
    adults=people,
    children=st.just((0, 0, 0)),
    bags=st.tuples(st.integers(0, 100), st.integers(0, 120)),
    cargo_kg=st.tuples(
        st.one_of(st.just(0.0), st.floats(0.0, 2000.0)),
        st.one_of(st.just(0.0), st.floats(0.0, 3000.0)),
    ),
    fuel_kg=st.floats(7000.0, 10_000.0),
)


def envelope(forward: float, width: float, slope: float) -> OperatorEnvelope:
    """Limits that move aft by ``slope`` % MAC from 40 to 70 t, alike for all kinds of mass."""
    mass = np.array([4e4, 7e4])
    limits = Limits(
        forward_mass_kg=mass,
        forward_pct=np.array([forward, forward + slope]),
        aft_mass_kg=mass,
        aft_pct=np.array([forward + width, forward + width + slope]),
    )
    return OperatorEnvelope("drawn", zero_fuel=limits, take_off=limits, landing=limits)


@settings(max_examples=40, deadline=None)
@given(states, st.floats(10.0, 32.0), st.floats(0.5, 15.0), st.floats(-3.0, 3.0))
def test_a_cure_keeps_what_must_be_kept(
    state: LoadState, forward: float, width: float, slope: float
) -> None:
    wanted = envelope(forward, width, slope)
    model = prepare(scenario_with(SCENARIO, state))
    before = by_envelope(wanted, points=planned_points(model), mac_m=model.balance.mac_m)
    cure = hold_cure(model, state=state, envelope=wanted)
    # Nothing but the holds is touched, and their mass is conserved but for the ballast.
    assert (cure.state.adults, cure.state.children) == (state.adults, state.children)
    assert cure.state.fuel_kg == state.fuel_kg
    assert sum(cure.state.bags) == sum(state.bags)
    old, new = hold_mass_kg(SCENARIO, state), hold_mass_kg(SCENARIO, cure.state)
    assert new.sum() == pytest.approx(old.sum() + cure.ballast_kg, abs=1e-6)
    assert cure.ballast_kg % BALLAST_STEP_KG == 0.0
    assert (new >= 0.0).all()
    for mass, was, hold in zip(new, old, HOLDS, strict=True):
        assert mass <= max(hold.max_load, was) + 1e-6
    # It never worsens: what is cured is inside, what is not is left as it was.
    there = prepare(scenario_with(SCENARIO, cure.state))
    after = by_envelope(wanted, points=planned_points(there), mac_m=there.balance.mac_m)
    if cure.kind in ("none", "cabin"):
        assert cure.state == state
        assert cure.moves == ()
        assert after == before
        assert before.refused == (cure.kind == "cabin")
        assert (cure.why != "") == (cure.kind == "cabin")
    else:
        assert before.refused
        assert not after.refused
        assert (cure.ballast_kg > 0.0) == (cure.kind == "ballast")
        if cure.ballast_kg > 0.0:
            assert there.sheet.zero_fuel_mass_kg <= SCENARIO.aircraft.masses.max_zero_fuel + 1e-6
    # What is moved leaves one hold for the other, and no hold both gives and takes.
    sources = {move.source for move in cure.moves if move.source}
    targets = {move.target for move in cure.moves}
    assert not sources & targets

"""Buffers by sampling: closed forms, exact sums, what steep limits do, edges."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import cgrisk.decide.buffers as buffers_module
from cgrisk.decide import load_search
from cgrisk.decide.assumed import assumed_distance
from cgrisk.decide.buffers import BufferAsk, Buffers, default_masses, find_buffers
from cgrisk.decide.fuel_states import fuel_states
from cgrisk.decide.load_candidates import load_range, states_at
from cgrisk.decide.load_search import worst_load
from cgrisk.decide.load_state import hold_mass_kg, scenario_with
from cgrisk.decide.operating_envelope import operating_envelope, zero_fuel_limit_kgm
from cgrisk.errors import UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.rare import AssumptionRange, envelope_score
from cgrisk.rare.draws import Draws
from tests.buffer_cases import QUIET, still_scenario
from tests.flight_cases import edited, shipped_scenario


@pytest.fixture(scope="module", autouse=True)
def few_flights() -> Iterator[None]:
    """Search with few flights: what is found is checked, not how near to the worst it is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(load_search, "_FLIGHTS", 400)
        patch.setattr(load_search, "_LOADS", 300)
        patch.setattr(buffers_module, "_CLOUD_PARTICLES", 100)
        yield


@pytest.fixture(scope="module")
def two_masses() -> Buffers:
    """Buffers of the quiet case at two masses."""
    return find_buffers(ask(masses_kg=(45_000.0, 58_000.0), risk=0.05))


def ask(**changes) -> BufferAsk:
    scenario = changes.pop("scenario", None) or edited(QUIET)
    first = {
        "risk": 1e-2,
        "confidence": 0.95,
        "seed": 5,
        "masses_kg": (55_000.0,),
        "draws": 0,
        "counts": 3,
        "jobs": 2,
    }
    return BufferAsk(scenario, **(first | changes))


def test_seating_alone_is_the_closed_form() -> None:
    scenario = still_scenario()
    found = find_buffers(ask(scenario=scenario, risk=0.02, seed=11, counts=8))
    aft = found.of(side="aft", group="take_off_and_landing")[0]
    # The variance of each zone's moment without replacement, at the load state that was found.
    model = prepare(scenario_with(scenario, aft.load.state))
    plan, variance = model.plan, 0.0
    for zone, count in enumerate(np.add(aft.load.state.adults, aft.load.state.children)):
        arms = plan.arm_m[plan.zone == zone]
        variance += 84.0**2 * count * (arms.size - count) / (arms.size - 1) * float(np.var(arms))
    quantile = float(stats.norm.ppf(0.98)) * math.sqrt(variance)
    # Counting to a relative error of .25 leaves about .25/2.4 SD on the quantile: 5 SE and the
    # sheet's offset of rounded arms, which is nought here.
    assert aft.estimate_kgm == pytest.approx(quantile, abs=5 * 0.25 / 2.42 * math.sqrt(variance))
    assert aft.estimate_kgm <= aft.upper_kgm <= quantile + 0.8 * math.sqrt(variance)
    # About half of the seats are taken: no other number varies more.
    assert 55 <= sum(aft.load.state.adults) <= 120


def test_split_adds_up_exactly(two_masses: Buffers) -> None:
    found = two_masses
    for by in ("cause", "zone"):
        table = found.split(by=by)
        assert not table.empty
        for (side, group, mass), part in table.groupby(["side", "group", "mass_kg"]):
            buffer = next(b for b in found.of(side=side, group=group) if b.mass_kg == mass)
            assert part["moment_kgm"].sum() == pytest.approx(buffer.buffer_kgm, abs=1e-6)


def test_same_seed_same_bits_whatever_the_threads() -> None:
    one, two = (find_buffers(ask(jobs=jobs, risk=0.05, masses_kg=(42_600.0,))) for jobs in (1, 2))
    assert one.table().equals(two.table())


def test_total_and_together_share_out() -> None:
    four = ask(in_total=True, together=True, masses_kg=(50_000.0, 55_000.0))
    assert four.each_risk == pytest.approx(1e-2 / 4)
    assert four.each_confidence == pytest.approx(1.0 - 0.05 / 12)


def test_quantiles_of_the_cg_error_fail_on_a_steep_limit_where_those_of_the_excess_hold() -> None:
    # The aft limit falls steeply with mass, and every passenger is heavier than the sheet says.
    scenario = edited(
        {
            "operation.mass.body.bias": 15.0,
            "aircraft.envelopes.0.aft": [[40_000, 36.0], [55_000, 36.0], [73_900, 16.0]],
            "aircraft.envelopes.1.aft": [[40_000, 40.0], [73_900, 40.0]],
        }
    )
    model = prepare(scenario)
    rows = fly_block(model, seed=3, flights=np.arange(20_000, dtype=np.uint32))
    error = rows[:, model.columns.index("error_max_pct_mac.take_off_and_landing")]
    score = envelope_score(model, side="aft", group="take_off_and_landing")
    scores = score.of(rows)
    by_error, by_excess = float(np.quantile(error, 0.99)), float(np.quantile(scores, 0.99))
    # Planned the buffer away from the limit, flights leave it with this chance (fresh flights).
    fresh = score.of(fly_block(model, seed=4, flights=np.arange(20_000, dtype=np.uint32)))
    assert (fresh > by_error).mean() > 0.03
    hits = int((fresh > by_excess).sum())
    assert stats.binomtest(hits, fresh.size, 0.0115, alternative="greater").pvalue > 1e-6


def test_the_worst_count_is_found_at_a_mass() -> None:
    scenario = edited(QUIET)
    worst = worst_load(
        scenario,
        mass_kg=55_000.0,
        side="aft",
        group="take_off_and_landing",
        seed=2,
        counts=5,
        jobs=2,
    )
    span = load_range(scenario, mass_kg=55_000.0)
    assert span.fewest <= worst.state.passengers <= span.most
    measures = dict(worst.by_count)
    assert min(measures) == span.fewest
    assert max(measures) == span.most
    model = prepare(scenario_with(scenario, worst.state))
    assert model.sheet.zero_fuel_mass_kg == pytest.approx(55_000.0, abs=90.0)


def test_candidates_have_the_mass_and_fit() -> None:
    scenario = shipped_scenario()
    for mass in default_masses(scenario, count=3):
        for state, how in states_at(scenario, mass_kg=mass, counts=4):
            held = hold_mass_kg(scenario, state)
            room = [hold.max_load for hold in scenario.aircraft.holds]
            assert (held <= np.array(room) + 1e-6).all(), how
            total = prepare(scenario_with(scenario, state)).sheet.zero_fuel_mass_kg
            assert total == pytest.approx(mass, abs=90.0), how


def test_nobody_aboard_leaves_no_part_to_passengers(two_masses: Buffers) -> None:
    alone = edited(
        {
            **QUIET,
            "operation.passengers.last_minute_on": 0.0,
            "operation.passengers.last_minute_off": 0.0,
        }
    )
    empty = default_masses(alone, count=2)[0]
    found = find_buffers(ask(scenario=alone, masses_kg=(empty,), risk=0.05))
    for buffer in found.found:
        assert buffer.load.state.passengers == 0
        zones = buffer.shares.zones
        assert (zones.loc[zones["kind"] == "zone", "mean_pct_mac"].abs() < 1e-9).all()
        some = two_masses.of(side=buffer.side, group=buffer.group)
        assert buffer.buffer_kgm < some[0].buffer_kgm < some[1].buffer_kgm


def test_a_mass_the_aircraft_cannot_have_is_refused() -> None:
    with pytest.raises(UsageError, match=r"zero-fuel masses from 42,600 to 6\d,\d+ kg"):
        ask(masses_kg=(70_000.0,))
    with pytest.raises(UsageError, match="that rise"):
        ask(masses_kg=(55_000.0, 50_000.0))
    with pytest.raises(UsageError, match=r"above 0\.5"):
        ask(confidence=0.4)


def test_zero_fuel_envelope_keeps_every_fuel_load_inside(two_masses: Buffers) -> None:
    found, scenario = two_masses, two_masses.ask.scenario
    made = operating_envelope(found)
    rng = np.random.default_rng(3)
    balance = found.model.balance
    for _ in range(12):
        mass = float(rng.uniform(45_000.0, 58_000.0))
        fuel = float(rng.uniform(7_000.0, 13_000.0))
        density = float(rng.uniform(775.0, 840.0))
        state = states_at(scenario, mass_kg=mass)[int(rng.integers(20))][0]
        other = edited(
            {"operation.fuel.density": density},
            base=scenario_with(scenario, replace(state, fuel_kg=fuel)),
        )
        model = prepare(other)
        for side in ("forward", "aft"):
            limit = float(made.envelope.zero_fuel.limit(model.sheet.zero_fuel_mass_kg, side=side))
            toward = 1.0 if side == "aft" else -1.0
            moved = model.sheet.zero_fuel_mass_kg * float(
                balance.pct_to_arm(limit) - balance.pct_to_arm(model.sheet.zero_fuel_cg_pct_mac)
            )
            for group in ("take_off_and_landing", "in_flight"):
                score = envelope_score(model, side=side, group=group)
                scale = model.sheet.zero_fuel_mass_kg * balance.mac_m / 100.0
                left = score.as_planned * scale - toward * moved
                buffer = found.moment_kgm(np.array([mass]), side=side, group=group)[0]
                # Straight lines between the envelope's points: a few kg m.
                assert left >= buffer - 60.0, (mass, fuel, density, side, group)


def test_fuel_states_run_from_full_to_empty() -> None:
    states = fuel_states(shipped_scenario())
    assert states.mass_kg.min() == 0.0
    assert states.mass_kg.max() == pytest.approx(18.0 * 840.0, rel=1e-9)
    assert states.step_kg == pytest.approx(18.0 * 840.0 / 90)


def test_an_envelope_without_room_is_a_finding() -> None:
    narrow = edited(
        {
            **QUIET,
            "aircraft.envelopes.0.forward": [[40_000, 20.0]],
            "aircraft.envelopes.0.aft": [[40_000, 21.0]],
        }
    )
    found = find_buffers(ask(scenario=narrow, risk=0.05, masses_kg=(42_600.0,)))
    made = operating_envelope(found)
    kinds = {crossing.kind for crossing in made.crossings}
    assert "zero_fuel" in kinds
    crossing = made.crossings[0]
    assert crossing.missing_pct_mac > 0.0
    assert "kg m" in crossing.why


def test_bare_limits_are_those_of_the_planned_path(two_masses: Buffers) -> None:
    # Without buffers no zero-fuel limit lies beyond what the planned path of a load admits.
    found, scenario = two_masses, two_masses.ask.scenario
    nothing = replace(found, found=tuple(replace(b, upper_kgm=0.0) for b in found.found))
    state = states_at(scenario, mass_kg=52_000.0)[0][0]
    model = prepare(scenario_with(scenario, state))
    margins = model.planned_margins
    own = fuel_states(scenario, densities_kgpm3=(800.0,), blocks=24, steps=60)
    for side in ("forward", "aft"):
        least = float(margins.loc[margins["side"] == side, "moment_margin_kgm"].min())
        toward = 1.0 if side == "aft" else -1.0
        mass = np.array([model.sheet.zero_fuel_mass_kg])
        bound = zero_fuel_limit_kgm(nothing, mass_kg=mass, side=side, fuel=own)[0]
        assert toward * (bound - model.sheet.zero_fuel_moment_kgm) <= least + 1.0


def test_distance_of_assumptions_by_hand() -> None:
    places = np.linspace(0.0, 10.0, 101)
    base = np.exp(-places)
    draws = np.exp(-np.maximum(places[None, :] - np.linspace(0.0, 2.0, 21)[:, None], 0.0))
    told = np.ones(101, dtype=bool)
    made = AssumptionRange(Draws((), np.empty((21, 0)), 0), places, base, draws, 0, told, told)
    far = assumed_distance(made, target=1e-3)
    assert far.distance == pytest.approx(1.9, abs=0.02)
    assert far.probability == 1e-3
    # Told only as far as to 2 %: the distance is taken over from there.
    short = replace(made, told_high=places < 6.0)
    near = assumed_distance(short, target=1e-4)
    assert near.distance == pytest.approx(1.9, abs=0.03)
    assert 1e-4 < near.probability < 0.03
    assert math.isnan(assumed_distance(replace(made, told_high=~told), target=1e-3).distance)
    # A threshold that is not told matters only where it is read from: here at 8.8.
    assert assumed_distance(replace(made, told_high=places != places[40]), target=1e-3) == far
    gap = assumed_distance(replace(made, told_high=abs(places - 8.8) > 0.15), target=1e-3)
    assert gap.probability > 1e-3
    assert gap.distance == pytest.approx(1.9, abs=0.03)
    # One by itself, far out, is chance.
    lone = assumed_distance(replace(made, told_high=(places < 6.0) | (places == 9.0)), target=1e-4)
    assert lone == near

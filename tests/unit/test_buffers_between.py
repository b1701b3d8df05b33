"""Buffers between the masses asked for, legal loads, and a proof that can fail."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

import cgrisk.decide.buffers as buffers_module
from cgrisk.decide import load_search
from cgrisk.decide.beside import beside_table
from cgrisk.decide.buffers import BufferAsk, Buffers, default_masses, find_buffers
from cgrisk.decide.envelope_proof import prove_envelope, random_load
from cgrisk.decide.fuel_states import fuel_states
from cgrisk.decide.load_candidates import fuel_range, highest_zero_fuel_kg, load_range, states_at
from cgrisk.decide.load_search import load_measures, worst_load
from cgrisk.decide.load_state import scenario_with, state_of
from cgrisk.decide.operating_envelope import operating_envelope, zero_fuel_limit_kgm
from cgrisk.decide.past_loads import _over_mass
from cgrisk.decide.verdicts import planned_points
from cgrisk.flight import SIDES, prepare
from cgrisk.rare.seeds import generator
from cgrisk.report.buffer_text import BufferStudy, buffer_text
from tests.buffer_cases import QUIET
from tests.flight_cases import edited, shipped_scenario

GROUPS = ("take_off_and_landing", "in_flight")
PLACES = tuple((side, group) for side in SIDES for group in GROUPS)
#: Holds for next to nothing: full means every seat taken, where nobody can sit elsewhere.
SEATS_FILL = {
    **QUIET,
    "aircraft.holds.0.max_load": 100.0,
    "aircraft.holds.1.max_load": 100.0,
    "operation.hold_loads": [],
    "operation.zones.0.children": 0,
    "operation.zones.1.children": 0,
    "operation.zones.2.children": 0,
}


@pytest.fixture(scope="module", autouse=True)
def few_flights() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(load_search, "_FLIGHTS", 400)
        patch.setattr(load_search, "_LOADS", 300)
        patch.setattr(buffers_module, "_CLOUD_PARTICLES", 100)
        yield


def ask(**changes) -> BufferAsk:
    scenario = changes.pop("scenario", None) or edited(QUIET)
    first = {
        "risk": 0.3,
        "confidence": 0.95,
        "seed": 5,
        "masses_kg": (45_000.0, 58_000.0),
        "draws": 0,
        "counts": 3,
        "jobs": 2,
    }
    return BufferAsk(scenario, **(first | changes))


@pytest.fixture(scope="module")
def found() -> Buffers:
    return find_buffers(ask())


def stepped(found: Buffers, *values: float) -> Buffers:
    """Return the buffers with other bounds, in the order of the masses of each side and group."""
    masses = found.ask.masses_kg
    made = [
        replace(b, upper_kgm=values[masses.index(b.mass_kg)], assumed_kgm=float("nan"))
        for b in found.found
        if b.mass_kg in masses
    ]
    return replace(found, found=tuple(made))


def test_between_two_masses_the_larger_buffer_holds(found: Buffers) -> None:
    mass = np.array([44_000.0, 45_000.0, 45_000.5, 50_000.0, 57_999.0, 58_000.0, 60_000.0])
    for values, between in (((2_000.0, 9_000.0), 9_000.0), ((9_000.0, 2_000.0), 9_000.0)):
        made = stepped(found, *values)
        for side, group in PLACES:
            told = made.moment_kgm(mass, side=side, group=group)
            first, last = values
            assert told.tolist() == [first, first, between, between, between, last, last]


def test_the_written_envelope_keeps_the_larger_buffer_between(found: Buffers) -> None:
    # A step up just above the lighter mass: no straight line over it is left in the limits.
    made = stepped(found, 1_000.0, 15_000.0)
    envelope = operating_envelope(made).envelope
    bare = replace(made, found=tuple(replace(b, upper_kgm=0.0) for b in made.found))
    mass = np.array([45_002.0, 45_500.0, 47_000.0, 52_000.0, 57_900.0])
    states = fuel_states(made.ask.scenario)
    balance = made.model.balance
    for side in SIDES:
        toward = 1.0 if side == "aft" else -1.0
        free = zero_fuel_limit_kgm(bare, mass_kg=mass, side=side, fuel=states)
        told = mass * balance.pct_to_arm(envelope.zero_fuel.limit(mass, side=side))
        assert (toward * (free - told) >= 15_000.0 - 40.0).all()


def test_a_gross_mass_stands_on_the_worst_lighter_zero_fuel_mass(found: Buffers) -> None:
    made = stepped(found, 15_000.0, 1_000.0)
    limits = operating_envelope(made).envelope.take_off
    none = operating_envelope(stepped(found, 0.0, 0.0)).envelope.take_off
    mac = made.model.balance.mac_m
    for mass in (46_000.0, 60_000.0, 70_000.0):
        for side in SIDES:
            gap = abs(float(limits.limit(mass, side=side) - none.limit(mass, side=side)))
            assert gap * mass * mac / 100.0 == pytest.approx(15_000.0, rel=1e-3)


def test_the_worst_mass_between_two_is_taken() -> None:
    place = PLACES[0]
    asked = ask(masses_kg=(45_000.0, 49_000.0, 53_000.0))

    def humps(values: dict[float, float]) -> list[float]:
        # The worst candidate of a mass decides, not its last.
        measures = {
            1000.0 * mass: {place: np.array([value, value - 3.0])} for mass, value in values.items()
        }
        return buffers_module._humps(asked, measures, place)

    between = {46: 7.0, 47: 9.0, 48: 2.0, 50: 8.0, 51: 3.0, 52: 1.0}
    assert humps({45: 6.0, 49: 8.5, 53: 2.0} | between) == [47_000.0]
    assert humps({45: 9.0, 49: 1.0, 53: 2.0} | between) == [50_000.0]
    assert humps({45: 9.0, 49: 9.0, 53: 2.0} | between) == []
    assert humps({45: 6.0, 49: 7.5, 53: 2.0} | between) == [47_000.0, 50_000.0]


def test_a_cabin_strays_most_half_full() -> None:
    # Empty and full a cabin cannot be seated otherwise than planned: the worst is in between.
    scenario = edited(SEATS_FILL)
    low, high = default_masses(scenario, count=2)
    # The last 200 kg, for which there are holds, are at most three people.
    assert load_range(scenario, mass_kg=high).fewest >= 170
    at = {
        mass: load_measures(scenario, mass_kg=mass, places=PLACES, seed=4, counts=3, jobs=2)
        for mass in (low, 0.5 * (low + high), high)
    }
    ends = (at[low], at[high])
    for place in PLACES:
        worst = at[0.5 * (low + high)][place].max()
        assert worst > 1.2 * max(end[place].max() for end in ends)


@pytest.mark.nightly
def test_a_worse_mass_between_is_found(found: Buffers) -> None:
    # Empty and full a cabin cannot be seated otherwise than planned: the worst is in between.
    scenario = edited(SEATS_FILL)
    masses = default_masses(scenario, count=2)
    # A full one that the last 200 kg of holds do not make lighter in people.
    assert load_range(scenario, mass_kg=masses[1]).fewest >= 170
    there = find_buffers(ask(scenario=scenario, masses_kg=masses))
    for side, group in PLACES:
        here = there.of(side=side, group=group)
        assert [b.mass_kg for b in here] == sorted(b.mass_kg for b in here)
        assert len(here) == 3, (side, group)
        assert here[1].buffer_kgm > 1.2 * max(here[0].buffer_kgm, here[2].buffer_kgm)
        assert 50 <= here[1].load.state.passengers <= 140
    assert len(there.masses_kg) >= 3
    # Most bounds there can be: one more between the two.
    assert there.ask.bounds == 2 * 2 * 3
    # Where buffers grow up to the heavier mass no more is flown.
    assert found.masses_kg == (45_000.0, 58_000.0)


def test_measures_of_all_places_are_those_of_a_search_by_itself() -> None:
    scenario = edited(QUIET)
    where = {"mass_kg": 50_000.0, "seed": 4, "counts": 3, "jobs": 2}
    measures = load_measures(scenario, places=PLACES, **where)
    for side, group in (PLACES[0], PLACES[3]):
        alone = worst_load(scenario, side=side, group=group, **where)
        given = worst_load(
            scenario, side=side, group=group, measures=measures[side, group], **where
        )
        assert replace(given, flights=alone.flights) == alone
        assert given.flights < alone.flights
        greatest = max(value for _, value in alone.by_count)
        assert measures[side, group].max() == pytest.approx(greatest, rel=1e-12)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"aircraft.masses.max_landing": 62_000.0},
        {"aircraft.masses.max_take_off": 64_000.0, "aircraft.masses.max_taxi": 64_300.0},
        {"aircraft.masses.max_zero_fuel": 66_000.0},
    ],
)
def test_no_load_passes_a_maximum_mass(changes: dict[str, float]) -> None:
    scenario = edited(changes) if changes else shipped_scenario()
    masses = default_masses(scenario, count=3)
    assert masses[-1] <= highest_zero_fuel_kg(scenario)
    asked = ask(scenario=scenario, masses_kg=masses)
    rng = generator(1, "test of legal loads")
    states = [random_load(asked, rng=rng) for _ in range(6)]
    for mass in masses:
        least, most = fuel_range(scenario, mass_kg=mass)
        state = states_at(scenario, mass_kg=mass, counts=3)[-1][0]
        states += [replace(state, fuel_kg=fuel) for fuel in (state.fuel_kg, least, most)]
        assert 0.0 < least <= most
    for state in states:
        model = prepare(scenario_with(scenario, state))
        # Children are whole people: a mass may be off by half a child in each zone.
        points = {kind: (mass - 90.0, cg) for kind, (mass, cg) in planned_points(model).items()}
        assert set(_over_mass(model, points)) <= set(), state


def test_the_most_fuel_stands_at_a_maximum_mass() -> None:
    scenario = edited({"aircraft.masses.max_landing": 62_000.0})
    least, most = fuel_range(scenario, mass_kg=56_000.0)
    state = replace(states_at(scenario, mass_kg=56_000.0, counts=3)[0][0], fuel_kg=most)
    model = prepare(scenario_with(scenario, state))
    landing = planned_points(model)["landing"][0]
    assert landing == pytest.approx(62_000.0, abs=300.0)
    assert least < most


def test_the_search_takes_the_fuel_that_is_worst(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a measure that grows with the fuel the search ends at the most there can be."""
    scenario = edited(QUIET)

    def by_fuel(model, **_words) -> np.ndarray:
        return np.full(200, state_of(model.scenario).fuel_kg)

    monkeypatch.setattr(load_search, "_flight_excess", by_fuel)
    load = worst_load(
        scenario, mass_kg=52_000.0, side="aft", group=GROUPS[0], seed=1, counts=2, jobs=1
    )
    assert load.state.fuel_kg == fuel_range(scenario, mass_kg=52_000.0)[1]
    assert f"fuel {load.state.fuel_kg:,.0f} kg" in load.how


def study(buffers: Buffers) -> BufferStudy:
    envelope = operating_envelope(buffers)
    proof = prove_envelope(buffers, envelope=envelope.envelope, loads=1)
    return BufferStudy(buffers, beside_table(buffers), envelope, proof)


@pytest.mark.nightly
def test_an_envelope_that_holds_is_proved(found: Buffers) -> None:
    told = study(found)
    assert not told.proof["over"].any()
    assert "NOT PROVED" not in buffer_text(told)
    assert set(told.proof["kind"]) == {"random", "worst"}


def test_buffers_that_are_too_small_are_not_proved(found: Buffers) -> None:
    short = replace(
        found, found=tuple(replace(b, upper_kgm=0.3 * b.upper_kgm) for b in found.found)
    )
    told = study(short)
    worst = told.proof[told.proof["kind"] == "worst"]
    assert worst["over"].any()
    text = buffer_text(told)
    decision = text[text.index("NOT PROVED") :]
    assert decision.index("NOT PROVED") < decision.index("Decision:")
    # A distance of assumptions hides the fault on the edge, not on the edge without it.
    hidden = replace(
        found,
        found=tuple(
            replace(b, upper_kgm=0.3 * b.upper_kgm, assumed_kgm=b.upper_kgm) for b in found.found
        ),
    )
    proof = study(hidden).proof
    assert not proof.loc[proof["edge"] == "envelope", "over"].any()
    assert proof.loc[proof["edge"] == "without assumptions", "over"].any()


def test_the_split_is_at_its_level(found: Buffers) -> None:
    for by in ("cause", "zone"):
        table = found.split(by=by)
        level = table[table["part"] == "level"].set_index(["side", "group", "mass_kg"])
        for b in found.found:
            rest = float(level.loc[(b.side, b.group, b.mass_kg), "moment_kgm"])
            assert abs(rest) <= 1e-6 * abs(b.estimate_kgm)

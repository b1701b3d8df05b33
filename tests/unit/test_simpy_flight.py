"""The slow second version of the cabin itself: conservation, hand cases, who sits when."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.aircraft import cabin_plan
from tests.oracles.simpy_boarding import shifted_lognormal, take_seats
from tests.oracles.simpy_cabin import CabinLife
from tests.oracles.simpy_crew import Ledger, TimeTable
from tests.oracles.simpy_flight import fly, fly_once
from tests.oracles.simpy_places import Trip, Want
from tests.simpy_cases import CASES, certain, times_rates

NOBODY_GETS_UP = {
    **times_rates(0.0),
    "operation.crowd.sign_off_share": 0.0,
    "operation.service.crew_walks": 0.0,
    "operation.behaviour.companion_share": 0.0,
    "operation.behaviour.walking_cv": 0.0,
}
#: Cruise, when nobody else moves: the shipped case is in cruise from 33 to 95 minutes.
CRUISE = 60.0 * 33.0


def a_life(scenario, seed=5):
    table = TimeTable(scenario.operation)
    return CabinLife(scenario, cabin_plan(scenario), table, np.random.default_rng(seed))


def in_row(life, row):
    return next(p for p in life.aboard if life.plan.row[p.seat] == row)


def send(life, person, trip):
    """Send somebody off, as companions and surges do."""
    life.rise(person, trip)
    person.process.interrupt(trip)


def watched(scenario, seed):
    """Fly a flight, noting each 10 s who is away from his seat."""
    life = a_life(scenario, seed)
    notes = []

    def watch():
        while True:
            notes.append((life.env.now, [p for p in life.aboard if p.doing != "sits"]))
            away = [p for p in life.aboard if p.mover.arm != p.arm]
            assert all(p.doing != "sits" for p in away)
            yield life.env.timeout(10.0)

    life.env.process(watch())
    life.fly()
    return life, notes


@pytest.mark.parametrize("name", list(CASES))
def test_everybody_sits_at_take_off_and_landing(name):
    life, notes = watched(CASES[name](), seed=3)
    stretches = life.table.stretches
    assert len(stretches) == 2
    seated = [up for time, up in notes if any(a <= time <= b for _, a, b in stretches)]
    assert len(seated) > 10
    assert not any(seated)
    assert name == "carts_only" or any(up for _, up in notes)


@pytest.mark.parametrize("name", list(CASES))
def test_mass_is_conserved(name):
    life = fly_once(
        scenario := CASES[name](),
        cabin_plan(scenario),
        TimeTable(scenario.operation),
        np.random.default_rng(9),
    )
    full = sum(cart.mass_full for cart in scenario.operation.service.carts)
    now = sum(c.mover.mass for c in life.crew.carts) + sum(p.tray_kg for p in life.aboard)
    assert now == pytest.approx(full, abs=1e-9)
    water = scenario.aircraft.cabin.water
    assert life.potable + life.waste == pytest.approx(water.mass if water else 0.0)
    assert all(cart.mover.arm == cart.galley_arm for cart in life.crew.carts)
    assert all(member.mover.arm == member.station for member in life.crew.members)


def test_moment_returns_to_zero_when_all_are_back():
    scenario = certain({"operation.service.carts": [], **times_rates(2.0)})
    life, _ = watched(scenario, seed=4)
    times, before, after, _ = life.ledger.curve(life.table.end)
    assert np.ptp(after) > 1000.0
    for _, start, end in life.table.stretches:
        inside = (times >= start) & (times < end)
        value = after[np.flatnonzero(times <= start)[-1]]
        np.testing.assert_allclose([value, *before[inside], *after[inside]], 0.0, atol=1e-6)


def test_moment_after_the_rounds_is_that_of_trays_and_water():
    scenario = CASES["all"]()
    life = fly_once(
        scenario, cabin_plan(scenario), TimeTable(scenario.operation), np.random.default_rng(2)
    )
    _, landing, _ = life.table.stretches[-1]
    times, _, after, slopes = life.ledger.curve(life.table.end)
    at = np.searchsorted(times, landing + 1.0) - 1
    value = after[at] + slopes[at] * (landing + 1.0 - times[at])
    carts = sum(c.mover.mass * c.galley_arm for c in life.crew.carts)
    full = sum(c.spec.mass_full * c.galley_arm for c in life.crew.carts)
    trays = sum(p.tray_kg * p.arm for p in life.aboard)
    water = life.waste * (27.0 - 9.0)
    assert life.waste > 5.0
    assert value == pytest.approx(carts + trays - full + water, abs=1e-5)


def test_nobody_gets_up_while_the_sign_is_lit_with_factor_0():
    scenario = certain({"operation.behaviour.sign_factor": 0.0, **times_rates(3.0)})
    lit = [phase.model_copy(update={"sign": True}) for phase in scenario.operation.phases]
    operation = scenario.operation.model_copy(update={"phases": tuple(lit)})
    scenario = type(scenario)(scenario.aircraft, operation)
    out = fly(scenario, seed=1, flights=5)
    assert out["trips"].max() == 0.0
    assert out["mean_up"].max() == 0.0


def test_a_walk_to_the_lavatory_by_hand():
    """Row 11 (14.6 m) to the forward lavatory (5.0 m) at 0.8 m/s, 100 s inside, and back."""
    life = a_life(certain({**NOBODY_GETS_UP, "operation.service.carts": []}))
    person = in_row(life, 11)
    life.env.run(until=CRUISE)
    send(life, person, Trip(life.groups[0], None, Want("lavatory", 100.0)))
    life.env.run(until=CRUISE + 6.0)
    assert person.mover.arm == pytest.approx(14.6 - 4.8)
    life.env.run(until=CRUISE + 100.0)
    assert person.doing == "inside"
    assert person.mover.arm == 5.0
    life.fly()
    times, before, after, _ = life.ledger.curve(life.table.end)
    assert min(before.min(), after.min()) == pytest.approx(-person.body_kg * 9.6)
    assert after.max() == pytest.approx(0.0, abs=1e-9)
    assert times[-2] == pytest.approx(CRUISE + 12.0 + 100.0 + 12.0)
    assert life.up_seconds == pytest.approx(124.0)
    assert life.waits == [0.0]


@pytest.mark.parametrize(
    ("inside_s", "longest_queue", "last_wait_s", "last_enters_s"),
    [
        # The third walks 23 m from row 29 to 6.0 m, the place behind the second: there at 32.25 s.
        (50.0, 2, 102.0 - 32.25, 102.0),  # the second still queues: he joins where he is
        (20.0, 1, 42.0 - 32.25, 42.0),  # the second is inside: one place on is joined by a step
        (10.0, 1, 0.0, 33.5),  # nobody is there: two places on are walked, in 1.25 s
    ],
)
def test_a_queue_by_hand(inside_s, longest_queue, last_wait_s, last_enters_s):
    """Two from rows 1 and 2 to one lavatory (there after 2 and 3 s), a third 3.5 s later."""
    life = a_life(certain({**NOBODY_GETS_UP, "operation.service.carts": []}))
    group = life.groups[0]
    first, second, third = in_row(life, 1), in_row(life, 2), in_row(life, 29)
    life.env.run(until=CRUISE)
    for person in (first, second):
        send(life, person, Trip(group, None, Want("lavatory", inside_s)))
    life.env.run(until=CRUISE + 3.5)
    assert first.mover.arm == 5.0
    assert second.mover.arm == 5.5
    send(life, third, Trip(group, None, Want("lavatory", inside_s)))
    life.env.run(until=CRUISE + last_enters_s - 0.01)
    assert third.doing in ("queues", "out")
    life.env.run(until=CRUISE + last_enters_s + 0.01)
    assert third.doing == "inside"
    life.fly()
    assert life.waits == pytest.approx([0.0, inside_s + 2.0 - 3.0, last_wait_s])
    assert life.longest_queue == longest_queue


def cart_case(**cart):
    """One cart without trays, waiting for the test to move it."""
    spec = {"galley": "aft galley", "from_row": 29, "to_row": 20, "start": 0.0, "tray": 0.0}
    scenario = certain(
        {
            **NOBODY_GETS_UP,
            "operation.service.carts": [{**spec, **cart}],
            "operation.service.cart_speed": 0.4,
        }
    )
    return a_life(scenario)


def test_one_who_meets_a_cart_turns_back_and_tries_again():
    life = cart_case(start=10.0)
    cart = life.crew.carts[0]
    life.env.run(until=CRUISE + 1.0)
    cart.out = True
    cart.mover.put(20.0, -0.4)
    life.tell(0)
    person = in_row(life, 11)  # 14.6 m, 5.4 m from the cart: they meet after 4.5 s
    send(life, person, Trip(life.groups[1], None, Want("lavatory", 50.0)))
    life.env.run(until=CRUISE + 5.4)
    assert person.doing == "out"
    life.env.run(until=CRUISE + 5.6)
    assert person.doing == "back"
    assert person.met[0] is cart
    assert life.turned_back == 1
    life.env.run(until=CRUISE + 1.0 + 8.9)
    assert person.doing == "back"
    life.env.run(until=CRUISE + 1.0 + 9.1)
    assert person.doing == "sits"
    assert life.stopped == 0


def test_one_behind_a_cart_moves_as_it_does():
    life = cart_case(start=10.0)
    cart = life.crew.carts[0]
    person = in_row(life, 11)
    life.env.run(until=CRUISE)
    send(life, person, Trip(life.galleys[1], None, Want("galley", 60.0)))
    life.env.run(until=CRUISE + 60.0)  # he stands at 31.4 m since 21 s
    cart.out = True
    cart.mover.put(25.0, 0.0)
    life.env.run(until=CRUISE + 81.0 + 6.0)
    assert person.mover.arm == pytest.approx(31.4 - 4.8)
    life.env.run(until=CRUISE + 90.0)
    assert person.mover.arm == pytest.approx(25.0)
    cart.mover.put(25.0, 0.4)  # toward him
    life.tell(0)
    life.env.run(until=CRUISE + 95.0)
    assert person.mover.arm == pytest.approx(27.0)
    cart.mover.put(27.0, -0.4)  # away from him, slower than he walks
    life.tell(0)
    life.env.run(until=CRUISE + 100.0)
    assert person.mover.arm == pytest.approx(25.0)
    cart.mover.put(25.0, -0.9)  # away, faster than he walks
    life.tell(0)
    life.env.run(until=CRUISE + 105.0)
    assert person.mover.arm == pytest.approx(21.0)
    cart.out = False
    life.tell(0)
    life.env.run(until=CRUISE + 105.0 + 6.4 / 0.8 + 0.1)
    assert person.doing == "sits"
    assert life.stopped == 1


def test_a_blocked_way_leads_through_the_other_aisle():
    changes = {**NOBODY_GETS_UP, "operation.service.carts": [], "aircraft.cabin.seats": "AB-CD-EF"}
    changes["aircraft.cabin.lavatories"] = [
        {"name": "front", "arm": 5.0, "count": 1, "queue_toward": "aft"},
        {"name": "middle", "arm": 12.0, "count": 1, "queue_toward": "aft"},
    ]
    changes["operation.service.carts"] = [
        {"galley": "aft galley", "from_row": 29, "to_row": 20, "start": 30.0, "aisle": 1}
    ]
    life = a_life(certain(changes))
    cart = life.crew.carts[0]
    person = next(p for p in life.aboard if p.aisle == 0 and life.plan.row[p.seat] == 12)
    life.env.run(until=CRUISE)
    assert life.way_out(person, 5.0) == (pytest.approx(10.4), None)
    cart.out = True
    cart.mover.put(8.0)
    assert life.way_out(person, 5.0) == (pytest.approx(10.4), 12.0)
    cart.mover.put(12.0)
    assert life.way_out(person, 5.0) == (pytest.approx(2 * 31.4 - 5.0 - 15.4), 31.4)
    cart.mover.put(person.arm)
    assert life.way_out(person, 5.0) is None


def test_jumps_count_only_if_they_last():
    ledger = Ledger()
    for time, jump, slope in ((10.0, 500.0, 0.0), (10.0, -490.0, 1.0), (20.0, -20.0, -1.0)):
        ledger.note(time, jump=jump, slope=slope)
    _, before, after, _ = ledger.curve(30.0)
    assert before.tolist() == [0.0, 0.0, 20.0, 0.0]
    assert after.tolist() == [0.0, 10.0, 0.0, 0.0]


def test_neighbours_in_the_snake_are_the_nearest_and_of_two_the_later():
    free = dict.fromkeys(range(6), 1.0) | {3: 0.0}
    assert take_seats(free, 4) == [3, 4, 2, 5]
    assert sorted(free) == [0, 1]


@pytest.mark.parametrize("skewness", [0.0, 0.8, 1.31])
def test_body_mass_has_the_moments_asked_for(skewness):
    """By Gauss-Hermite quadrature over the normal score."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    weights = weights / weights.sum()
    values = np.array([shifted_lognormal(z, 70.0, 15.0, skewness) for z in nodes])
    mean = weights @ values
    sd = np.sqrt(weights @ (values - mean) ** 2)
    assert mean == pytest.approx(70.0)
    assert sd == pytest.approx(15.0)
    assert weights @ ((values - mean) / sd) ** 3 == pytest.approx(skewness, abs=1e-8)


@pytest.mark.parametrize("name", ["one_lavatory", "all"])
def test_readings_hang_together(name):
    out = fly(CASES[name](), seed=8, flights=3)
    assert np.all(out["longest_wait_s"] > 60.0)
    assert np.all(out["mean_wait_s"] <= out["longest_wait_s"])
    assert np.all(out["mean_up"] <= out["most_up"])
    assert np.all(out["longest_queue"] <= out["most_up"])
    assert np.all(out["lavatory_visits"] <= out["trips"])
    assert np.all(out["cabin_moment_min_kgm"] <= 0.0)
    assert np.all(out["cabin_moment_max_kgm"] >= 0.0)
    places = ("window", "middle", "aisle")
    people = {k: sum(out[f"{k}_up.{p}"] for p in places) for k in ("never", "once", "more")}
    assert np.all(sum(people.values()) == out["passengers"])
    assert np.all(people["once"] + 2 * people["more"] <= out["trips"])

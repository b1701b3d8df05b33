"""Classes of travel, sleep, the rise before landing and the crew's rest: by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.flight import cabin_diary, fly_block, passengers_aboard, prepare
from tests.cabin_cases import NO_SERVICE, NOBODY_UP, cart, phase
from tests.flight_cases import edited
from tests.simpy_cases import certain
from tests.twin_cases import certain_twin, twin_scenario
from tests.unit.test_two_aisles import two_halves

OUT, INSIDE, STANDS = 2, 4, 5


def figures(model, *, seed, flights):
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    return pd.DataFrame(rows, columns=list(model.columns))


def night(*parts, **changes):
    """Cruise in parts (minutes, asleep), everybody restless, nothing served, taken off at once."""
    phases = [phase("take_off", 1.0)]
    phases += [
        phase("cruise", minutes, name=f"part {n}", asleep=asleep, crew_resting=0)
        for n, (minutes, asleep) in enumerate(parts)
    ]
    phases += [phase("landing", 1.0)]
    rates = {f"operation.behaviour.trips_{where}": 12.0 for where in ("window", "middle", "aisle")}
    return certain(
        {
            **NOBODY_UP,
            **NO_SERVICE,
            **rates,
            "operation.phases": phases,
            "aircraft.cabin.galleys.0.standing": 60,
            "aircraft.cabin.galleys.1.standing": 60,
            "operation.behaviour.lavatory_share": 0.0,
            "operation.behaviour.standing_mean": 0.5,
            "operation.behaviour.companion_share": 0.0,
            **changes,
        }
    )


def risen(model, *, seed, flight, start, end):
    """Persons who left their seats between two instants."""
    diary = cabin_diary(model, seed=seed, flight=flight)
    his = diary[(diary["kind"] == 0) & (diary["time_s"] > start) & (diary["time_s"] < end)]
    return set(his[his["state"] == OUT]["number"])


def test_nobody_of_a_class_stands_where_it_may_not():
    model = prepare(two_halves([]))
    front = set(range(int((model.plan.row <= 14).sum())))
    seen = {True: set(), False: set()}
    for flight in range(20):
        diary = cabin_diary(model, seed=2, flight=flight)
        there = diary[(diary["kind"] == 0) & diary["state"].isin([INSIDE, STANDS])]
        for number, arm in zip(there["number"], there["arm_m"], strict=True):
            seen[number in front].add(float(arm))
    assert seen == {True: {5.0, 4.4}, False: {30.4, 31.4}}


@pytest.mark.parametrize(
    ("kept", "arms"),
    [("lavatories", {31.4}), ("galleys", {30.4}), ("both", set())],
)
def test_a_class_without_lavatory_or_galley_wants_the_other(kept, arms):
    """Business takes all of one kind, or of both: those behind stand about, or do not get up."""
    base = two_halves([])
    changes = {}
    for key in ("lavatories", "galleys"):
        if kept in (key, "both"):
            changes |= {f"aircraft.cabin.{key}.{i}.classes": ["business"] for i in range(2)}
    model = prepare(edited(changes, base))
    front = int((model.plan.row <= 14).sum())
    diary = cabin_diary(model, seed=2, flight=0)
    behind = diary[(diary["kind"] == 0) & (diary["number"] >= front)]
    assert set(behind[behind["state"].isin([INSIDE, STANDS])]["arm_m"]) == arms
    assert kept != "both" or behind.empty


def test_getting_up_of_a_class():
    """A factor 0 keeps a class in its seats and changes nobody else's words."""
    base = edited({"operation.crowd.sign_off_share": 0.0}, two_halves([]))
    still = edited({"operation.classes": [{"name": "economy", "getting_up": 0.0}]}, base)
    plain, quiet = prepare(base), prepare(still)
    front = int((plain.plan.row <= 14).sum())
    for flight in range(5):
        diaries = [cabin_diary(m, seed=8, flight=flight) for m in (plain, quiet)]
        people = [d[d["kind"] == 0] for d in diaries]
        assert (people[1]["number"] < front).all()
        ours = [p[p["number"] < front].reset_index(drop=True) for p in people]
        pd.testing.assert_frame_equal(ours[0], ours[1], check_exact=True)
    rates = prepare(edited({"operation.classes": [{"name": "business", "getting_up": 1.5}]}, base))
    ratio = rates.program.urge.seat_rate_per_s / plain.program.urge.seat_rate_per_s
    assert (ratio == np.where(plain.plan.row <= 14, 1.5, 1.0)).all()


def test_movers_stay_in_their_class(seed_offset):
    """All change seats; with two classes each seat of a class is as likely as any other."""
    model = prepare(edited({"operation.seating.movers_share": 1.0}, two_halves([])))
    flights = np.arange(400, dtype=np.uint32)
    seat, _, _ = passengers_aboard(model, seed=3 + seed_offset, flights=flights)
    front = model.plan.row <= 14
    in_front = np.where(seat >= 0, front[seat], False).sum(axis=1)
    assert (in_front == 60).all()
    assert ((seat >= 0).sum(axis=1) == 130).all()
    assert all(np.unique(row[row >= 0]).size == 130 for row in seat)
    taken = np.bincount(seat[seat >= 0], minlength=front.size)[front]
    share, seats = 60 / front.sum(), int(front.sum())
    spread = flights.size * share * (1.0 - share)
    # Each seat's count is binomial; the sum of squares is chi-square but for the fixed total.
    chi2 = float(((taken - flights.size * share) ** 2).sum() / spread * (seats - 1) / seats)
    assert stats.chi2.sf(chi2, seats - 1) > 1e-6


def test_those_asleep_do_not_get_up_and_are_the_share_told(seed_offset):
    """Two parts of 60 minutes after ten, at a rate that gets everybody up in each of them."""
    model = prepare(night((10.0, 0.0), (60.0, 0.3), (60.0, 0.6)))
    first = second = persons = 0
    for flight in range(6):
        start = 11.0 * 60.0
        up = [
            risen(model, seed=9 + seed_offset, flight=flight, start=a, end=b)
            for a, b in (
                (start + 600.0, start + 3_600.0),
                (start + 3_600.0 + 600.0, start + 7_200.0 - 240.0),
            )
        ]
        assert up[1] <= up[0]  # who sleeps with 30 % sleeps with 60 % too
        first, second = first + len(up[0]), second + len(up[1])
        persons += 148
    assert stats.binomtest(first, persons, 0.7).pvalue > 1e-6
    assert stats.binomtest(second, persons, 0.4).pvalue > 1e-6


def test_nobody_gets_up_where_all_sleep_and_sleep_draws_no_other_words():
    awake, asleep = (
        prepare(night((30.0, 0.0), (60.0, 0.0))),
        prepare(night((30.0, 0.0), (60.0, 1.0))),
    )
    for flight in range(3):
        diaries = [cabin_diary(m, seed=5, flight=flight) for m in (awake, asleep)]
        before = [d[d["time_s"] < 31.0 * 60.0].reset_index(drop=True) for d in diaries]
        pd.testing.assert_frame_equal(before[0], before[1], check_exact=True)
        assert not risen(asleep, seed=5, flight=flight, start=31.0 * 60.0, end=1e9)
        assert risen(awake, seed=5, flight=flight, start=31.0 * 60.0, end=1e9)
    beds = [{"name": "economy", "asleep": 0.0}]
    none = prepare(night((30.0, 0.0), (60.0, 1.0), **{"operation.classes": beds}))
    assert figures(none, seed=5, flights=20).equals(figures(awake, seed=5, flights=20))


def test_rise_before_landing_by_hand():
    """Twelve minutes before the recall, three before the landing: 1.0 until there, then 2.5."""
    rise = {"operation.crowd.before_landing_factor": 2.5, "operation.crowd.before_landing": 12.0}
    urge = prepare(night((30.0, 0.0), **rise)).program.urge
    assert urge.node_s.tolist() == [0.0, 60.0, 16 * 60.0, 28 * 60.0, 31 * 60.0, 32 * 60.0]
    assert urge.factor.tolist() == [0.0, 1.0, 2.5, 0.0, 0.0]
    plain = prepare(night((30.0, 0.0))).program.urge
    assert plain.node_s.tolist() == [0.0, 60.0, 28 * 60.0, 31 * 60.0, 32 * 60.0]
    longer = {**rise, "operation.crowd.before_landing": 500.0}
    assert prepare(night((30.0, 0.0), **longer)).program.urge.factor.tolist() == [
        0.0,
        2.5,
        0.0,
        0.0,
    ]


def resting(*counts, **changes):
    """Crew of 2 and 2 at 4.6 and 31.0 m, a crew rest at 20 m, cruise in parts of 20 minutes."""
    phases = [
        phase("take_off", 1.0),
        *(phase("cruise", 20.0, name=str(n), crew_resting=c) for n, c in enumerate(counts)),
        phase("landing", 1.0),
    ]
    return certain(
        {
            **NOBODY_UP,
            **NO_SERVICE,
            "aircraft.cabin.crew_rest": {"arm": 20.0, "bunks": 4},
            "operation.phases": phases,
            **changes,
        }
    )


def test_crew_rest_moves_the_moment_by_hand():
    """Three rest: two from 31 m, one from 4.6 m, 75 kg each; then two, then nobody."""
    model = prepare(resting(3, 2, 0))
    frame = figures(model, seed=1, flights=3)
    aft = 75.0 * (20.0 - 31.0)
    assert frame["cabin_moment_min_kgm"].tolist() == pytest.approx([2 * aft] * 3, abs=1e-9)
    assert frame["cabin_moment_max_kgm"].tolist() == [0.0] * 3
    diary = cabin_diary(model, seed=1, flight=0)
    crew = diary[diary["kind"] == 2]
    told = list(zip(crew["time_s"], crew["number"], crew["arm_m"], strict=True))
    assert told == [
        (60.0, 1, 20.0), (60.0, 2, 20.0), (60.0, 3, 20.0),
        (1_260.0, 1, 4.6),
        (2_460.0, 2, 31.0), (2_460.0, 3, 31.0),
    ]  # fmt: skip


def test_who_rests_pushes_no_cart_and_does_not_walk():
    """The aft galley's cart takes its crew from the front while those behind rest."""
    round_ = cart(galley="aft galley", from_row=29, to_row=27, start=1.0, crew=2, tray=0.0)
    base = {"operation.service.carts": [round_]}
    for rest, members in ((0, {2, 3}), (2, {0, 1})):
        model = prepare(resting(rest, 0, **base))
        # The moment of the crew's step to the galley, 31.4 m, the instant the cart leaves.
        station = 31.0 if rest == 0 else 4.6
        service = model.program.service
        arms = service.crew_arm_m[sorted(members)]
        assert (arms == station).all()
        path = figures(model, seed=1, flights=1)
        resting_kgm = 75.0 * rest * (20.0 - 31.0)
        step = 2 * 75.0 * (31.4 - station)
        # They go forward with the cart afterwards: the most aft moment is that of its start.
        most = max(0.0, resting_kgm + step)
        assert path["cabin_moment_max_kgm"].iloc[0] == pytest.approx(most, abs=1e-6)
    walks = resting(4, **{"operation.service.crew_walks": 30.0})
    diary = cabin_diary(prepare(walks), seed=1, flight=0)
    crew = diary[diary["kind"] == 2]
    assert (crew["speed_mps"] == 0.0).all()
    assert set(crew["arm_m"]) == {20.0, 4.6, 31.0}


def test_crew_rest_of_the_shipped_case_by_hand():
    """Two from 32.1 m and three from 50.0 m to 36.4 m: 75 kg each."""
    model = prepare(certain_twin({**NOBODY_UP, **NO_SERVICE, "aircraft.cabin.water": None}))
    frame = figures(model, seed=1, flights=2)
    by_hand = 75.0 * (2 * (36.4 - 32.1) + 3 * (36.4 - 50.0))
    assert by_hand == pytest.approx(-2_415.0)
    assert frame["cabin_moment_min_kgm"].tolist() == pytest.approx([by_hand] * 2, abs=1e-6)


def test_the_shipped_cabin_is_what_it_says():
    plan = prepare(twin_scenario()).plan
    assert plan.seats == 298
    assert plan.classes == ("business", "economy")
    assert np.bincount(plan.class_index).tolist() == [30, 268]
    assert int(plan.lavatories.count.sum()) == 8
    abreast = pd.Series(plan.row).value_counts()
    assert {int(abreast[row]) for row in range(11, 41)} == {8}
    carts = twin_scenario().operation.service.carts
    trays = [c for c in carts if c.start < 60.0 and c.tray > 0.0]
    assert len(trays) == 10
    assert {c.aisle for c in trays} == {1, 2}

"""Two aisles by hand: the way round a cart, what one aisle does to the other's passengers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from cgrisk.flight import cabin_diary, fly_block, passengers_aboard, prepare
from tests.cabin_cases import NOBODY_UP, cart, phase
from tests.simpy_cases import certain

SITS, OUT, INSIDE, BACK = 1, 2, 4, 6
LAVATORY_M, CART_M, SEAT_M = 5.0, 13.8, 21.8  # the front, row 10, row 20
WINDOW_S = (60.0 * 20.0, 60.0 * 26.0)
KG, CART_KG = 80.0, 100.0


def round_the_cart(change_m: float, *, layout: str = "AB-CDE-FG") -> Any:
    """Somebody at 20D, aisle 1, wants the lavatory in front; a cart serves 10A, aisle 1.

    Only he gets up, within a window of six minutes, and tries no more when the sign is lit five
    minutes later. Two aisles join in front and at one arm more, a galley where nobody may stand.
    """
    free = {"10A", "20D"}
    blocked = [f"{row}{letter}" for row in range(1, 30) for letter in "ABCDEFG"]
    body = {"mean": KG, "sd": 0.0, "skewness": 0.0}
    return certain(
        {
            **NOBODY_UP,
            "aircraft.cabin.seats": layout,
            "aircraft.cabin.lavatories": [
                {"name": "front", "arm": LAVATORY_M, "count": 1, "queue_toward": "aft"}
            ],
            "aircraft.cabin.galleys": [
                {"name": "forward galley", "arm": 4.4, "standing": 0},
                {"name": "place of change", "arm": change_m, "standing": 0},
            ],
            "operation.parties": [],
            "operation.seating.blocked": [name for name in blocked if name not in free],
            "operation.zones": [
                {"name": "A", "rows": "1-15", "adults": 1, "children": 0},
                {"name": "B", "rows": "16-29", "adults": 1, "children": 0},
            ],
            "operation.mass.body.men": body,
            "operation.mass.body.women": body,
            "operation.phases": [
                phase("take_off", 2.0),
                phase("cruise", 18.0, name="before", getting_up=0.0),
                phase("cruise", 6.0, name="window"),
                phase("cruise", 5.0, name="on his way", getting_up=0.0),
                phase("cruise", 120.0, name="after", getting_up=0.0, sign=True),
                phase("landing", 1.0),
            ],
            "operation.behaviour.trips_middle": 60.0,
            "operation.behaviour.walking_speed": 0.8,
            "operation.behaviour.walking_cv": 0.0,
            "operation.behaviour.lavatory_mean": 60.0,
            "operation.behaviour.lavatory_cv": 0.0,
            "operation.service.crew_walks": 0.0,
            "operation.service.carts": [
                cart(
                    from_row=10,
                    to_row=10,
                    start=2.0,
                    crew=0,
                    tray=0.0,
                    seconds_per_passenger=1500.0,
                )
            ],
        }
    )


def flights_with_the_cart(model, *, least=12):
    """Diaries of flights on which the cart stands at row 10 until nobody tries any more."""
    found = {}
    for flight in range(60):
        diary = cabin_diary(model, seed=4, flight=flight)
        stands = diary[(diary["kind"] == 1) & (diary["speed_mps"] == 0.0)]
        there = stands[np.isclose(stands["arm_m"], CART_M)]
        leaves = diary[(diary["kind"] == 1) & (diary["speed_mps"] < 0.0)]
        if there["time_s"].iloc[0] < WINDOW_S[0] and leaves["time_s"].iloc[0] > WINDOW_S[1] + 300.0:
            found[flight] = diary
    assert len(found) >= least
    return found


@pytest.mark.parametrize(
    ("change_m", "walk_m"),
    [(17.0, 4.8 + 12.0), (25.0, 3.2 + 20.0), (13.0, None)],
    ids=["on his way", "behind him", "beyond the cart"],
)
def test_the_passenger_takes_the_other_aisle(change_m, walk_m):
    """Out and back by the place where the aisles join, at 0.8 m/s, and a minute inside."""
    model = prepare(round_the_cart(change_m))
    trips = 0
    for diary in flights_with_the_cart(model).values():
        him = diary[(diary["kind"] == 0) & (diary["state"] != SITS)]
        if walk_m is None:  # the only change lies beyond the cart
            assert him.empty
            continue
        out = him[(him["state"] == OUT)]
        inside, back = him[him["state"] == INSIDE], him[him["state"] == BACK]
        home = diary[(diary["kind"] == 0) & (diary["state"] == SITS)]
        # Two legs out, two back: the second starts at the place of change.
        assert len(out) == len(back) == 2 * len(inside) == 2 * len(home)
        trips += len(inside)
        legs = [part["arm_m"].to_numpy() for part in (out, back)]
        assert np.allclose(legs[0][::2], SEAT_M)
        assert np.allclose(legs[0][1::2], change_m)
        assert np.allclose(legs[1][::2], LAVATORY_M)
        assert np.allclose(legs[1][1::2], change_m)
        walk = inside["time_s"].to_numpy() - out["time_s"].to_numpy()[::2]
        assert walk == pytest.approx(walk_m / 0.8, abs=1e-9)
        trip = home["time_s"].to_numpy() - out["time_s"].to_numpy()[::2]
        assert trip == pytest.approx(2.0 * walk_m / 0.8 + 60.0, abs=1e-9)
    assert walk_m is None or trips > 20


def test_taking_the_second_aisle_away_moves_the_figures_by_hand():
    """With one aisle nobody gets past the cart: the moment of one trip is all the difference."""
    two, one = prepare(round_the_cart(17.0)), prepare(round_the_cart(17.0, layout="AB-CDEFG"))
    flights = np.array(list(flights_with_the_cart(two)), dtype=np.uint32)
    assert set(flights) == set(flights_with_the_cart(one))
    with_two, with_one = (
        pd.DataFrame(fly_block(m, seed=4, flights=flights), columns=list(m.columns))
        for m in (two, one)
    )
    up = with_two["trips"] > 0
    assert up.sum() >= 0.9 * flights.size
    assert (with_one["trips"] == 0).all()
    assert (with_one["put_off"][up] > 0).all()
    assert (with_two["put_off"] == 0).all()
    # The cart stands 9.4 m aft of its galley; he goes 16.8 m forward meanwhile.
    carts = CART_KG * (CART_M - 4.4)
    assert with_one["cabin_moment_min_kgm"].to_numpy() == pytest.approx(0.0, abs=1e-6)
    both = with_two["cabin_moment_min_kgm"][up].to_numpy()
    assert both == pytest.approx(carts - KG * (SEAT_M - LAVATORY_M), abs=1e-6)
    for frame in (with_one, with_two):
        assert frame["cabin_moment_max_kgm"].to_numpy() == pytest.approx(carts, abs=1e-6)


def two_halves(carts):
    """Business in front with its own lavatory, economy behind with its own; two aisles."""
    return certain(
        {
            "aircraft.cabin.seats": "AB-CDE-FG",
            "aircraft.cabin.rows": [
                {"rows": "1-14", "pitch": 0.8, "seats": None, "cabin_class": "business"},
                {"rows": "15-29", "pitch": 0.8, "seats": None, "cabin_class": "economy"},
            ],
            "aircraft.cabin.lavatories": [
                {"name": "front", "arm": 5.0, "count": 1, "queue_toward": "aft",
                 "classes": ["business"]},
                {"name": "rear", "arm": 30.4, "count": 1, "queue_toward": "fore",
                 "classes": ["economy"]},
            ],
            "aircraft.cabin.galleys": [
                {"name": "forward galley", "arm": 4.4, "standing": 3, "classes": ["business"]},
                {"name": "aft galley", "arm": 31.4, "standing": 3, "classes": ["economy"]},
            ],
            "operation.parties": [],
            "operation.zones": [
                {"name": "A", "rows": "1-14", "adults": 60, "children": 0},
                {"name": "B", "rows": "15-29", "adults": 70, "children": 0},
            ],
            "operation.behaviour.trips_window": 1.0,
            "operation.behaviour.trips_middle": 1.0,
            "operation.behaviour.trips_aisle": 2.0,
            "operation.service.carts": carts,
        }
    )  # fmt: skip


def test_a_blocked_aisle_leaves_those_of_the_other_half_as_they_were():
    """Bit for bit, where they share no lavatory and no galley; those in front do go otherwise."""
    blocked = [cart(from_row=2, to_row=14, seconds_per_passenger=40.0, start=2.0, tray=0.0)]
    models = [prepare(two_halves(carts)) for carts in ([], blocked)]
    front = range(len(models[0].plan.row[models[0].plan.row <= 14]))
    changed = 0
    for flight in range(20):
        diaries = [cabin_diary(model, seed=6, flight=flight) for model in models]
        people = [d[d["kind"] == 0] for d in diaries]
        ours, theirs = (
            [p[p["number"].isin(front)].reset_index(drop=True) for p in people],
            [p[~p["number"].isin(front)].reset_index(drop=True) for p in people],
        )
        assert len(theirs[0]) > 100
        pd.testing.assert_frame_equal(theirs[0], theirs[1], check_exact=True)
        changed += not ours[0].equals(ours[1])
    assert changed >= 15


def side_by_side(aisle):
    """Each aisle with passengers, a lavatory and a galley of its own; a slow cart on this one."""
    seats = [("A", "window", 1), ("B", "aisle", 1), ("C", "aisle", 1), ("D", "middle", 1)]
    seats += [("E", "aisle", 2), ("F", "aisle", 2), ("G", "window", 2)]
    table = [
        {"row": row, "letter": letter, "arm": 5.8 + 0.8 * row, "position": position,
         "aisle": side, "cabin_class": ("left", "right")[side - 1]}
        for row in range(1, 30)
        for letter, position, side in seats
    ]  # fmt: skip
    places = [("left", 5.0, 4.4), ("right", 30.4, 31.4)]
    slow = cart(aisle=aisle, from_row=2, to_row=28, seconds_per_passenger=40.0, start=2.0, tray=0.0)
    return certain(
        {
            "aircraft.cabin.seat_table": table,
            "aircraft.cabin.rows": [],
            "aircraft.cabin.seats": None,
            "aircraft.cabin.first_row_arm": None,
            "aircraft.cabin.lavatories": [
                {"name": name, "arm": arm, "count": 1, "queue_toward": "aft" if arm < 9 else "fore",
                 "classes": [name]}
                for name, arm, _ in places
            ],
            "aircraft.cabin.galleys": [
                {"name": name, "arm": arm, "standing": 3, "classes": [name]}
                for name, _, arm in places
            ],
            "operation.parties": [],
            "operation.zones": [
                {"name": "A", "rows": "1-14", "adults": 60, "children": 0},
                {"name": "B", "rows": "15-29", "adults": 70, "children": 0},
            ],
            "operation.behaviour.trips_window": 1.0,
            "operation.behaviour.trips_middle": 1.0,
            "operation.behaviour.trips_aisle": 2.0,
            "operation.service.crew_walks": 0.0,
            "operation.service.carts": [{**slow, "galley": "left"}] if aisle else [],
        }
    )  # fmt: skip


def test_a_blocked_aisle_leaves_those_of_the_other_aisle_as_they_were():
    """Bit for bit, along the whole cabin; on the aisle of the cart they do go otherwise."""
    free, left, right = (prepare(side_by_side(aisle)) for aisle in (0, 1, 2))
    seats, _, _ = passengers_aboard(free, seed=6, flights=np.arange(10, dtype=np.uint32))
    changed = {1: 0, 2: 0}
    for flight in range(10):
        diaries = [cabin_diary(model, seed=6, flight=flight) for model in (free, left, right)]
        people = [d[d["kind"] == 0] for d in diaries]
        uses = np.where(seats[flight] >= 0, free.plan.aisle[seats[flight]] + 1, 0)
        for side in (1, 2):
            plain, *blocked = (p[uses[p["number"]] == side].reset_index(drop=True) for p in people)
            assert len(plain) > 100
            pd.testing.assert_frame_equal(plain, blocked[2 - side], check_exact=True)
            changed[side] += not plain.equals(blocked[side - 1])
    assert min(changed.values()) >= 8

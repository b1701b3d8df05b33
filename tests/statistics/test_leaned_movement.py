"""Movement leaned toward one side: weights by a slow count, and that they undo the leaning."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, entity_counts, fly_block, prepare
from cgrisk.flight.call_tilt import CallTilt, call_tilt, lean_movement
from cgrisk.flight.kernel.people import CHILD, board, change_seats, new_people
from cgrisk.flight.model import keys_of
from cgrisk.randomness.keys import Cause, split_seed
from cgrisk.randomness.philox import block
from cgrisk.rare.question import Meter
from cgrisk.rare.score import envelope_score
from cgrisk.rare.tilt_aim import Leaner, aim_at
from cgrisk.rare.tilt_walks import same_for_all
from tests.cabin_cases import NOBODY_UP
from tests.flight_cases import edited

Floats = NDArray[np.float64]

TOLD = 2**31
LOW = 2**29
#: Parties of 1 to 6, everybody up often: three get up early on many flights.
SMALL: dict[str, Any] = {
    "operation.parties": [{"name": "group", "share": 0.6, "adults": [2, 5], "children": [0, 1]}],
    "operation.behaviour.sign_factor": 1.0,
    "operation.behaviour.companion_share": 0.3,
}

#: More than are told.
BIG = [{"name": "class", "share": 0.5, "adults": [17, 19]}]


def _leaned(
    model: FlightModel, data: CallTilt, *, seed: int, loads: int, walks: int
) -> tuple[NDArray[np.uint32], NDArray[np.uint32], Floats]:
    """Return flight numbers, versions and log weights of walks of ordinary loads."""
    load = np.repeat(np.arange(loads), walks)
    walk = np.tile(np.arange(walks), loads)
    counts = entity_counts(model)
    versions = np.zeros((load.size, sum(counts.values())), dtype=np.uint32)
    ends = dict(zip(counts, np.cumsum(list(counts.values())).tolist(), strict=True))
    for name in ("movement", "crowd"):
        versions[:, ends[name] - counts[name] : ends[name]] = walk[:, None]
    flights = load.astype(np.uint32)
    weights = lean_movement(
        model,
        data,
        seed=seed,
        choice_seed=seed + 1_000_003,
        flights=flights,
        versions=versions,
        load=load,
        walk=walk,
    )
    return flights, versions, weights


def _movement(model: FlightModel) -> slice:
    counts = entity_counts(model)
    end = int(np.cumsum(list(counts.values()))[list(counts).index("movement")])
    return slice(end - counts["movement"], end)


def _told(version: int, word: int, *, low: bool | None = None) -> int:
    """Return a word that is told: of an octave's half, or low or high."""
    if low is not None:
        return word // 8 if low else LOW + word - -(-word // 8)
    cell = version >> 24 & 127
    octave, half = divmod(cell % 47, 2)
    first = 0 if octave == 23 else 2 ** (30 - octave) + half * 2 ** (29 - octave)
    size = 2**8 if octave == 23 else 2 ** (29 - octave)
    told = first + word * size // 2**32
    return told if cell < 47 else 2**32 - 1 - told


def _oracle(
    model: FlightModel, data: CallTilt, seed: int, flight: int, versions: NDArray[np.uint32]
) -> float:
    """Return the log weight of one flight, by sums over all sets of members."""
    program = model.program
    cabin, urge, places = program.cabin, program.urge, program.places
    persons = cabin.arm_m.size
    keys = keys_of(model, seed, np.array([[flight]], dtype=np.uint32), versions)
    people = new_people(persons, cabin.region_start.size - 1, cabin.zone_region.size)
    board(cabin, program.party, keys, 0, people)
    change_seats(cabin, keys, 0, people)
    k0, k1 = split_seed(seed)
    own = versions[0, _movement(model)]

    def words(p: int, draw: int) -> int:
        found = block(flight, int(own[p]), int(Cause.MOVEMENT), p, draw, k0, k1)
        return int(found[0])

    early, later = {}, {}
    made_early, made_later = 0.0, {}
    for p in range(persons):
        if people.seat[p] < 0:
            continue
        party = [
            q for q in range(persons) if people.seat[q] >= 0 and people.party[q] == people.party[p]
        ]
        told = party[:16]
        seat = int(people.seat[p])
        allowed = places.class_lavatory[places.seat_class[seat]]
        arms = places.lavatory_arm_m[allowed]
        arm = arms[np.abs(arms - cabin.arm_m[seat]).argmin()]
        if len(party) < 3 or not data.toward * (arm - cabin.arm_m[seat]) > 0.0:
            continue
        lean = {}
        for q in told:
            way = max(data.toward * (arm - cabin.arm_m[people.seat[q]]), 0.0)
            lean[q] = data.per_m * way * (0.5 if people.population[q] == CHILD else 1.0)
        scale = min(1.0, data.most / sum(lean.values()))
        mates = [q for q in told if q != p]
        alone = math.exp(min(data.per_m * data.toward * (arm - cabin.arm_m[seat]), data.most))

        def figure(
            who: tuple[int, ...], lean: Any = lean, s: float = scale, c: float = alone
        ) -> float:
            return c * math.exp(s * sum(lean[q] for q in who)) if len(who) >= 2 else 0.0

        mean = sum(
            0.125**n * 0.875 ** (len(mates) - n) * figure(who)
            for n in range(len(mates) + 1)
            for who in itertools.combinations(mates, n)
        )
        # Early: words below the end of the cell in which the chance of an urge so soon falls.
        chance = 1.0 - math.exp(-urge.seat_rate_per_s[seat] * data.early_s)
        end, cells = (
            0.0,
            sorted(
                {(2 ** (30 - o) + h * 2 ** (29 - o)) for o in range(23) for h in (0, 1)} | {2**31}
            ),
        )
        cells = [2**8, *cells]
        cells += [2**32 - c for c in reversed(cells[:-1])] + [2**32]
        if chance > 0.0:
            end = next(c for c in cells if c > int(chance * 2**32))
        early[p] = mean * end / 2**32
        later[p] = mean * ((1.0 - end / 2**32) * data.attempts[0] + data.attempts[1:].sum())
        version = int(own[p])
        need = words(p, 0)
        if version >= TOLD:
            need = _told(version, need)
        values = []
        for attempt in range(1, 5):
            who = []
            for i, q in enumerate(told):
                word = words(p, (1 << 20) + attempt * 512 + i)
                if version >= TOLD and (version >> 22 & 3) + 1 == attempt:
                    word = _told(version, word, low=bool(version >> 6 + i & 1))
                if q != p and word < LOW:
                    who.append(q)
            values.append(figure(tuple(who)))
        if need < end:
            made_early += values[0]
        made_later[p] = sum(
            size * value
            for a, (size, value) in enumerate(zip(data.attempts, values, strict=True))
            if a > 0 or need >= end
        )

    def pairs(each: dict[int, float]) -> float:
        return sum(each.values()) ** 2 - sum(x * x for x in each.values())

    parts = [
        (data.shares[1], made_early, sum(early.values())),
        (data.shares[2], sum(made_later.values()), sum(later.values())),
        (data.shares[3], pairs(made_later), pairs(later)),
    ]
    used = [(share, made, mean) for share, made, mean in parts if mean > 0.0]
    whole = data.shares[0] + sum(share for share, _, _ in used)
    times = data.shares[0] + sum(share * made / mean for share, made, mean in used)
    return -math.log(times / whole)


@pytest.mark.parametrize("toward", [1.0, -1.0])
@pytest.mark.parametrize("changes", [SMALL, {**SMALL, "operation.parties": BIG}])
def test_weights_are_those_of_a_slow_count(
    toward: float, changes: dict[str, Any], seed_offset: int
) -> None:
    model = prepare(edited(changes))
    data = call_tilt(model, toward=toward)
    assert data is not None
    flights, versions, weights = _leaned(model, data, seed=5 + seed_offset, loads=5, walks=4)
    slow = [
        _oracle(model, data, 5 + seed_offset, int(flight), versions[i : i + 1])
        for i, flight in enumerate(flights)
    ]
    np.testing.assert_allclose(weights, slow, atol=1e-9)
    assert np.ptp(weights) > 0.5


def test_only_who_calls_is_drawn_anew(seed_offset: int) -> None:
    model = prepare(edited({}))
    data = call_tilt(model, toward=1.0)
    assert data is not None
    _, versions, weights = _leaned(model, data, seed=seed_offset, loads=50, walks=8)
    moving = versions[:, _movement(model)]
    walk = np.tile(np.arange(8), 50)[:, None]
    others = np.delete(versions, np.arange(versions.shape[1])[_movement(model)], axis=1)
    assert set(np.unique(others)) <= set(range(8))
    told = moving >= TOLD
    assert (moving[~told] == np.broadcast_to(walk, moving.shape)[~told]).all()
    assert set(told.sum(axis=1)) == {0, 1, 2}
    assert (moving[told] % 64 == np.broadcast_to(walk, moving.shape)[told]).all()
    assert weights.max() <= math.log(1.0 / data.shares[0])


def test_a_walk_does_not_depend_on_those_beside_it(seed_offset: int) -> None:
    model = prepare(edited({}))
    data = call_tilt(model, toward=-1.0)
    assert data is not None
    _, versions, weights = _leaned(model, data, seed=seed_offset, loads=6, walks=8)
    _, fewer, own = _leaned(model, data, seed=seed_offset, loads=4, walks=3)
    same = (np.arange(6)[:, None] < 4) & (np.arange(8) < 3)
    np.testing.assert_array_equal(fewer, versions[same.ravel()])
    np.testing.assert_array_equal(own, weights[same.ravel()])


def test_flights_of_one_number_are_leaned_otherwise_in_every_sample(seed_offset: int) -> None:
    """Pilot and main flights of all strengths have the same numbers, and nothing else alike."""
    model = prepare(edited({}))
    aim = aim_at(model, envelope_score(model, side="aft"), seed=7 + seed_offset, jobs=2)
    leaner = Leaner(aim, 2, Meter())
    samples = [
        np.log(leaner.fly(strength, seed, 0, 400, same_for_all(2)).walk_weights).ravel()
        for strength, seed in ((0.0, 31), (1.0, 32), (1.0, 33))
    ]
    for one, other in itertools.combinations(samples, 2):
        assert abs(np.corrcoef(one, other)[0, 1]) < 4.5 / one.size**0.5


@pytest.mark.parametrize(
    "changes",
    [
        {"operation.behaviour.companion_share": 0.0},
        {"operation.parties": []},
        NOBODY_UP,
    ],
)
def test_nothing_is_leaned_where_nobody_takes_others_along(changes: dict[str, Any]) -> None:
    assert call_tilt(prepare(edited(changes)), toward=1.0) is None


@pytest.mark.parametrize("toward", [1.0, -1.0])
def test_weights_undo_the_leaning(toward: float, seed_offset: int) -> None:
    """Means of figures of the cabin are those of ordinary flights, within 4.5 standard errors."""
    model = prepare(edited(SMALL))
    data = call_tilt(model, toward=toward)
    assert data is not None
    seed, loads, walks = 21 + seed_offset, 1500, 8
    flights, versions, log_weights = _leaned(model, data, seed=seed, loads=loads, walks=walks)
    weights = np.exp(log_weights)
    names = ("trips", "most_up", "longest_queue", "turned_back", "put_off")
    columns = [model.columns.index(name) for name in names if name in model.columns]
    assert len(columns) >= 3
    leaned = fly_block(model, seed=seed, flights=flights, versions=versions)[:, columns]
    plain = fly_block(model, seed=seed + 1, flights=np.arange(6000, dtype=np.uint32))[:, columns]
    by_load = (leaned * weights[:, None]).reshape(loads, walks, -1).mean(axis=1)
    error = np.hypot(by_load.std(axis=0) / loads**0.5, plain.std(axis=0) / 6000**0.5)
    assert (np.abs(by_load.mean(axis=0) - plain.mean(axis=0)) < 4.5 * error).all()
    each = weights.reshape(loads, walks).mean(axis=1)
    assert abs(each.mean() - 1.0) < 4.5 * each.std() / loads**0.5


def test_big_moves_are_likelier_and_their_chance_is_the_same(seed_offset: int) -> None:
    model = prepare(edited({}))
    aim = aim_at(model, envelope_score(model, side="aft"), seed=2 + seed_offset, jobs=2)
    found = {}
    for name, own in (("leaned", aim), ("plain", replace(aim, calls=None))):
        flown = Leaner(own, 2, Meter()).fly(0.0, 4 + seed_offset, 0, 2500, same_for_all(16))
        moved = flown.scores - flown.loads[:, None]
        found[name] = moved, flown.walk_weights
    for far in (0.5, 1.0):
        means, errors = zip(
            *(
                (each.mean(), each.std() / each.size**0.5)
                for moved, weights in found.values()
                for each in [np.where(moved > far, weights, 0.0).mean(axis=1)]
            ),
            strict=True,
        )
        assert abs(means[0] - means[1]) < 4.5 * math.hypot(*errors), far
    moved, _ = found["leaned"]
    assert (found["plain"][1] == 1.0).all()
    assert (moved > 2.0).sum() > 10 * max((found["plain"][0] > 2.0).sum(), 1)

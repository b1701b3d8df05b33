"""Life in the cabin: one flight's passengers from event to event.

The law is written in ``cgrisk.flight.cabin_life``. Carts are laid down before (``rounds``); each
passenger has at most one event to come (``agenda``), so that nothing grows faster than the number
of trips.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.agenda import clear, next_time, schedule
from cgrisk.flight.kernel.crowds import draw_surge, join_rush, pick_surge
from cgrisk.flight.kernel.data import CallData, CrowdData, PlacesData, UrgeData
from cgrisk.flight.kernel.keys import Keys, fill_words, version_of, words
from cgrisk.flight.kernel.moves import Diary, Moves
from cgrisk.flight.kernel.people import People
from cgrisk.flight.kernel.rounds import Records, Rounds, turn_to
from cgrisk.flight.kernel.told_words import told_word
from cgrisk.flight.kernel.trips import (
    GALLEY,
    MOVEMENT,
    SURGE,
    Cabin,
    arrive,
    clear_tally,
    come_out,
    end_of_leg,
    leave,
    new_attempt,
    set_out,
    sit,
    start_aisle,
    wait_for_next,
    want,
)
from cgrisk.flight.kernel.urges import stretch_at
from cgrisk.flight.kernel.walk import (
    ABSENT,
    ARRIVES,
    BACK,
    INSIDE,
    OUT,
    SITS,
    STANDS,
    WAITS,
    Life,
    follow_cart,
    hurry_back,
)
from cgrisk.flight.kernel.ways import EITHER, is_free
from cgrisk.randomness.variates import index, uniform, uniform53

__all__ = ["live"]

_SIGN_ON, _RECALL = 1, 2  # kinds of a call; 0 is sign off


@kernel
def _send_back(cabin: Cabin, time_s: float) -> None:
    """Send back all but those in a lavatory, as the sign is lit."""
    for g in range(cabin.life.queues.size):
        cabin.life.queues[g].waiting = 0
    for p in range(cabin.life.persons.size):
        person = cabin.life.persons[p]
        if person.state == OUT or person.state == WAITS or person.state == STANDS:
            leave(cabin, p, time_s, start_aisle(person))


@kernel
def _recall(cabin: Cabin, time_s: float, seated_s: float) -> None:
    """All go back at once, to sit at ``seated_s``."""
    for g in range(cabin.life.queues.size):
        cabin.life.queues[g].waiting = 0
    for p in range(cabin.life.persons.size):
        person = cabin.life.persons[p]
        if person.state == ABSENT or person.state == SITS:
            continue
        if person.state == INSIDE:
            come_out(cabin, p, time_s, False)
        if person.purpose == GALLEY and person.state != BACK:
            cabin.life.coming[person.place] -= 1
        person.again = 0
        hurry_back(cabin.life, p, time_s, seated_s, cabin.moves, cabin.diary)


@kernel
def _surge(
    cabin: Cabin,
    crowd: CrowdData,
    keys: Keys,
    row: int,
    people: People,
    time_s: float,
    toward: int,
) -> None:
    """Send many to one end of the cabin."""
    cabin.tally[0].stretch = stretch_at(cabin.urge, time_s, cabin.tally[0].stretch)
    if cabin.urge.barred[cabin.tally[0].stretch]:
        return
    cabin.tally[0].surge = 1
    wanting = pick_surge(
        crowd, keys, row, people.words, cabin.life, people.order, people.score, people.stack
    )
    places = cabin.places
    end = places.end_arm_m[0 if toward < 0 else 1]
    taken_0, taken_1 = 0, 0
    for i in range(wanting):
        p = people.order[i]
        person = cabin.life.persons[p]
        taken = taken_0 if person.home_aisle == 0 else taken_1
        place = end - toward * places.spacing_m * taken
        if person.state != SITS or toward * (place - person.home_m) <= 0.0:
            continue
        if not is_free(cabin.rounds, person.home_aisle, person.home_m, place, time_s):
            continue
        if person.home_aisle == 0:
            taken_0 += 1
        else:
            taken_1 += 1
        new_attempt(cabin, keys, row, p)
        person.purpose = SURGE
        person.stay_s = time_s + crowd.surge_stay_s
        set_out(cabin, p, time_s, person.home_aisle, math.nan, place)


@kernel
def _start(cabin: Cabin, keys: Keys, row: int, people: People) -> None:
    """Everybody sits; first urges."""
    places, urge, life = cabin.places, cabin.urge, cabin.life
    persons = life.persons.size
    fill_words(keys, row, MOVEMENT, 0, persons, 0, people.words)
    clear(life.agenda)
    for p in range(persons):
        person, seat = life.persons[p], people.seat[p]
        person.trips = 0
        if seat < 0:
            person.state = ABSENT
            continue
        person.state = SITS
        person.home_aisle = places.seat_aisle[seat]
        person.travels = places.seat_class[seat]
        # Asleep where his word is below the share times his class's factor.
        person.sleep = uniform(people.words[2, p]) / urge.class_asleep[person.travels]
        person.mass_kg = people.body_kg[p]
        person.speed_mps = -1.0
        person.pace_mps = 0.0
        person.again = 0
        person.attempt = 0
        person.held = 0
        person.rush_s = math.inf
        person.need_word = told_word(int(version_of(keys, row, MOVEMENT, p)), people.words[0, p])
        person.speed_word = people.words[1, p]
        wait_for_next(cabin, urge.seat_rate_per_s[seat], seat, p, 0.0)


@kernel
def _open_lavatories(cabin: Cabin, keys: Keys, row: int) -> None:
    """Empty the lavatories, and close one of them on some flights."""
    places, life = cabin.places, cabin.life
    queues, opened = life.queues, 0
    for g in range(queues.size):
        queues[g].waiting = 0
        queues[g].inside = 0
        queues[g].open = places.lavatory_count[g]
        opened += places.lavatory_count[g]
    if places.closed_chance > 0.0 and opened > 0:
        w0, w1, w2, _w3 = words(keys, row, MOVEMENT, cabin.life.persons.size, 0)
        if uniform53(w0, w1) < places.closed_chance:
            which, g = index(uniform(w2), opened), 0
            while which >= queues[g].open:
                which -= queues[g].open
                g += 1
            queues[g].open -= 1
    for travels in range(life.open_to.size):
        life.open_to[travels] = 0
        for g in range(queues.size):
            if places.class_lavatory[travels, g]:
                life.open_to[travels] += queues[g].open
        life.nowhere[travels] = 1 if life.open_to[travels] == 0 else 0
        for place in range(places.galley_room.size):
            if places.class_galley[travels, place] and places.galley_room[place] > 0:
                life.nowhere[travels] = 0


@kernel
def live(
    places: PlacesData,
    urge: UrgeData,
    calls: CallData,
    crowd: CrowdData,
    seat_arm_m: NDArray[np.float64],
    end_s: float,
    keys: Keys,
    row: int,
    people: People,
    rounds: Rounds,
    life: Life,
    moves: Moves,
    diary: Diary,
    tally: Records,
) -> None:
    """Live one flight: write the passengers' changes of moment and the figures of the cabin."""
    moves.filled[0] = 0
    clear_tally(tally, places.water_kg)
    cabin = Cabin(places, urge, life, rounds, moves, diary, tally)
    for k in range(rounds.carts.size):
        rounds.carts[k].cursor = rounds.carts[k].first
    _open_lavatories(cabin, keys, row)
    life.coming[:] = 0
    for p in range(life.persons.size):
        if people.seat[p] >= 0:
            person = life.persons[p]
            person.home_m = seat_arm_m[people.seat[p]]
            person.arm_m = person.home_m
            person.since_s = 0.0
    _start(cabin, keys, row, people)
    surge_s, toward = draw_surge(crowd, keys, row, life.persons.size)
    call, sign_offs = 0, 0
    while True:
        soonest = next_time(life.agenda)
        call_s = calls.time_s[call] if call < calls.time_s.size else math.inf
        now = min(soonest, call_s, surge_s)
        if now >= end_s:
            break
        turn_to(rounds, now)
        if call_s == now:
            if calls.kind[call] == _RECALL:
                _recall(cabin, now, calls.seated_s[call])
            elif calls.kind[call] == _SIGN_ON:
                _send_back(cabin, now)
            else:
                if join_rush(crowd, keys, row, sign_offs, now, people.words, life) > 0:
                    for p in range(life.persons.size):
                        person = life.persons[p]
                        if person.state == SITS and person.rush_s < math.inf:
                            schedule(life.agenda, p, min(person.urge_s, person.rush_s))
                sign_offs += 1
            call += 1
            continue
        if surge_s == now:
            _surge(cabin, crowd, keys, row, people, now, toward)
            surge_s = math.inf
            continue
        p = life.agenda.heap[0]
        person, seat = life.persons[p], people.seat[p]
        rate = urge.seat_rate_per_s[seat]
        if person.state == SITS:
            want(cabin, keys, row, people.party, seat, rate, p, now)
        elif person.state == OUT:
            arrive(cabin, p, now)
        elif person.state == INSIDE:
            come_out(cabin, p, now, True)
            leave(cabin, p, now, EITHER)
        elif person.state == STANDS:
            leave(cabin, p, now, start_aisle(person))
        elif person.next_is != ARRIVES:
            follow_cart(life, rounds, p, now, moves, diary)
        elif end_of_leg(cabin, p, now):
            sit(cabin, rate, seat, p, now)
    for p in range(life.persons.size):
        person = life.persons[p]
        if person.state != ABSENT and person.state != SITS:
            tally[0].up_s += end_s - person.out_s
            tally[0].stopped += person.held

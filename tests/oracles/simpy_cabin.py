"""Passengers, lavatories, galleys and crowds of the slow second version of the cabin."""

from __future__ import annotations

from collections.abc import Generator
from itertools import pairwise
from math import inf
from typing import Any

import numpy as np
import simpy

from cgrisk.aircraft import CabinPlan
from cgrisk.scenario import Scenario
from tests.oracles.simpy_boarding import Person, board, lognormal
from tests.oracles.simpy_crew import SAME_ARM, CabinCrew, Ledger, Mover, TimeTable
from tests.oracles.simpy_places import CrowdPlace, Galley, Group, Trip, Want, admits

Steps = Generator[Any, Any, Any]


class CabinLife:
    """One flight in the cabin."""

    def __init__(
        self, scenario: Scenario, plan: CabinPlan, table: TimeTable, rng: np.random.Generator
    ) -> None:
        self.plan, self.table, self.rng = plan, table, rng
        self.behaviour, self.crowd = scenario.operation.behaviour, scenario.operation.crowd
        cabin = scenario.aircraft.cabin
        self.env, self.ledger = simpy.Environment(), Ledger()
        self.groups = [Group(spec, self.behaviour.queue_spacing) for spec in cabin.lavatories]
        self.galleys = [Galley(spec) for spec in cabin.galleys]
        self.close_a_lavatory()
        #: Arms where one may change from one aisle to the other.
        self.changes = [place.arm for place in (*self.groups, *self.galleys)]
        self.aisles = int(plan.aisle.max()) + 1 if plan.seats else 1
        self.cart_news = [self.env.event() for _ in range(self.aisles)]
        self.water = cabin.water
        self.potable = self.water.mass if self.water else 0.0
        self.waste = 0.0
        self.lit = table.phases[0][2].sign
        self.barred = False
        self.sits_by = inf  # start of the seated stretch, after its recall
        self.up = self.most_up = self.longest_queue = 0
        self.up_seconds = 0.0
        self.waits: list[float] = []
        self.put_off = self.turned_back = self.stopped = 0
        self.aboard = board(scenario, plan, rng)
        self.crew = CabinCrew(
            scenario, plan, table, self.env, self.ledger, self.aboard, rng, self.tell, self.ate
        )
        own = {spec.name: spec for spec in scenario.operation.classes}
        for person in self.aboard:
            person.travels = plan.classes[plan.class_index[person.seat]]
            spec = own.get(person.travels)
            person.restless = 1.0 if spec is None else spec.getting_up
            person.sleeps_where = (rng.random(), 1.0 if spec is None else spec.asleep)
            person.mover = Mover(self.env, self.ledger, person.body_kg, person.arm)
            person.process = self.env.process(self.live(person))
        self.env.process(self.sign())
        self.env.process(self.recalls())
        self.env.process(self.surge())

    def close_a_lavatory(self) -> None:
        """Put one lavatory, whichever it is, out of use on some flights."""
        doors = [group for group in self.groups for _ in range(group.usable)]
        chance = self.behaviour.lavatory_closed
        if doors and chance > 0.0 and self.rng.random() < chance:
            doors[self.rng.integers(len(doors))].usable -= 1

    def fly(self) -> None:
        """Run to the end of the flight."""
        self.env.run(until=self.table.end)
        for person in self.aboard:
            if person.doing != "sits":
                self.up_seconds += self.table.end - person.rose_at

    # --- news ------------------------------------------------------------------------------

    def tell(self, aisle: int) -> None:
        """Tell those who walk in an aisle that a cart in it has started, stopped or gone."""
        if aisle < self.aisles:
            news, self.cart_news[aisle] = self.cart_news[aisle], self.env.event()
            news.succeed()

    def ate(self, person: Person) -> None:
        """A cart with trays leaves his row."""
        person.meals.append((self.env.now, self.env.now + 60.0 * self.crowd.after_meal))
        if person.doing == "sits":
            person.process.interrupt("meal")

    # --- ways ------------------------------------------------------------------------------

    def free(self, aisle: int, start: float, end: float, met: Any = None) -> bool:
        """Say whether no cart stands in an aisle between two arms, both ends included.

        The cart that has just turned somebody back is in his way only on its own side of him.
        """
        low, high = min(start, end) - SAME_ARM, max(start, end) + SAME_ARM
        for cart in self.crew.carts:
            if not cart.out or cart.aisle != aisle or not low <= cart.arm <= high:
                continue
            if met is not None and met[0] is cart and abs(cart.arm - start) <= SAME_ARM:
                _, direction = met
                if (end - start) * direction <= 0.0:
                    continue
            return False
        return True

    def best_change(
        self, first: int, start: float, second: int, end: float, met: Any = None
    ) -> tuple[float, float] | None:
        """Return (length, arm) of the best change of aisle between two arms, if any is free."""
        best = None
        for arm in self.changes:
            if not self.free(first, start, arm, met) or not self.free(second, arm, end):
                continue
            length = abs(arm - start) + abs(end - arm)
            if best is None or length < best[0] - SAME_ARM:
                best = (length, arm)
        return best

    def way_out(self, person: Person, arm: float) -> tuple[float, float | None] | None:
        """Return (length, place of change or None) of his way from his seat to an arm."""
        if self.free(person.aisle, person.arm, arm):
            return abs(arm - person.arm), None
        if self.aisles == 2:
            return self.best_change(person.aisle, person.arm, 1 - person.aisle, arm)
        return None

    def way_back(self, person: Person) -> list[tuple[int, float]]:
        """Return the legs (aisle, arm to walk to) of his way to his seat."""
        own, here, seat = person.aisle, person.mover.arm, person.arm
        other = 1 - own
        home = [(own, seat)]
        if person.in_aisle == other:
            best = self.best_change(other, here, own, seat, person.met)
            if best is not None:
                return [(other, best[1]), *home]
            return [(other, min(self.changes, key=lambda arm: abs(arm - here))), *home]
        if person.in_aisle == own or self.aisles == 1 or self.free(own, here, seat):
            return home
        best = self.best_change(other, here, own, seat)
        return home if best is None else [(other, best[1]), *home]

    # --- wanting ---------------------------------------------------------------------------

    def time_of_urge(self, person: Person) -> float:
        """Return when what has grown since he sat down reaches what he needs."""
        rate = (
            self.behaviour.trips_window,
            self.behaviour.trips_middle,
            self.behaviour.trips_aisle,
        )[person.position] / 3600.0
        rate *= person.restless
        need = person.urge_needed
        for begin, end, factor in self.table.pieces:
            start = max(begin, person.sat_at)
            if start >= end:
                continue
            marks = {start, end} | {t for meal in person.meals for t in meal if start < t < end}
            times = sorted(marks)
            for a, b in pairwise(times):
                grows = 0.0 if self.asleep(person, (a + b) / 2.0) else rate * factor
                if any(left < (a + b) / 2.0 < over for left, over in person.meals):
                    grows *= self.crowd.after_meal_factor
                if grows > 0.0 and grows * (b - a) >= need:
                    return a + need / grows
                need -= grows * (b - a)
        return inf

    def asleep(self, person: Person, time: float) -> bool:
        """Say whether he sleeps through the phase of a time."""
        phase = next(phase for begin, end, phase in self.table.phases if begin <= time < end)
        number, factor = person.sleeps_where
        return number < phase.asleep * factor

    def new_want(self, person: Person) -> Want | None:
        """Draw what one gets up for; None where there is nothing to go to."""
        lavatory = self.rng.random() < self.behaviour.lavatory_share
        standing = any(place.standing > 0 for place in self.galleys if admits(place, person))
        usable = any(group.usable > 0 for group in self.groups if admits(group, person))
        if not usable and not standing:
            return None
        if not usable or not standing:
            lavatory = usable
        return self.want_for("lavatory" if lavatory else "galley")

    def want_for(self, purpose: str) -> Want:
        """Draw a time for a purpose."""
        b = self.behaviour
        if purpose == "galley":
            return Want(purpose, self.rng.exponential(60.0 * b.standing_mean))
        if b.lavatory_law == "exponential":
            return Want(purpose, self.rng.exponential(b.lavatory_mean))
        return Want(purpose, lognormal(self.rng, b.lavatory_mean, b.lavatory_cv))

    def set_out(self, person: Person, want: Want) -> Trip | None:
        """Choose where he goes; he and his companions get up. None if he has no way or room."""
        places: list[Any] = (
            [group for group in self.groups if group.has_room(self.behaviour.queue_limit)]
            if want.purpose == "lavatory"
            else [galley for galley in self.galleys if galley.room]
        )
        best: Any = None
        chosen: Any = None
        for place in filter(lambda place: admits(place, person), places):
            way = self.way_out(person, place.arm)
            if way is not None and (best is None or way[0] < best[0] - SAME_ARM):
                best, chosen = way, place
        if best is None:
            self.put_off += 1
            return None
        trip = Trip(chosen, best[1], want)
        self.rise(person, trip)
        for other in person.party:
            if other.doing != "sits" or self.asleep(other, self.env.now):
                continue
            if self.rng.random() >= self.behaviour.companion_share:
                continue
            way = self.way_out(other, chosen.arm)
            full = (
                not chosen.room
                if isinstance(chosen, Galley)
                else not chosen.has_room(self.behaviour.queue_limit)
            )
            if way is None or full or not admits(chosen, other):
                continue
            along = Trip(chosen, way[1], self.want_for(want.purpose))
            self.rise(other, along)
            other.process.interrupt(along)
        return trip

    def rise(self, person: Person, trip: Trip) -> None:
        """He leaves his seat."""
        person.doing, person.rose_at, person.in_aisle = "out", self.env.now, person.aisle
        person.times_up += 1
        self.up += 1
        self.most_up = max(self.most_up, self.up)
        if isinstance(trip.place, Galley):
            trip.place.people.append(person)

    # --- life ------------------------------------------------------------------------------

    def live(self, person: Person) -> Steps:
        """Sit, go, come back, again and again."""
        want = None
        while True:
            trip = yield from self.sit(person, want)
            want = None
            person.met = None
            try:
                yield from self.visit(person, trip)
                if person.met is not None:
                    self.turned_back += 1
                    want = trip.want
                person.doing = "back"
                yield from self.go_back(person)
            except simpy.Interrupt:  # the recall: nothing else calls one who walks back
                person.doing = "back"
                yield from self.hurry(person)
            person.mover.put(person.arm)
            person.doing = "sits"
            self.up -= 1
            self.up_seconds += self.env.now - person.rose_at

    def sit(self, person: Person, want: Want | None) -> Steps:
        """Sit, with a second try ahead or with a growing urge, until he goes; return the trip."""
        while True:
            if want is None:
                person.sat_at = self.env.now
                person.urge_needed = self.rng.exponential()
                due = self.time_of_urge(person)
            else:
                due = self.env.now + self.rng.exponential(60.0 * self.behaviour.retry_mean)
            call = "meal"
            while call == "meal":
                try:
                    if due < self.table.end:
                        yield self.env.timeout(due - self.env.now)
                    else:
                        yield self.env.event()  # never
                    call = "due"
                except simpy.Interrupt as interrupt:
                    call = interrupt.cause
                    if isinstance(call, Trip):
                        return call
                    if call == "meal" and want is None:
                        due = self.time_of_urge(person)
            if call == "due" and want is not None and (self.lit or self.barred):
                want = None  # he gives it up
                continue
            if call == "rush" or want is None:
                want = self.new_want(person)
                if want is None:
                    continue
            trip = self.set_out(person, want)
            if trip is not None:
                return trip

    def visit(self, person: Person, trip: Trip) -> Steps:
        """Walk out and stay. Ends early at a cart (``person.met``), a lit sign or a recall."""
        place = trip.place
        try:
            yield from self.walk_out(person, trip)
            if person.met is None and isinstance(place, Group):
                yield from self.use_lavatory(person, trip)
            elif person.met is None:
                person.doing = "stands"
                if isinstance(place, Galley):
                    person.in_aisle = None
                    yield self.env.timeout(trip.want.seconds)  # type: ignore[union-attr]
                else:
                    yield self.env.timeout(max(0.0, place.until - self.env.now))
        except simpy.Interrupt as interrupt:
            self.leave(person, place)
            if interrupt.cause == "recall":
                raise
            return
        self.leave(person, place)

    def leave(self, person: Person, place: Any) -> None:
        """He leaves a lavatory or a galley, or gives up a way to it."""
        if isinstance(place, Galley):
            place.people.remove(person)
        elif isinstance(place, Group) and person in place.inside:
            place.inside.remove(person)
            if self.water is not None:
                kg = min(self.behaviour.water_per_visit, self.potable)
                self.potable -= kg
                self.waste += kg
                moved = kg * (self.water.waste_arm - self.water.potable_arm)
                self.ledger.note(self.env.now, jump=moved)
            if place.queue:
                first = place.queue.pop(0)
                self.go_in(first, place)
                first.turn.succeed()
                for number, other in enumerate(place.queue, start=1):
                    other.mover.put(place.place(number))

    def use_lavatory(self, person: Person, trip: Trip) -> Steps:
        """Join the queue or go in; stay inside for his time."""
        group = trip.place
        person.joined, person.in_aisle = self.env.now, None
        if group.open:
            self.go_in(person, group)
        else:
            person.mover.put(group.tail)
            person.doing, person.turn = "queues", self.env.event()
            group.queue.append(person)
            self.longest_queue = max(self.longest_queue, len(group.queue))
            yield person.turn
        yield self.env.timeout(trip.want.seconds)  # type: ignore[union-attr]

    def go_in(self, person: Person, group: Group) -> None:
        """He enters a lavatory."""
        group.inside.append(person)
        person.doing = "inside"
        person.mover.put(group.arm)
        self.waits.append(self.env.now - person.joined)

    # --- walking ---------------------------------------------------------------------------

    def walk_out(self, person: Person, trip: Trip) -> Steps:
        """Walk to the tail, the galley or the place in a crowd, or until he meets a cart."""
        place = trip.place
        goal = place.tail if isinstance(place, Group) else place.arm
        if trip.change is not None:
            yield from self.walk(person, trip.change, stops=False)
            if person.met is not None:
                return
            person.in_aisle = 1 - person.aisle
        yield from self.walk(person, goal, stops=False)
        while person.met is None and isinstance(place, Group):
            here, tail = person.mover.arm, place.tail
            far = abs(tail - here) > 1.5 * self.behaviour.queue_spacing
            if not (far and abs(tail - place.arm) < abs(here - place.arm)):
                return
            yield from self.walk(person, tail, stops=False)

    def go_back(self, person: Person) -> Steps:
        """Walk to his seat, stopping behind carts."""
        person.delayed = False
        for aisle, goal in self.way_back(person):
            person.in_aisle = aisle
            yield from self.walk(person, goal, stops=True)

    def nearest_ahead(self, person: Person, direction: float, velocity: float) -> tuple[float, Any]:
        """Return after how many seconds he is at a cart's arm, the cart ahead of him, and it."""
        first: tuple[float, Any] = (inf, None)
        for cart in self.crew.carts:
            if not cart.out or cart.aisle != person.in_aisle:
                continue
            gap = (cart.arm - person.mover.arm) * direction
            if person.met is not None and person.met[0] is cart and abs(gap) <= SAME_ARM:
                continue  # he has just turned his back to it
            if gap < -SAME_ARM:
                continue
            closing = (velocity - cart.speed) * direction
            if closing > 0.0:
                first = min(first, (max(gap, 0.0) / closing, cart), key=lambda pair: pair[0])
        return first

    def walk(self, person: Person, goal: float, *, stops: bool) -> Steps:
        """Walk in his aisle to an arm. At a cart he stops behind it, or turns back (``met``)."""
        behind: Any = None
        while abs(goal - person.mover.arm) > SAME_ARM:
            here = person.mover.arm
            direction = 1.0 if goal > here else -1.0
            if behind is not None and (not behind.out or behind.speed * direction > person.speed):
                behind = None
            followed, began = behind, self.env.now
            velocity = direction * person.speed if behind is None else behind.speed
            wait, cart = inf, None
            if behind is None:
                wait, cart = self.nearest_ahead(person, direction, velocity)
            reach = abs(goal - here) / abs(velocity) if velocity * direction > 0.0 else inf
            person.mover.put(here, velocity)
            news = self.cart_news[person.in_aisle]  # type: ignore[index]
            # Where seat and cart are at one arm he sits down; on the way out he meets the cart.
            slack = -SAME_ARM if stops else SAME_ARM
            meets = wait < reach + slack
            until = wait if meets else reach
            if until == inf:
                yield news
            else:
                yield self.env.timeout(until) | news
                if self.env.now < began + until - 1e-9:
                    pass  # a cart has started or stopped: look again
                elif not meets:
                    person.mover.put(goal)
                elif stops:
                    behind = cart
                    person.mover.put(cart.arm)
                else:
                    person.met = (cart, direction)
                    person.mover.put(cart.arm)
                    return
            if followed is not None and self.env.now > began and not person.delayed:
                person.delayed = True
                self.stopped += 1
        person.mover.put(goal)

    def hurry(self, person: Person) -> Steps:
        """Go straight to his seat, to sit when the seated stretch starts at the latest."""
        distance = person.arm - person.mover.arm
        seconds = min(abs(distance) / person.speed, self.sits_by - self.env.now)
        if seconds > 0.0:
            person.mover.put(person.mover.arm, distance / seconds)
            yield self.env.timeout(seconds)

    # --- what moves many --------------------------------------------------------------------

    def sign(self) -> Steps:
        """Switch the seat-belt sign at the start of the phases."""
        for start, _, phase in self.table.phases[1:]:
            yield self.env.timeout(start - self.env.now)
            if phase.sign and not self.lit:
                self.lit = True
                for group in self.groups:
                    group.queue.clear()
                for person in self.aboard:
                    if person.doing in ("out", "queues", "stands"):
                        person.process.interrupt("sign")
            elif self.lit and not phase.sign:
                self.lit = False
                for person in self.aboard:
                    if self.rng.random() < self.crowd.sign_off_share:
                        self.env.process(self.rush(person))

    def rush(self, person: Person) -> Steps:
        """Get up some minutes after the sign goes off."""
        yield self.env.timeout(self.rng.exponential(60.0 * self.crowd.sign_off_minutes))
        if self.lit or self.barred or self.asleep(person, self.env.now):
            return
        if person.doing == "sits":
            person.process.interrupt("rush")

    def recalls(self) -> Steps:
        """Send everybody to his seat before take-off and landing."""
        for recall, start, end in self.table.stretches:
            yield self.env.timeout(recall - self.env.now)
            self.barred, self.sits_by = True, start
            for group in self.groups:
                group.queue.clear()
            for person in self.aboard:
                if person.doing != "sits":
                    person.process.interrupt("recall")
            yield self.env.timeout(end - self.env.now)
            self.barred = False

    def surge(self) -> Steps:
        """Many go to one end of the cabin."""
        cruise = sum(end - start for start, end in self.table.cruises)
        if self.rng.random() >= self.crowd.surge_probability or cruise == 0.0:
            return
        into = self.rng.uniform(0.0, cruise)
        for start, end in self.table.cruises:
            if into <= end - start:
                break
            into -= end - start
        yield self.env.timeout(start + into)
        if self.barred:
            return
        toward = self.crowd.surge_toward
        if toward == "either":
            toward = "fore" if self.rng.random() < 0.5 else "aft"
        endmost = self.plan.arm_m.min() if toward == "fore" else self.plan.arm_m.max()
        inward = 1.0 if toward == "fore" else -1.0
        taken = [0] * self.aisles
        until = self.env.now + 60.0 * self.crowd.surge_minutes
        order = self.rng.permutation(len(self.aboard))[: self.crowd.surge_people]
        for person in (self.aboard[number] for number in order):
            spot = float(endmost + inward * taken[person.aisle] * self.behaviour.queue_spacing)
            nearer = (person.arm - spot) * inward > SAME_ARM
            if person.doing == "sits" and nearer and self.free(person.aisle, person.arm, spot):
                taken[person.aisle] += 1
                trip = Trip(CrowdPlace(spot, until), None, None)
                self.rise(person, trip)
                person.process.interrupt(trip)

"""Time table, moments, carts and crew of the slow second version of the cabin."""

from __future__ import annotations

from collections.abc import Callable, Generator
from itertools import pairwise
from math import inf
from typing import Any

import numpy as np
import simpy

from cgrisk.aircraft import CabinPlan
from cgrisk.scenario import Scenario
from tests.oracles.simpy_boarding import Person

SEATED = ("take_off", "landing")
IN_FLIGHT = ("climb", "cruise", "descent")
#: Arms (m) that differ by less are one: means of equal numbers may differ in the last bit.
SAME_ARM = 1e-9


class TimeTable:
    """Phases in seconds from the start of taxi, seated stretches, and the factor of the urge."""

    def __init__(self, operation: Any) -> None:
        self.phases: list[tuple[float, float, Any]] = []
        clock = 0.0
        for phase in operation.phases:
            self.phases.append((clock, clock + 60.0 * phase.minutes, phase))
            clock = self.phases[-1][1]
        self.end = clock
        self.stretches: list[tuple[float, float, float]] = []  # recall, start, end
        last_end = 0.0
        for start, end, phase in self.phases:
            if phase.kind not in SEATED:
                continue
            if self.stretches and self.stretches[-1][2] == start:
                recall, first, _ = self.stretches.pop()
            else:
                recall = max(start - 60.0 * operation.behaviour.recall_minutes, last_end)
                first = start
            self.stretches.append((recall, first, end))
            last_end = end
        self.recalls = [recall for recall, _, _ in self.stretches]
        cruises = [(a, b) for a, b, phase in self.phases if phase.kind == "cruise"]
        self.cruises = cruises
        self.cruise_start = cruises[0][0] if cruises else inf
        marks = {0.0, self.end}
        factor_before_landing, rise = operation.crowd.before_landing_factor, (inf, inf)
        called = [recall for recall, start, _ in self.stretches if start > self.cruise_start]
        if called and called[0] > self.cruise_start:
            begin = called[0] - 60.0 * operation.crowd.before_landing
            rise = (max(begin, self.cruise_start), called[0])
            marks |= set(rise)
        for a, b, _ in self.phases:
            marks |= {a, b}
        for recall, _, end in self.stretches:
            marks |= {recall, end}
        times = sorted(marks)
        #: (from, to, factor on everybody's rate of getting up), without the meals.
        self.pieces: list[tuple[float, float, float]] = []
        for a, b in pairwise(times):
            middle = (a + b) / 2.0
            phase = next(phase for s, e, phase in self.phases if s < middle < e)
            factor = phase.getting_up
            if phase.sign:
                factor *= operation.behaviour.sign_factor
            if rise[0] < middle < rise[1]:
                factor *= factor_before_landing
            if any(recall < middle < end for recall, _, end in self.stretches):
                factor = 0.0
            self.pieces.append((a, b, factor))


class Ledger:
    """The moment of movement as jumps and changes of slope in time."""

    def __init__(self) -> None:
        self.entries: list[tuple[float, float, float]] = []

    def note(self, time: float, *, jump: float = 0.0, slope: float = 0.0) -> None:
        """Note a jump of the moment (kg m) and a change of its slope (kg m/s)."""
        self.entries.append((time, jump, slope))

    def curve(self, end: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Return times, the moment before and after each, and the slope after, from 0 to end.

        What happens within a microsecond is one event: a value between counts only if it lasts.
        """
        times, before, after, slopes = [0.0], [0.0], [0.0], [0.0]
        for time, jump, slope in sorted(self.entries, key=lambda entry: entry[0]):
            if time - times[-1] > 1e-6:
                value = after[-1] + slopes[-1] * (time - times[-1])
                times.append(time)
                before.append(value)
                after.append(value)
                slopes.append(slopes[-1])
            after[-1] += jump
            slopes[-1] += slope
        times.append(end)
        value = after[-1] + slopes[-1] * (end - times[-2])
        before.append(value)
        after.append(value)
        slopes.append(slopes[-1])
        return np.array(times), np.array(before), np.array(after), np.array(slopes)


class Mover:
    """A mass that may be away from where the load sheet has it (``home``)."""

    def __init__(self, env: simpy.Environment, ledger: Ledger, mass: float, home: float) -> None:
        self.env, self.ledger, self.mass, self.home = env, ledger, mass, home
        self.at, self.speed, self.since = home, 0.0, 0.0

    @property
    def arm(self) -> float:
        """Return where it is now."""
        return self.at + self.speed * (self.env.now - self.since)

    def put(self, arm: float, speed: float = 0.0) -> None:
        """Put it somewhere, moving at a speed (m/s, aft positive) from now on."""
        now = self.env.now
        self.ledger.note(
            now, jump=self.mass * (arm - self.arm), slope=self.mass * (speed - self.speed)
        )
        self.at, self.speed, self.since = arm, speed, now

    def add(self, kg: float, origin: float) -> None:
        """Add a mass, here, that the load sheet has at ``origin``."""
        self.ledger.note(self.env.now, jump=kg * (self.arm - origin), slope=kg * self.speed)
        self.mass += kg


class Cart:
    """A cart on its round: the stops it will make, and where it is."""

    def __init__(self, env: simpy.Environment, ledger: Ledger, spec: Any, galley_arm: float):
        self.spec, self.aisle, self.galley_arm = spec, spec.aisle - 1, galley_arm
        self.mover = Mover(env, ledger, spec.mass_full, galley_arm)
        self.returned = env.event()
        self.out = False
        self.stops: list[tuple[float, list[Person], float]] = []  # arm, people, service time
        self.left_out = 0
        self.waits_for: list[Cart] = []
        self.leaves = self.back = 0.0
        self.crew: list[CrewMember] = []

    @property
    def arm(self) -> float:
        """Return where it is now."""
        return self.mover.arm

    @property
    def speed(self) -> float:
        """Return its speed now, aft positive."""
        return self.mover.speed


class CrewMember:
    """A member of the cabin crew."""

    def __init__(self, env: simpy.Environment, ledger: Ledger, mass: float, station: float) -> None:
        self.mover = Mover(env, ledger, mass, station)
        self.station = station
        self.with_cart = False
        self.rests: list[tuple[float, float]] = []

    def awake(self, begin: float, end: float) -> bool:
        """Say whether he rests at no time of a stretch."""
        return not any(a < end and b > begin for a, b in self.rests)


class CabinCrew:
    """Carts and crew members: their plans and their processes."""

    def __init__(
        self,
        scenario: Scenario,
        plan: CabinPlan,
        table: TimeTable,
        env: simpy.Environment,
        ledger: Ledger,
        aboard: list[Person],
        rng: np.random.Generator,
        told: Callable[[int], None],
        ate: Callable[[Person], None],
    ) -> None:
        self.service, self.behaviour = scenario.operation.service, scenario.operation.behaviour
        self.plan, self.table, self.env, self.rng = plan, table, env, rng
        self.ledger, self.told, self.ate = ledger, told, ate
        self.members = [
            CrewMember(env, ledger, self.service.crew_mass, station.arm)
            for station in scenario.aircraft.cabin.crew_seats
            for _ in range(station.crew)
        ]
        galleys = {g.name: g.arm for g in scenario.aircraft.cabin.galleys}
        specs = sorted(self.service.carts, key=lambda spec: spec.start)  # a stable sort
        self.carts = [Cart(env, ledger, spec, galleys[spec.galley]) for spec in specs]
        rest = scenario.aircraft.cabin.crew_rest
        for begin, end, phase in table.phases:
            resting = self.members[len(self.members) - phase.crew_resting :]
            for member in resting if phase.crew_resting else []:
                member.rests.append((begin, end))
                self.env.process(self.rest(member, begin, end, rest.arm))
        self.walks = 0
        self.plan_rounds(aboard)
        for cart in self.carts:
            env.process(self.round(cart))
        for member in self.members:
            env.process(self.walk_about(member))

    # --- carts -----------------------------------------------------------------------------

    def rows_of(self, cart: Cart) -> list[tuple[float, list[int]]]:
        """Return (arm, seats) of the rows of a round in its order, its aisle's seats only."""
        spec, plan = cart.spec, self.plan
        low, high = sorted((spec.from_row, spec.to_row))
        rows = sorted({int(r) for r in plan.row if low <= r <= high})
        if spec.from_row > spec.to_row:
            rows.reverse()
        out = []
        for row in rows:
            seats = [
                s for s in range(plan.seats) if plan.row[s] == row and plan.aisle[s] == cart.aisle
            ]
            if seats:
                out.append((float(np.mean(plan.arm_m[seats])), seats))
        return out

    def plan_rounds(self, aboard: list[Person]) -> None:
        """Draw the service times and work out when each cart leaves, stops and returns."""
        sitting = {person.seat: person for person in aboard}
        stretch: dict[Cart, tuple[float, float]] = {}
        stops_of: dict[Cart, set[float]] = {}
        for number, cart in enumerate(self.carts):
            rows = self.rows_of(cart)
            arms = [cart.galley_arm] + [arm for arm, _ in rows]
            low, high = stretch[cart] = min(arms), max(arms)
            stops_of[cart] = {arm for arm, _ in rows}
            for other in self.carts[:number]:
                other_low, other_high = stretch[other]
                common = min(high, other_high) - max(low, other_low)
                shared = common > SAME_ARM or stops_of[cart] & stops_of[other]
                if other.aisle == cart.aisle and shared:
                    cart.waits_for.append(other)
            start = self.table.cruise_start + 60.0 * cart.spec.start
            cart.leaves = max([start] + [other.back for other in cart.waits_for])
            deadline = min(
                [r for r, seated, _ in self.table.stretches if seated > self.table.cruise_start],
                default=self.table.end,
            )
            clock, arm = cart.leaves, cart.galley_arm
            for stop_arm, seats in rows:
                people = [sitting[s] for s in seats if s in sitting]
                if not people:
                    continue
                each = self.rng.exponential(cart.spec.seconds_per_passenger, size=len(people))
                clock += abs(stop_arm - arm) / self.service.cart_speed + float(each.sum())
                arm = stop_arm
                home = clock + abs(arm - cart.galley_arm) / self.service.cart_speed
                if cart.left_out or home > deadline:
                    cart.left_out += 1
                    continue
                cart.stops.append((stop_arm, people, float(each.sum())))
                cart.back = home
            if not cart.stops:
                cart.back = cart.leaves

    def roll(self, cart: Cart, goal: float) -> Generator[Any, Any, None]:
        """Push a cart to an arm, its crew with it."""
        distance = goal - cart.arm
        speed = self.service.cart_speed if distance >= 0.0 else -self.service.cart_speed
        self.set_cart(cart, cart.arm, speed)
        yield self.env.timeout(abs(distance) / self.service.cart_speed)
        self.set_cart(cart, goal, 0.0)

    def set_cart(self, cart: Cart, arm: float, speed: float) -> None:
        """Set a cart and its crew moving or still, and tell those who walk in its aisle."""
        cart.mover.put(arm, speed)
        for member in cart.crew:
            member.mover.put(arm, speed)
        self.told(cart.aisle)

    def round(self, cart: Cart) -> Generator[Any, Any, None]:
        """Live as a cart: wait, leave, stop at the rows, return."""
        if not np.isfinite(cart.leaves):  # no cruise
            return
        for other in cart.waits_for:
            yield other.returned
        yield self.env.timeout(max(0.0, cart.leaves - self.env.now))
        if not cart.stops:
            cart.returned.succeed()
            return
        free = [
            member
            for member in self.members
            if not member.with_cart and member.awake(cart.leaves, cart.back)
        ]
        free.sort(key=lambda member: round(abs(member.station - cart.galley_arm), 9))
        cart.crew = free[: cart.spec.crew]
        for member in cart.crew:
            member.with_cart = True
        cart.out = True
        for arm, people, service_time in cart.stops:
            yield from self.roll(cart, arm)
            yield self.env.timeout(service_time)
            for person in people:
                self.serve(cart, person)
        yield from self.roll(cart, cart.galley_arm)
        cart.out = False
        for member in cart.crew:
            member.mover.put(member.station)
            member.with_cart = False
        cart.crew = []
        self.told(cart.aisle)
        cart.returned.succeed()

    def serve(self, cart: Cart, person: Person) -> None:
        """Take what he owes, and give him a tray, which lies at his seat."""
        for kg, origin in person.owes:
            self.ledger.note(self.env.now, jump=-kg * (person.arm - origin))
            cart.mover.add(kg, origin)
            person.tray_kg -= kg
        person.owes = []
        tray = cart.spec.tray
        if tray > 0.0:
            cart.mover.add(-tray, cart.galley_arm)
            self.ledger.note(self.env.now, jump=tray * (person.arm - cart.galley_arm))
            person.tray_kg += tray
            person.owes = [(cart.spec.returned * tray, cart.galley_arm)]
            self.ate(person)

    # --- crew ------------------------------------------------------------------------------

    def rest(self, member: CrewMember, begin: float, end: float, arm: float) -> Any:
        """Rest in the crew rest."""
        yield self.env.timeout(begin)
        member.mover.put(arm)
        yield self.env.timeout(end - begin)
        if not any(start == end for start, _ in member.rests):  # else he rests on
            member.mover.put(member.station)

    def walk_about(self, member: CrewMember) -> Generator[Any, Any, None]:
        """Live as a crew member between carts: walk through the cabin now and then."""
        spans = [(a, b) for a, b, phase in self.table.phases if phase.kind in IN_FLIGHT]
        rate = self.service.crew_walks / 3600.0
        if not spans or rate == 0.0 or self.plan.seats == 0:
            return
        begin, end = spans[0][0], spans[-1][1]
        end = min([end] + [r for r, seated, _ in self.table.stretches if seated > begin])
        speed = self.behaviour.walking_speed
        first, last = self.plan.arm_m.min(), self.plan.arm_m.max()
        yield self.env.timeout(begin)
        while self.env.now < end:
            yield self.env.timeout(self.rng.exponential(1.0 / rate))
            place = self.rng.uniform(first, last)
            there = abs(place - member.station) / speed
            home = self.env.now + 2.0 * there
            cart_out = any(
                cart.stops and cart.leaves < home and cart.back > self.env.now
                for cart in self.carts
            )
            if home > end:
                return
            if cart_out or not member.awake(self.env.now, home):
                continue
            self.walks += 1
            direction = 1.0 if place > member.station else -1.0
            member.mover.put(member.station, direction * speed)
            yield self.env.timeout(there)
            member.mover.put(place, -direction * speed)
            yield self.env.timeout(there)
            member.mover.put(member.station)

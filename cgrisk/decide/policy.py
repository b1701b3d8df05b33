"""A policy put on a scenario: what it means in words, and the scenario as it is flown under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, cabin_plan
from cgrisk.errors import UsageError
from cgrisk.flight.paper_masses import recount
from cgrisk.scenario import Scenario, expand_seats, select_seats
from cgrisk.scenario.document import key_text
from cgrisk.scenario.loading import meaning_problems
from cgrisk.scenario.policies_file import Policy

__all__ = ["Room", "apportion", "meaning", "room_under", "scenario_under"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SEATING = {
    "random": "seats assigned at random",
    "free": "free seating by preference",
    "window_first": "windows first, then aisles, then middle seats",
    "from_front": "rows filled from the front",
    "from_rear": "rows filled from the rear",
}
_COUNTED = {
    "zone": "everybody in the zone where he is counted",
    "cabin": "anywhere in the cabin, zone counts assumed",
}
_PARTIES = {"together": "parties side by side", "apart": "parties apart"}
_ZONES = {
    "as_loaded": "zones in the scenario's proportions",
    "even": "every zone as full as the others",
    "from_front": "zones filled from the front",
    "from_rear": "zones filled from the rear",
}
_CARTS = {
    "from_front": "carts from the front galley aft",
    "from_rear": "carts from the rear galley forward",
    "to_the_middle": "carts from both ends to the middle",
    "none": "no carts",
}


def meaning(policy: Policy) -> str:
    """Return what a policy says, in one line."""
    parts: list[str] = []
    for key, words in (("seating", _SEATING), ("counted", _COUNTED), ("parties", _PARTIES)):
        value = getattr(policy, key)
        if value is not None:
            parts.append(words[value])
    if policy.zones is not None:
        parts.append(_ZONES[policy.zones])
    if policy.quotas:
        parts.append(
            "of the passengers "
            + ", ".join(f"{100 * q.share:.4g} % in zone {q.zone}" for q in policy.quotas)
        )
    for block in policy.block:
        when = "" if block.below is None else f" below {block.below} passengers"
        parts.append(f"{_named(block.seats)} blocked{when}")
    for lavatory in policy.lavatories:
        how = "closed" if lavatory.open == 0 else f"with {lavatory.open} open"
        parts.append(f"{lavatory.name} {how}")
    for galley in policy.galleys:
        how = "nobody stands" if galley.standing == 0 else f"at most {galley.standing} stand"
        parts.append(f"{how} at {galley.name}")
    if policy.carts is not None:
        parts.append(_CARTS[policy.carts])
    for sign in policy.sign:
        parts.append(f"seat-belt sign {'lit' if sign.lit else 'off'} in {sign.phase}")
    if policy.crew:
        parts.append("crew: " + ", ".join(f"{c.crew} at {c.name}" for c in policy.crew))
    if policy.holds:
        parts.append(
            "of the hold load "
            + ", ".join(f"{100 * h.share:.4g} % in {h.hold}" for h in policy.holds)
        )
    if policy.movers_share is not None:
        parts.append(f"{100 * policy.movers_share:.3g} % change seats all the same")
    return "; ".join(parts) if parts else "as the scenario has it"


def _named(seats: Sequence[str]) -> str:
    rows = [name for name in seats if name[-1].isdigit()]
    single = [name for name in seats if not name[-1].isdigit()]
    parts = []
    if rows:
        word = "row" if len(rows) == 1 and rows[0].isdigit() else "rows"
        parts.append(f"{word} {', '.join(rows)}")
    if single:
        parts.append(f"{'seat' if len(single) == 1 else 'seats'} {', '.join(single)}")
    return " and ".join(parts)


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """The seats a policy leaves at a number of passengers.

    Attributes
    ----------
    blocked : tuple of str
        Names of what is blocked, those of the scenario first.
    open_seats : int64 array, shape (zones,)
        Seats that may be used, by zone.
    seats : int
        Seats of the cabin.
    """

    blocked: tuple[str, ...]
    open_seats: Ints
    seats: int

    @property
    def left(self) -> int:
        """Seats that may be used."""
        return int(self.open_seats.sum())

    @property
    def lost(self) -> int:
        """Seats that may not."""
        return self.seats - self.left


def room_under(
    scenario: Scenario, policy: Policy, *, passengers: int, plan: CabinPlan | None = None
) -> Room:
    """Return what a policy leaves open at a number of passengers."""
    plan = cabin_plan(scenario) if plan is None else plan
    names = list(scenario.operation.seating.blocked)
    for block in policy.block:
        if block.below is None or passengers < block.below:
            names += [name for name in block.seats if name not in names]
    blocked = np.zeros(plan.seats, dtype=bool)
    blocked[list(select_seats(expand_seats(scenario.aircraft.cabin), names))] = True
    zones = plan.zone[~blocked & (plan.zone >= 0)]
    counts = np.bincount(zones, minlength=len(plan.zones)).astype(np.int64)
    return Room(tuple(names), counts, plan.seats)


def apportion(total: int, *, weights: Floats, room: Ints) -> Ints:
    """Return whole numbers that add up to a total, in proportion to weights, within their room.

    What does not fit goes to the others in proportion to their weights (to the room left where
    all of these are 0); fractions are settled by largest remainder, the first of equals first.

    Parameters
    ----------
    total : int
        At most the sum of the room.
    weights : float64 array, shape (n,)
        At least 0.
    room : int64 array, shape (n,)
        At least 0.
    """
    given = np.zeros(weights.size)
    free = np.ones(weights.size, dtype=bool)
    while True:
        left = total - float(given[~free].sum())
        pull = np.where(free, weights, 0.0)
        if pull.sum() <= 0.0:
            pull = np.where(free, room, 0).astype(np.float64)
        if pull.sum() <= 0.0:
            break
        share = left * pull / pull.sum()
        over = free & (share > room)
        if not over.any():
            given[free] = share[free]
            break
        given[over] = room[over]
        free &= ~over
    found = np.floor(given + 1e-9).astype(np.int64)
    rest = given - found
    while found.sum() < total:
        able = np.where(found < room, rest, -np.inf)
        place = int(able.argmax())
        found[place] += 1
        rest[place] -= 1.0
    return found


def _refuse(
    policy: Policy, passengers: int, *, expected: str, got: object, cure: str
) -> UsageError:
    where = f"policy {policy.name!r} at {passengers} passengers"
    return UsageError(argument=where, expected=expected, got=got, cure=cure)


def _zone_counts(scenario: Scenario, policy: Policy, passengers: int, room: Room) -> Ints:
    zones = scenario.operation.zones
    if passengers > room.left:
        raise _refuse(
            policy,
            passengers,
            expected=f"at most the {room.left} seats left open ({room.lost} of {room.seats} are "
            "blocked)",
            got=passengers,
            cure="Block fewer seats, or carry fewer passengers.",
        )
    if policy.zones in ("from_front", "from_rear"):
        found = np.zeros(len(zones), dtype=np.int64)
        places = range(len(zones)) if policy.zones == "from_front" else reversed(range(len(zones)))
        left = passengers
        for place in places:
            found[place] = min(left, int(room.open_seats[place]))
            left -= int(found[place])
        return found
    weights = np.array([zone.adults + zone.children for zone in zones], dtype=np.float64)
    if policy.zones == "even" or weights.sum() == 0.0:
        weights = room.open_seats.astype(np.float64)
    if policy.quotas:
        share = {quota.zone: quota.share for quota in policy.quotas}
        weights = np.array([share[zone.name] for zone in zones])
        wide = np.full(len(zones), passengers, dtype=np.int64)
        found = apportion(passengers, weights=weights, room=wide)
        for zone, people, seats in zip(zones, found, room.open_seats, strict=True):
            if people > seats:
                raise _refuse(
                    policy,
                    passengers,
                    expected=f"at most the {seats} seats left open in zone {zone.name!r}",
                    got=f"{people} people by its quota of {100 * share[zone.name]:.4g} %",
                    cure="Lower the quota, block fewer seats, or carry fewer passengers.",
                )
        return found
    return apportion(passengers, weights=weights, room=room.open_seats)


def _children(scenario: Scenario, counts: Ints) -> Ints:
    """Return the children of each zone: the scenario's share of the passengers, by zone too."""
    zones = scenario.operation.zones
    before = np.array([zone.adults + zone.children for zone in zones], dtype=np.float64)
    young = np.array([zone.children for zone in zones], dtype=np.float64)
    if before.sum() == 0.0 or young.sum() == 0.0:
        return np.zeros(len(zones), dtype=np.int64)
    overall = young.sum() / before.sum()
    share = np.divide(young, before, out=np.full(before.size, overall), where=before > 0.0)
    total = min(math.floor(int(counts.sum()) * overall + 0.5), int(counts.sum()))
    return apportion(total, weights=counts * share, room=counts)


def _hold_loads(
    scenario: Scenario, policy: Policy, passengers: int, bags: str
) -> list[dict[str, Any]]:
    operation, holds = scenario.operation, scenario.aircraft.holds
    loads = {load.hold: load for load in operation.hold_loads}
    own_bags = np.array([loads[h.name].bags if h.name in loads else 0 for h in holds], np.float64)
    own_cargo = np.array([loads[h.name].cargo if h.name in loads else 0.0 for h in holds])
    aboard = sum(zone.adults + zone.children for zone in operation.zones)
    total = int(own_bags.sum())
    if bags == "per_passenger" and aboard > 0:
        total = math.floor(total * passengers / aboard + 0.5)
    weights, cargo = own_bags, own_cargo
    if policy.holds:
        share = {entry.hold: entry.share for entry in policy.holds}
        weights = np.array([share[hold.name] for hold in holds])
        cargo = weights * own_cargo.sum()
    wide = np.full(len(holds), total, dtype=np.int64)
    found = apportion(total, weights=weights, room=wide) if total else np.zeros(len(holds), int)
    return [
        {"hold": hold.name, "bags": int(n), "cargo": float(kg)}
        for hold, n, kg in zip(holds, found, cargo, strict=True)
        if hold.name in loads or n or kg
    ]


def _cabin(cabin: dict[str, Any], policy: Policy) -> None:
    still_open = {entry.name: entry.open for entry in policy.lavatories}
    for lavatory in cabin["lavatories"]:
        lavatory["count"] = still_open.get(lavatory["name"], lavatory["count"])
    cabin["lavatories"] = [entry for entry in cabin["lavatories"] if entry["count"]]
    standing = {entry.name: entry.standing for entry in policy.galleys}
    for galley in cabin["galleys"]:
        galley["standing"] = standing.get(galley["name"], galley["standing"])
    crew = {entry.name: entry.crew for entry in policy.crew}
    for station in cabin["crew_seats"]:
        station["crew"] = crew.get(station["name"], station["crew"])
    cabin["crew_seats"] = [entry for entry in cabin["crew_seats"] if entry["crew"]]


def _carts(scenario: Scenario, service: dict[str, Any], plan_of: str) -> None:
    if plan_of == "none":
        service["carts"] = []
        return
    rows = list(dict.fromkeys(seat.row for seat in expand_seats(scenario.aircraft.cabin)))
    galleys = sorted(scenario.aircraft.cabin.galleys, key=lambda galley: galley.arm)
    for cart in service["carts"]:
        ends = sorted((rows.index(cart["from_row"]), rows.index(cart["to_row"])))
        rear = sum(ends) / 2.0 > (len(rows) - 1) / 2.0
        if plan_of == "from_rear" or (plan_of == "to_the_middle" and rear):
            ends.reverse()
            cart["galley"] = galleys[-1].name
        else:
            cart["galley"] = galleys[0].name
        cart["from_row"], cart["to_row"] = rows[ends[0]], rows[ends[1]]


def scenario_under(
    scenario: Scenario,
    policy: Policy,
    *,
    passengers: int,
    bags: str = "per_passenger",
    movers_share: float | None = None,
    plan: CabinPlan | None = None,
) -> Scenario:
    """Return the scenario with so many passengers, under a policy.

    Zone counts follow the policy's quotas or rule, as a load sheet would have them; the share of
    children, and of each zone's children, stays. A policy without a statement leaves the scenario
    of the same number of passengers as it is. The dry operating figures stay those of the papers,
    also where crew change stations.

    Parameters
    ----------
    scenario : Scenario
    policy : Policy
        Checked against the scenario.
    passengers : int
        At least 1.
    bags : str
        per_passenger: the checked bags grow with the passengers; fixed: they stay.
    movers_share : float, optional
        Share who change seats all the same, in place of the policy's and the scenario's.
    plan : CabinPlan, optional
        Of the scenario, where it is at hand.

    Raises
    ------
    UsageError
        With the numbers, if the passengers do not fit or something else contradicts itself.
    """
    if passengers < 1:
        raise _refuse(
            policy, passengers, expected="at least 1 passenger", got=passengers, cure="Give more."
        )
    room = room_under(scenario, policy, passengers=passengers, plan=plan)
    counts = _zone_counts(scenario, policy, passengers, room)
    young = _children(scenario, counts)
    data = scenario.resolved()
    operation: dict[str, Any] = data["operation"]
    for zone, people, children in zip(operation["zones"], counts, young, strict=True):
        recount(zone, adults=int(people - children), children=int(children))
    seating = operation["seating"]
    seating["blocked"] = list(room.blocked)
    for key, value in (
        ("rule", policy.seating),
        ("scope", policy.counted),
        ("parties", policy.parties),
        ("movers_share", policy.movers_share if movers_share is None else movers_share),
    ):
        if value is not None:
            seating[key] = value
    operation["hold_loads"] = _hold_loads(scenario, policy, passengers, bags)
    if policy.carts is not None:
        _carts(scenario, operation["service"], policy.carts)
    lit = {entry.phase: entry.lit for entry in policy.sign}
    for phase in operation["phases"]:
        name = phase["name"] or phase["kind"]
        phase["sign"] = lit.get(name, lit.get(phase["kind"], phase["sign"]))
    _cabin(data["aircraft"]["cabin"], policy)
    there = Scenario.from_resolved(data, origin=scenario.origin)
    known = set(meaning_problems(scenario))
    for problem in meaning_problems(there):
        if problem not in known:
            raise _refuse(
                policy,
                passengers,
                expected=f"{problem.expected} ({key_text(problem.path)})",
                got=problem.got,
                cure="Change the policy, or leave this number of passengers out.",
            )
    return there

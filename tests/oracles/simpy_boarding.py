"""Who is aboard one flight and where he sits: the slow second version.

Rule "random", scope "zone", nobody changes seats, no last-minute changes. One party after another,
or where parties sit apart one person after another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import exp, log, sqrt
from typing import Any

import numpy as np
from scipy.optimize import brentq

from cgrisk.aircraft import CabinPlan
from cgrisk.scenario import Scenario


@dataclass(eq=False)
class Person:
    """A passenger: his seat, his people, his masses and how fast he walks."""

    seat: int
    arm: float
    aisle: int
    position: int
    body_kg: float
    bag_kg: float
    speed: float
    party: list[Person] = field(default_factory=list)
    # What the flight does with him.
    doing: str = "sits"
    in_aisle: int | None = None  # None where he may step into either: lavatory, queue, galley
    met: Any = None  # the cart that turned him back, with the direction he walked in
    delayed: bool = False  # behind a cart for some time on this way back
    process: Any = None
    mover: Any = None
    turn: Any = None  # event: his turn in the queue has come
    joined: float = 0.0
    sat_at: float = 0.0
    rose_at: float = 0.0
    urge_needed: float = 0.0
    meals: list[tuple[float, float]] = field(default_factory=list)
    tray_kg: float = 0.0
    owes: list[tuple[float, float]] = field(default_factory=list)  # mass, arm of galley of origin
    times_up: int = 0
    travels: str = ""  # class of travel
    restless: float = 1.0
    sleeps_where: tuple[float, float] = (1.0, 1.0)  # his number, the factor on a phase's share


def lognormal(rng: np.random.Generator, mean: float, cv: float) -> float:
    """Return a lognormal number with this mean and coefficient of variation."""
    if cv == 0.0:
        return mean
    variance = log(1.0 + cv * cv)
    return float(exp(rng.normal(log(mean) - variance / 2.0, sqrt(variance))))


def shifted_lognormal(score: float, mean: float, sd: float, skewness: float) -> float:
    """Return the value of a shifted lognormal at a normal score; normal without skewness."""
    if sd == 0.0 or skewness == 0.0:
        return mean + sd * score
    w = brentq(lambda w: (w + 2.0) * sqrt(w - 1.0) - skewness, 1.0, 1e3, xtol=1e-14)
    scale = sd / sqrt(w * (w - 1.0))  # exp(mu)
    return mean - scale * sqrt(w) + scale * exp(sqrt(log(w)) * score)


def party_sizes(
    operation: Any, zone: Any, rng: np.random.Generator
) -> Iterator[tuple[Any, int, int]]:
    """Yield (kind or None for alone, adults, children) until the zone's people are used up."""
    adults, children = zone.adults, zone.children
    kinds = [*operation.parties, None]
    shares = [kind.share for kind in operation.parties]
    weights = [kind.share / (0.5 * sum(kind.adults)) for kind in operation.parties]
    weights.append(max(0.0, 1.0 - sum(shares)))
    while adults + children > 0:
        # Kinds with children board while the zone has children left, and only then.
        now = [
            w if (kind is not None and kind.children[1] > 0) == (children > 0) else 0.0
            for kind, w in zip(kinds, weights, strict=True)
        ]
        kind = None
        if sum(now) > 0.0:
            kind = kinds[rng.choice(len(kinds), p=np.array(now) / sum(now))]
        low, high = (1, 1) if kind is None else kind.adults
        party_adults = min(adults, int(rng.integers(low, high + 1)))
        party_children = 0
        if children > 0:
            least, most = (1, 1) if kind is None else kind.children
            least = max(least, 1)
            party_children = min(children, int(rng.integers(least, max(most, least) + 1)))
        adults -= party_adults
        children -= party_children
        yield kind, party_adults, party_children


def take_seats(free: dict[int, float], size: int) -> list[int]:
    """Take ``size`` seats out of {place in the snake order: score}; return the places taken."""
    first = min(free, key=free.__getitem__)
    near = sorted(free, key=lambda place: (abs(place - first), -place))
    taken = near[:size]  # the first itself is at distance 0
    for place in taken:
        del free[place]
    return taken


def men_of(operation: Any, zone: Any) -> int:
    """Return how many of a zone's adults the load sheet counts as men (halves upward)."""
    if zone.men is not None:
        return int(zone.men)
    return int(operation.passengers.male_share * zone.adults + 0.5)


def masses(
    operation: Any,
    kind: Any,
    adults: int,
    children: int,
    rng: np.random.Generator,
    *,
    sexes: list[bool] | None = None,
    laps: list[bool] | None = None,
) -> list[tuple[float, float]]:
    """Return (body, cabin bag) in kg of the members of a party, adults first.

    Where the load sheet counts men, ``sexes`` says of the next adults who is one; ``laps`` says who
    has an infant. Both lose those who are used.
    """
    body, bag = operation.mass.body, operation.mass.bag
    male = operation.passengers.male_share
    one_sex = kind is not None and rng.random() < kind.same_sex
    men_only = rng.random() < male
    c = 0.0 if kind is None else kind.mass_correlation
    shift = 0.0 if kind is None else kind.mass_shift
    common = rng.normal()
    out = []
    for member in range(adults + children):
        score = sqrt(c) * common + sqrt(1.0 - c) * rng.normal()
        if member < adults:
            man = men_only if one_sex else rng.random() < male
            if sexes is not None:
                man = sexes.pop(0)
            law = body.men if man else body.women
            kg = shifted_lognormal(score, law.mean + body.bias, law.sd, law.skewness) + shift
            no_bag = bag.mean == 0.0 or rng.random() < bag.none_share
            bag_kg = 0.0 if no_bag else lognormal(rng, bag.mean, bag.sd / bag.mean)
            if laps is not None and laps.pop(0):
                kg += max(rng.normal(body.infants.mean, body.infants.sd), 2.0)
        else:
            law, bag_kg = body.children, 0.0
            kg = shifted_lognormal(score, law.mean, law.sd, law.skewness)
        out.append((max(kg, 2.0), bag_kg))
    return out


def board(scenario: Scenario, plan: CabinPlan, rng: np.random.Generator) -> list[Person]:
    """Return everybody aboard, zone by zone, party by party."""
    operation, behaviour = scenario.operation, scenario.operation.behaviour
    aboard: list[Person] = []
    for number, zone in enumerate(operation.zones):
        order = [s for s in plan.snake_order if plan.zone[s] == number and not plan.blocked[s]]
        free = {place: float(rng.random()) for place in range(len(order))}
        sexes = None
        if operation.load_sheet.basis == "by_sex":
            # every set of that many adults alike; parties of one sex are not for this version
            assert all(kind.same_sex == 0.0 for kind in operation.parties)
            men = men_of(operation, zone)
            sexes = list(rng.permutation([True] * men + [False] * (zone.adults - men)))
        laps = list(rng.permutation([True] * zone.infants + [False] * (zone.adults - zone.infants)))
        for kind, adults, children in party_sizes(operation, zone, rng):
            if operation.seating.parties == "apart":
                places = [take_seats(free, 1)[0] for _ in range(adults + children)]
            else:
                places = take_seats(free, adults + children)
            party: list[Person] = []
            kilograms = masses(operation, kind, adults, children, rng, sexes=sexes, laps=laps)
            for place, (body_kg, bag_kg) in zip(places, kilograms, strict=True):
                seat = order[place]
                person = Person(
                    seat=int(seat),
                    arm=float(plan.arm_m[seat]),
                    aisle=int(plan.aisle[seat]),
                    position=int(plan.position[seat]),
                    body_kg=body_kg,
                    bag_kg=bag_kg,
                    speed=lognormal(rng, behaviour.walking_speed, behaviour.walking_cv),
                    party=party,
                )
                party.append(person)
            aboard.extend(party)
    return aboard

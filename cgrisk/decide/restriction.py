"""Restrictions of a declared family: what each says, and the policy it makes of a base policy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, cabin_plan
from cgrisk.decide.load_state import hold_mass_kg, state_of
from cgrisk.decide.policy import apportion, room_under, scenario_under
from cgrisk.errors import UsageError
from cgrisk.scenario import Scenario, expand_seats
from cgrisk.scenario.policies_file import Block, HoldShare, PoliciesFile, Policy, Quota, Search

__all__ = ["Family", "Restriction"]

Floats = NDArray[np.float64]

_MOVES = (0.25, 0.5, 0.75, 1.0)
_SHARE_DIGITS = 4


@dataclass(frozen=True, slots=True)
class Restriction:
    """Rows blocked, a zone filled up to a number only, or hold load laid elsewhere.

    Attributes
    ----------
    family : str
        Of :class:`cgrisk.scenario.policies_file.Search`; empty where no seat is blocked. Two
        restrictions that say the same are equal, whatever family they are of.
    rows : tuple of str
        Rows blocked, in the cabin's order, besides those that the base policy blocks.
    zone : str
        Zone whose people are limited; empty for none.
    most : int
        People it may take.
    holds : tuple of (str, float)
        Share of the hold load by hold; empty where it lies as the base policy has it.
    """

    family: str = field(default="", compare=False)
    rows: tuple[str, ...] = ()
    zone: str = ""
    most: int = 0
    holds: tuple[tuple[str, float], ...] = ()

    @property
    def empty(self) -> bool:
        """Whether nothing is restricted."""
        return self == Restriction()


@dataclass(frozen=True)
class Family:
    """All restrictions that may be tried on a scenario.

    Attributes
    ----------
    scenario : Scenario
    search : Search
    base : Policy
        What is restricted further.
    bags : str
        As in :func:`cgrisk.decide.policy.scenario_under`.
    """

    scenario: Scenario
    search: Search
    base: Policy
    bags: str = "per_passenger"
    _seen: dict[int, Scenario] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(cls, scenario: Scenario, file: PoliciesFile) -> Family:
        """Return the family that a policies file declares."""
        search = Search() if file.search is None else file.search
        named = {policy.name: policy for policy in file.policies}
        nothing = Policy(name="as the scenario has it")
        base = nothing if search.base is None else named[search.base]
        return cls(scenario=scenario, search=search, base=base, bags=file.bags)

    @cached_property
    def plan(self) -> CabinPlan:
        """The cabin."""
        return cabin_plan(self.scenario)

    @cached_property
    def row_order(self) -> list[str]:
        """Names of the cabin's rows from the front."""
        seats = sorted(expand_seats(self.scenario.aircraft.cabin), key=lambda s: (s.arm, s.row))
        return list(dict.fromkeys(str(seat.row) for seat in seats))

    @property
    def most_blocked(self) -> int:
        """Most seats that a restriction may block."""
        stated = self.search.most_blocked
        return self.plan.seats // 2 if stated is None else stated

    def under_base(self, passengers: int) -> Scenario:
        """Return the scenario of a number of passengers under the base policy alone.

        Raises
        ------
        UsageError
            With the numbers, if they do not fit.
        """
        if passengers not in self._seen:
            self._seen[passengers] = scenario_under(
                self.scenario, self.base, passengers=passengers, bags=self.bags, plan=self.plan
            )
        return self._seen[passengers]

    def policy(self, restriction: Restriction, *, passengers: int) -> Policy:
        """Return the base policy under a restriction, at a number of passengers.

        Raises
        ------
        UsageError
            With the numbers, if a zone's limit leaves no seat for some of them.
        """
        changes: dict[str, object] = {}
        if restriction.rows:
            changes["block"] = (*self.base.block, Block(seats=restriction.rows))
        if restriction.zone:
            changes |= {"zones": None, "quotas": self._quotas(restriction, passengers)}
        if restriction.holds:
            changes["holds"] = tuple(HoldShare(hold=h, share=s) for h, s in restriction.holds)
        return self.base.model_copy(update=changes)

    def scenario_of(self, restriction: Restriction, *, passengers: int) -> Scenario:
        """Return the scenario of a number of passengers under a restriction.

        Raises
        ------
        UsageError
            With the numbers, if they do not fit.
        """
        return scenario_under(
            self.scenario,
            self.policy(restriction, passengers=passengers),
            passengers=passengers,
            bags=self.bags,
            plan=self.plan,
        )

    def _open_seats(self, restriction: Restriction, passengers: int) -> NDArray[np.int64]:
        """Return the seats by zone that may be sold."""
        blocked = replace(restriction, zone="", most=0)
        policy = self.policy(blocked, passengers=passengers)
        room = room_under(self.scenario, policy, passengers=passengers, plan=self.plan)
        seats = room.open_seats.copy()
        if restriction.zone:
            place = [zone.name for zone in self.scenario.operation.zones].index(restriction.zone)
            seats[place] = min(int(seats[place]), restriction.most)
        return seats

    def blocked(self, restriction: Restriction, *, passengers: int) -> int:
        """Return how many seats a restriction takes from the base policy's."""
        before = self._open_seats(Restriction(), passengers).sum()
        return int(before - self._open_seats(restriction, passengers).sum())

    def left(self, restriction: Restriction, *, passengers: int) -> int:
        """Return how many seats may be sold."""
        return int(self._open_seats(restriction, passengers).sum())

    def fits(self, restriction: Restriction, *, passengers: int) -> bool:
        """Return whether so many passengers, and their bags, fit under a restriction."""
        if self.left(restriction, passengers=passengers) < passengers:
            return False
        try:
            self.scenario_of(restriction, passengers=passengers)
        except UsageError:
            return False
        return True

    def _quotas(self, restriction: Restriction, passengers: int) -> tuple[Quota, ...]:
        zones = self.under_base(passengers).operation.zones
        seats = self._open_seats(restriction, passengers)
        if passengers > seats.sum():
            raise UsageError(
                argument=f"at most {restriction.most} people in zone {restriction.zone!r}",
                expected=f"at most the {seats.sum()} seats that may be sold",
                got=f"{passengers} passengers",
                cure="Allow more people there, or carry fewer passengers.",
            )
        weights = np.array([zone.adults + zone.children for zone in zones], dtype=np.float64)
        people = apportion(passengers, weights=weights, room=seats)
        return tuple(
            Quota(zone=zone.name, share=float(n / passengers))
            for zone, n in zip(zones, people, strict=True)
        )

    def members(self, passengers: int) -> dict[str, list[Restriction]]:
        """Return the restrictions of each family that leave a seat for everybody, growing.

        A family of zone quotas is one for each zone, and begins where its limit first binds.
        """
        out: dict[str, list[Restriction]] = {}
        for family in self.search.families:
            if family == "zone_quotas":
                for zone, grown in self._zone_members(passengers).items():
                    out[f"{family} {zone}"] = self._within(grown, passengers)
                continue
            order = self._order(family, passengers)
            grown = [
                Restriction(family, tuple(sorted(order[:k], key=self.row_order.index)))
                for k in range(1, len(order) + 1)
            ]
            out[family] = self._within(grown, passengers)
        return out

    def _within(self, grown: Sequence[Restriction], passengers: int) -> list[Restriction]:
        kept = []
        for one in grown:
            lost = self.blocked(one, passengers=passengers)
            if lost > self.most_blocked or self.left(one, passengers=passengers) < passengers:
                break
            if lost > 0:
                kept.append(one)
        return kept

    def _order(self, family: str, passengers: int) -> list[str]:
        """Return the rows in the order in which a family blocks them."""
        room = room_under(self.scenario, self.base, passengers=passengers, plan=self.plan)
        taken = Restriction(rows=())
        rows = [
            row
            for row in self.row_order
            if self.blocked(replace(taken, rows=(row,)), passengers=passengers) > 0
            and row not in room.blocked
        ]
        if family == "front_rows":
            return rows
        rear = rows[::-1]
        if family == "alternate_rows":
            return rear[::2]
        if family == "end_rows":
            pairs = [row for both in zip(rear, rows, strict=True) for row in both]
            return list(dict.fromkeys(pairs))
        return rear

    def _zone_members(self, passengers: int) -> dict[str, list[Restriction]]:
        zones = self.under_base(passengers).operation.zones
        seats = self._open_seats(Restriction(), passengers)
        width = max(np.unique(self._row_of_seat(), return_counts=True)[1])
        out = {}
        for zone, most in zip(zones, seats, strict=True):
            aboard = zone.adults + zone.children
            limits = range(int(most) - int(width), -1, -int(width))
            out[zone.name] = [
                Restriction("zone_quotas", zone=zone.name, most=limit)
                for limit in limits
                if limit < aboard
            ]
        return out

    def _row_of_seat(self) -> list[int]:
        return [seat.row for seat in expand_seats(self.scenario.aircraft.cabin)]

    def hold_moves(self, passengers: int) -> list[tuple[Restriction, float]]:
        """Return other ways to lay the hold load, with the mass moved (kg), the least first.

        A quarter, a half, three quarters and all of the way to the foremost and the rearmost load
        that the holds' maximum loads allow, and in proportion to these.
        """
        there = self.under_base(passengers)
        mass = hold_mass_kg(there, state_of(there))
        total = float(mass.sum())
        holds = self.scenario.aircraft.holds
        if not self.search.holds or len(holds) < 2 or total <= 0.0:
            return []
        most = np.array([hold.max_load for hold in holds])
        arms = np.array([hold.arm for hold in holds])
        # A bag is moved whole: the last may be one too many.
        free = np.maximum(most - self.scenario.operation.load_sheet.bag_mass, 0.0)
        wanted = [total * most / most.sum()]
        for order in (np.argsort(arms, kind="stable"), np.argsort(-arms, kind="stable")):
            end = np.zeros(mass.size)
            left = total
            for place in order:
                end[place] = min(left, free[place])
                left -= end[place]
            if left <= 0.0:
                wanted += [mass + part * (end - mass) for part in _MOVES]
        found: dict[Restriction, float] = {}
        for laid in wanted:
            move = Restriction(holds=_shares([hold.name for hold in holds], laid / total))
            moved = 0.5 * float(np.abs(laid - mass).sum())
            if moved >= 1.0 and self.fits(move, passengers=passengers):
                found.setdefault(move, moved)
        return sorted(found.items(), key=lambda pair: pair[1])

    def moved_kg(self, restriction: Restriction, *, passengers: int) -> float:
        """Return how much hold load lies elsewhere than under the base policy."""
        before, after = (
            hold_mass_kg(there, state_of(there))
            for there in (
                self.under_base(passengers),
                self.scenario_of(restriction, passengers=passengers),
            )
        )
        return 0.5 * float(np.abs(after - before).sum())

    def words(self, restriction: Restriction) -> str:
        """Return a restriction in words, as a manual would have it."""
        parts = []
        if restriction.rows:
            text = self._rows_text(restriction.rows)
            parts.append(f"block {'row' if len(restriction.rows) == 1 else 'rows'} {text}")
        if restriction.zone:
            parts.append(f"at most {restriction.most} people in zone {restriction.zone}")
        if restriction.holds:
            shares = ", ".join(f"{100 * s:.4g} % in {hold}" for hold, s in restriction.holds)
            parts.append(f"of the hold load {shares}")
        return "; ".join(parts) if parts else "no restriction"

    def _rows_text(self, rows: Sequence[str]) -> str:
        places = [self.row_order.index(row) for row in rows]
        runs: list[list[int]] = [[places[0]]]
        for before, place in pairwise(places):
            if place == before + 1:
                runs[-1].append(place)
            else:
                runs.append([place])
        named = [(self.row_order[run[0]], self.row_order[run[-1]]) for run in runs]
        return ", ".join(a if a == b else f"{a}-{b}" for a, b in named)


def _shares(names: Sequence[str], shares: Floats) -> tuple[tuple[str, float], ...]:
    """Return rounded shares that add up to 1, the greatest taking up the rounding."""
    rounded = [round(float(s), _SHARE_DIGITS) for s in shares]
    largest = int(np.argmax(shares))
    rest = 1.0 - sum(x for k, x in enumerate(rounded) if k != largest)
    rounded[largest] = round(rest, _SHARE_DIGITS)
    return tuple(zip(names, rounded, strict=True))

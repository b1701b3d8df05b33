"""Restrictions flown at one number of passengers, on the same flights, and the least that meets."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from cgrisk.decide.policy_cells import RARE, Cell, Task
from cgrisk.decide.policy_shelf import kept_count
from cgrisk.decide.restriction import Family, Restriction
from cgrisk.rare import Meter
from cgrisk.risk.sequential import any_time_difference

__all__ = ["Screen"]

#: Restrictions of a family that are flown before its steps are halved; where each is dear, fewer.
_PROBES: Final = 5
_PROBES_RARE: Final = 2
#: Restrictions below the least found that are flown although halving passed them over.
_NEIGHBOURS: Final = 2


@dataclass(slots=True)
class Screen:
    """What is known of the restrictions at one number of passengers.

    Attributes
    ----------
    task : Task
    family : Family
    passengers : int
    meter : Meter
    cells : dict of Restriction to Cell
        All that were flown, in the order in which they were.
    refused : dict of Restriction to float
        Those that were not confirmed, with the greatest upper bound of the flights that were to
        confirm them: they do not meet any more.
    """

    task: Task
    family: Family
    passengers: int
    meter: Meter
    cells: dict[Restriction, Cell] = field(default_factory=dict)
    refused: dict[Restriction, float] = field(default_factory=dict)

    def fly(self, restrictions: Iterable[Restriction]) -> None:
        """Fly restrictions that were not flown yet, in step; take them from the shelf if there."""
        new = [one for one in dict.fromkeys(restrictions) if one not in self.cells]
        if not new:
            return
        policies = [self.family.policy(one, passengers=self.passengers) for one in new]
        text = "\n".join(policy.model_dump_json() for policy in policies)
        cells = kept_count(
            self.task,
            policies,
            passengers=self.passengers,
            meter=self.meter,
            piece=f"{self.passengers}/{hashlib.sha256(text.encode()).hexdigest()}",
        )
        self.cells |= dict(zip(new, cells, strict=True))

    def standing(self, restriction: Restriction) -> str:
        """Return below, above, close or undecided: that of the side that stands worse."""
        sides = self.cells[restriction].standing(self.task.target)
        return next(word for word in ("above", "close", "undecided", "below") if word in sides)

    def meets(self, restriction: Restriction) -> bool:
        """Return whether both sides are shown to be under the target, and nothing spoke since."""
        return restriction not in self.refused and self.standing(restriction) == "below"

    def worst(self, restriction: Restriction) -> float:
        """Return the upper bound on the worse side; that of the fresh flights where refused."""
        own = float(self.cells[restriction].high.max())
        return max(own, self.refused.get(restriction, 0.0))

    def blocked(self, restriction: Restriction) -> int:
        """Return the seats a restriction blocks."""
        return self.family.blocked(restriction, passengers=self.passengers)

    def least(self) -> Restriction | None:
        """Return the least restriction that meets the target; None where none is found.

        Nothing comes before hold load moved, the least mass first, and that before seats, the
        fewest first (of equals, the one with the lower bound). Seats are blocked with the hold
        load laid so that the risk is shown to be lower, and as it was where that does as well.
        """
        nothing = Restriction()
        self.fly([nothing])
        if self.meets(nothing):
            return nothing
        moves = dict(self.family.hold_moves(self.passengers))
        self.fly(moves)
        enough = [move for move in moves if self.meets(move)]
        if enough:
            return min(enough, key=moves.__getitem__)
        laid = self._better_holds(list(moves))
        families = self._families(laid)
        most = self._probe(families)
        found: list[Restriction] = []
        # Those that are known to meet somewhere first: the others need be looked at below it alone.
        for grown in sorted(families.values(), key=lambda grown: not self._met(grown)):
            least = self._first(grown, most)
            if least is not None:
                found.append(least)
                most = min(most, self.blocked(least))
        if not found:
            return None
        least = min(found, key=lambda one: (self.blocked(one), self.worst(one)))
        # Hold load that need not be moved stays where it is.
        unmoved = replace(least, holds=())
        self.fly([unmoved])
        return unmoved if self.meets(unmoved) else least

    def _probes(self, grown: Sequence[Restriction]) -> list[int]:
        number = _PROBES if self.task.target >= RARE else _PROBES_RARE
        return sorted({int(k) for k in np.linspace(0, len(grown) - 1, number).round()})

    def _probe(self, families: dict[str, list[Restriction]]) -> int:
        """Fly some steps of every family, none that blocks more than one that meets already.

        Returns
        -------
        int
            Seats of the least that meets; the most that may be blocked where none does.
        """
        most = self.family.most_blocked
        for round_ in range(_PROBES):
            chosen = []
            for grown in families.values():
                places = self._probes(grown)
                if round_ < len(places) and self.blocked(grown[places[round_]]) <= most:
                    chosen.append(grown[places[round_]])
            self.fly(chosen)
            seats = [self.blocked(one) for one in chosen if self.meets(one)]
            most = min([most, *seats])
        return most

    def _families(self, laid: Restriction) -> dict[str, list[Restriction]]:
        families = {}
        for name, grown in self.family.members(self.passengers).items():
            own = [replace(one, holds=laid.holds) for one in grown]
            fitting = [one for one in own if self.family.fits(one, passengers=self.passengers)]
            if fitting:
                families[name] = fitting
        return families

    def _met(self, grown: Sequence[Restriction]) -> bool:
        return any(one in self.cells and self.meets(one) for one in grown)

    def _first(self, grown: Sequence[Restriction], most: int) -> Restriction | None:
        """Return the least of a growing family that meets, within a number of seats.

        The risk need not fall as a family grows: the first probe that meets and the one before it
        are closed in by halving, and then the steps just below are looked at all the same.
        """
        places = [k for k in self._probes(grown) if self.blocked(grown[k]) <= most]
        above = next((k for k in places if self.meets(grown[k])), None)
        if above is None:
            # The next probe would block too many; what lies before it may still do.
            last = max((k for k in range(len(grown)) if self.blocked(grown[k]) <= most), default=-1)
            if last < 0 or last in places:
                return None
            self.fly([grown[last]])
            if not self.meets(grown[last]):
                return None
            above = last
        below = max((k for k in places if k < above), default=-1)
        while above - below > 1:
            middle = (above + below) // 2
            self.fly([grown[middle]])
            if self.meets(grown[middle]):
                above = middle
            else:
                below = middle
        while above > 0:
            near = range(max(above - _NEIGHBOURS, 0), above)
            self.fly(grown[k] for k in near)
            lower = next((k for k in near if self.meets(grown[k])), None)
            if lower is None:
                break
            above = lower
        return grown[above]

    def _better_holds(self, moves: Sequence[Restriction]) -> Restriction:
        """Return the hold load laid so that the worse side is shown to be less at risk, if any."""
        nothing = Restriction()
        flown = self.cells[nothing]
        side = int(flown.risk.argmax())
        best, lowest = nothing, float(flown.risk.max())
        for move in moves:
            cell = self.cells[move]
            if float(cell.risk.max()) >= lowest:
                continue
            flights = min(cell.flights, flown.flights)
            one, two = flown.beyond[side, :flights], cell.beyond[side, :flights]
            only_one, only_two = int((one & ~two).sum()), int((two & ~one).sum())
            apart = any_time_difference(
                only_one, only_two, flights=flights, confidence=self.task.confidence
            )
            if apart.low > 0.0:
                best, lowest = move, float(cell.risk.max())
        return best

    def nearest(self) -> Restriction:
        """Return the restriction flown that comes nearest: the lowest bound on its worse side."""
        return min(self.cells, key=lambda one: (self.worst(one), self.blocked(one)))

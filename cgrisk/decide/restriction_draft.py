"""The answers by number of passengers drawn together into the lines of a draft restriction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from cgrisk.decide.policy_cells import Cell
from cgrisk.decide.restriction import Restriction
from cgrisk.decide.restriction_proof import Proof

__all__ = ["Answer", "DraftLine", "draft_lines"]


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """The least restriction found for a number of passengers, or how near any came.

    Attributes
    ----------
    passengers : int
    status : str
        confirmed; not confirmed (some met the target, none when flown afresh); undecided (none was
        shown to meet it, some may); none (none meets it).
    restriction : Restriction
        The one confirmed; else the nearest: the lowest upper bound on its worse side.
    words : str
        What it says.
    cell : Cell
        As it was flown among the others.
    seats_blocked, seats_left : int
        Besides those that the base policy blocks; those that may be sold.
    moved_kg : float
        Hold load that lies elsewhere than under the base policy.
    proofs : tuple of Proof
        All attempts, in order; the last is the one that holds where it is confirmed.
    """

    passengers: int
    status: str
    restriction: Restriction
    words: str
    cell: Cell
    seats_blocked: int
    seats_left: int
    moved_kg: float
    proofs: tuple[Proof, ...]

    @property
    def proof(self) -> Proof | None:
        """The attempt that confirmed the restriction."""
        return self.proofs[-1] if self.status == "confirmed" else None


@dataclass(frozen=True, slots=True)
class DraftLine:
    """What a draft says of numbers of passengers that follow each other.

    Attributes
    ----------
    first, last : int
        Numbers of passengers.
    status : str
        confirmed; none (no restriction of the family was confirmed); not flown.
    words : str
        The restriction; empty unless confirmed.
    seats_blocked, seats_left : int
        0 unless confirmed.
    """

    first: int
    last: int
    status: str
    words: str = ""
    seats_blocked: int = 0
    seats_left: int = 0


def draft_lines(answers: Sequence[Answer], *, seats: int, near: int) -> tuple[DraftLine, ...]:
    """Return the lines of a draft: what was confirmed at each number of passengers, drawn together.

    A number of passengers takes the restriction of the number looked at that lies closest among
    those that were confirmed there too (of two as close, the one that blocks more).

    Parameters
    ----------
    answers : sequence of Answer
        By rising number of passengers.
    seats : int
        Of the cabin.
    near : int
        How far around its number of passengers a restriction was flown.
    """
    lines: list[DraftLine] = []
    first = max(1, answers[0].passengers - near)
    for m in range(first, min(seats, answers[-1].passengers + near) + 1):
        line = _line(m, answers, near)
        if lines and replace(lines[-1], first=m, last=m) == line:
            lines[-1] = replace(lines[-1], last=m)
        else:
            lines.append(line)
    return tuple(lines)


def _line(m: int, answers: Sequence[Answer], near: int) -> DraftLine:
    around = [answer for answer in answers if abs(answer.passengers - m) <= near]
    there = [a for a in around if a.proof is not None and m in a.proof.confirmed_at]
    if there:
        best = min(there, key=lambda a: (abs(a.passengers - m), -a.seats_blocked))
        return DraftLine(m, m, "confirmed", best.words, best.seats_blocked, best.seats_left)
    return DraftLine(m, m, "none" if around else "not flown")

"""The estimate while the flights are flown, block by block."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from cgrisk.flight import SIDES, FlightModel, phase_column
from cgrisk.risk.intervals import Interval, binomial_interval
from cgrisk.risk.readings import ON_LIMIT_KGM
from cgrisk.sampling import Block

__all__ = ["RunningRisk"]


@dataclass(slots=True)
class RunningRisk:
    """Counts flights that leave the certified envelope as planned, as their blocks come in.

    Attributes
    ----------
    model : FlightModel
        What is flown.
    confidence : float
        Of each interval.
    flights : int
        Counted so far.
    hits : dict of str to int
        Of them, those outside on each side.
    """

    model: FlightModel
    confidence: float = 0.95
    flights: int = 0
    hits: dict[str, int] = field(default_factory=lambda: dict.fromkeys(SIDES, 0))

    def add(self, block: Block) -> None:
        """Count one block."""
        place = {name: i for i, name in enumerate(self.model.columns)}
        for side in SIDES:
            columns = [
                place[phase_column("moment_margin_kgm", phase=phase, side=side)]
                for phase in self.model.phases
            ]
            least = block.rows[:, columns].min(axis=1)
            self.hits[side] += int(np.count_nonzero(least < -ON_LIMIT_KGM))
        self.flights += block.rows.shape[0]

    def interval(self, side: str) -> Interval | None:
        """Return the estimate of a side with its interval; None before the first block."""
        if self.flights == 0:
            return None
        return binomial_interval(self.hits[side], flights=self.flights, confidence=self.confidence)

    def text(self) -> str:
        """Return both sides' estimates with their intervals, for a progress line."""
        parts = []
        for side in SIDES:
            p = self.interval(side)
            if p is None:
                continue
            seen = f"{p.estimate:.2g} ({p.low:.2g} to {p.high:.2g})"
            parts.append(f"{side} {seen if self.hits[side] else f'at most {p.high:.2g}'}")
        return "as planned: " + ", ".join(parts) if parts else ""

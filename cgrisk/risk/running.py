"""The estimate while the flights are flown."""

from __future__ import annotations

from collections.abc import Mapping

from cgrisk.flight import SIDES
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.intervals import binomial_interval
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT, outcome_name

__all__ = ["running_text"]


def running_text(hits: Mapping[str, int], *, flights: int, reading: str = AS_PLANNED) -> str:
    """Return both sides' probabilities of leaving the envelope so far, for a progress line.

    Parameters
    ----------
    hits : mapping of str to int
        Flights with each outcome so far.
    flights : int
        Flights so far.
    reading : str
        As planned, or at the operational limit.

    Returns
    -------
    str
        With intervals at 95 % of the flights so far, each for this number of flights by itself;
        empty before the first flight.
    """
    if flights == 0:
        return ""
    parts = []
    for side in SIDES:
        count = hits[outcome_name(side, "any", reading)]
        p = binomial_interval(count, flights=flights)
        parts.append(f"{side} {chance_text(p.estimate, low=p.low, high=p.high)}")
    where = "at limit" if reading == AT_LIMIT else "as planned"
    return f"{where}: {', '.join(parts)}"

"""Clouds with flights of what may happen under other assumptions, or is made to happen."""

from __future__ import annotations

from typing import Final

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.cloud import Cloud, cloud_of
from cgrisk.rare.multilevel import split_tail
from cgrisk.rare.pilot import fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.strata import Stratum, strata_of
from cgrisk.scenario.ranges import assumption_ranges, with_values

__all__ = ["possible_strata", "wide_cloud", "with_strata"]

#: Flights of a stage, and replicates, of what only a range makes possible.
_SMALL, _FEW = 300, 4
#: Share of the target below which several causes that a range makes possible are left out together.
_LEAST_TOGETHER: Final = 0.1
#: Flights kept of each of its stages: what is rare adds little to a tail, and each draw flies them.
_KEPT: Final = 8


def possible_strata(
    model: FlightModel, *, known: tuple[Stratum, ...], target: float, side: str | None = None
) -> tuple[Stratum, ...]:
    """Return the strata that only exist when assumptions are not at their stated values.

    A surge that nobody expects has probability 0 in the scenario, and more at the upper end of its
    range. The strata's probabilities are those at the upper ends. Several such causes on one flight
    are left out below a tenth of the target. With nobody planned to be aboard there are none.
    """
    scenario = model.scenario
    if not any(zone.adults + zone.children for zone in scenario.operation.zones):
        return ()
    names = {stratum.name for stratum in known}
    chances = ("operation.crowd.surge_probability", "operation.behaviour.lavatory_closed")
    upper = {r.key: r.high for r in assumption_ranges(scenario) if r.key in chances}
    if not upper:
        return ()
    strata = strata_of(prepare(with_values(scenario, upper)), bands_of=model, side=side)
    certain = set.intersection(*(set(s.causes) for s in strata))
    return tuple(
        s
        for s in strata
        if s.name not in names
        and (len(set(s.causes) - certain) < 2 or s.probability >= _LEAST_TOGETHER * target)
    )


def wide_cloud(
    question: Question,
    *,
    cloud: Cloud,
    strata: tuple[Stratum, ...],
    meter: Meter | None = None,
) -> tuple[Cloud, int]:
    """Return a cloud with flights of what may happen besides, and the flights flown.

    Parameters
    ----------
    question : Question
    cloud : Cloud
        Of the scenario as it stands.
    strata : tuple of Stratum
        That it is of.
    meter : Meter, optional
        Told of the flights.
    """
    possible = possible_strata(
        question.model, known=strata, target=question.target, side=question.score.side
    )
    if not possible:
        return cloud, 0
    return with_strata(
        question.no_deeper(0.1),
        cloud=cloud,
        strata=possible,
        replicates=_FEW,
        particles=_SMALL,
        keep=_KEPT,
        meter=meter,
    )


def with_strata(
    question: Question,
    *,
    cloud: Cloud,
    strata: tuple[Stratum, ...],
    replicates: int,
    particles: int,
    keep: int,
    meter: Meter | None = None,
) -> tuple[Cloud, int]:
    """Return a cloud with flights of these strata, from a small splitting, and the flights flown.

    Parameters
    ----------
    question : Question
        Whose seed and depth are used.
    cloud : Cloud
        What it has of these strata is replaced.
    strata : tuple of Stratum
        At least one.
    replicates, particles, keep : int
        Of the splitting, flights of each of its stages, and those of them that are kept.
    meter : Meter, optional
        Told of the flights.
    """
    pilot = fly_pilot(question, strata=strata, meter=meter)
    more = split_tail(
        question, pilot=pilot, replicates=replicates, particles=particles, keep=keep, meter=meter
    )
    other = cloud_of([more])
    made = {part.name for part in other.parts}
    parts = (*(part for part in cloud.parts if part.name not in made), *other.parts)
    return Cloud(parts, max(cloud.replicates, other.replicates)), more.flights

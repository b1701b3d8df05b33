"""Stress cases: what would happen if, on the same random numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.errors import CgriskError
from cgrisk.flight import FlightModel, prepare
from cgrisk.rare import (
    Cloud,
    Meter,
    Question,
    Score,
    Stratum,
    cloud_interval,
    fly_cloud,
    score_named,
    strata_of,
    with_strata,
)
from cgrisk.rare.seeds import derived_seed
from cgrisk.scenario import Scenario

__all__ = ["STRESS_CASES", "stress_table"]

Floats = NDArray[np.float64]
_Resolved = dict[str, Any]

#: Winter clothing over summer clothing, kg: 5 lb. Source: FAA AC 120-27D, second-hand.
WINTER_KG: Final = 2.27
_SURGE: Final = 30
#: Strata that a case makes so many times likelier get flights of their own, but for the rarest,
#: together below this share of the risk as it stands.
_LIKELIER, _SPARED = 10.0, 0.1
#: As the cloud of the scenario as it stands, so that neither misses more than the other.
_REPLICATES, _PARTICLES, _KEEP = 10, 1000, 40


def _closed(data: _Resolved) -> str:
    if not data["aircraft"]["cabin"]["lavatories"]:
        return "the aircraft has no lavatory"
    data["operation"]["behaviour"]["lavatory_closed"] = 1.0
    return ""


def _rear(data: _Resolved) -> str:
    data["operation"]["seating"] |= {"rule": "from_rear", "scope": "cabin"}
    return ""


def _surge(data: _Resolved) -> str:
    if not any(phase["kind"] == "cruise" for phase in data["operation"]["phases"]):
        return "no cruise is flown"
    data["operation"]["crowd"] |= {
        "surge_probability": 1.0,
        "surge_people": _SURGE,
        "surge_toward": "aft",
    }
    return ""


def _carts(data: _Resolved) -> str:
    carts = data["operation"]["service"]["carts"]
    galleys = data["aircraft"]["cabin"]["galleys"]
    if not carts or not galleys:
        return "no cart is used"
    rear = max(galleys, key=lambda galley: galley["arm"])["name"]
    for cart in carts:
        cart["galley"] = rear
    return ""


def _winter(data: _Resolved) -> str:
    if data["operation"]["mass"]["season"] == "winter":
        return "the scenario has winter clothes already"
    data["operation"]["mass"]["body"]["bias"] += WINTER_KG
    return ""


#: Cases in words, and what each does to a resolved scenario; it returns why it cannot be, if so.
STRESS_CASES: Final[dict[str, Callable[[_Resolved], str]]] = {
    "one lavatory closed": _closed,
    "all aboard as far to the rear as seats allow": _rear,
    f"a surge of up to {_SURGE} people to the rear": _surge,
    "all carts from the rear galley": _carts,
    f"winter clothes, {WINTER_KG} kg an adult": _winter,
}


def stress_table(
    question: Question,
    *,
    side: str,
    group: str,
    cloud: Cloud,
    level: float,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Return the risk under stress cases, on the random numbers of the scenario as it stands.

    The load sheet stays as it is in every case: it does not know. What a case makes certain, alone
    and together with other rare causes, gets flights of its own by a small splitting instead.

    Parameters
    ----------
    question : Question
        The scenario as it stands, and whose tail it is; its confidence holds for each interval.
    side, group : str
        Of the score, where it is an envelope's.
    cloud : Cloud
        Weighted flights.
    level : float
        Threshold at which to tell the probability, beside the planned load's and the operational
        limit's.
    meter : Meter, optional
        Told of the flights; its shelf keeps them.

    Returns
    -------
    pandas.DataFrame
        case, where ("as planned", "at the operational limit", "at the level"), threshold,
        estimate, low, high, ratio (to the scenario as it stands; nan where no flight was seen in
        either), note (why a case cannot be).
    """
    model, score, jobs = question.model, question.score, question.jobs
    meter = Meter() if meter is None else meter
    meter.begin("stress cases", expected=(len(STRESS_CASES) + 1) * len(cloud))
    places = {
        "as planned": score.as_planned,
        "at the operational limit": score.at_limit,
        "at the level": level,
    }
    thresholds = np.array(list(places.values()))
    base: Floats = np.zeros(thresholds.size)
    stated = {stratum.name: stratum.probability for stratum in strata_of(model, side=score.side)}
    stamp = cloud.stamp()
    rows: list[tuple[object, ...]] = []
    for case, change in {"as it stands": lambda _: "", **STRESS_CASES}.items():
        data = model.scenario.resolved()
        note = change(data)
        estimate = low = high = np.full(thresholds.size, np.nan)
        if not note:
            try:
                of = prepare(Scenario.from_resolved(data, origin=model.scenario.origin))
            except CgriskError as error:
                note = str(error)
        if not note:
            strata = strata_of(of, bands_of=model, side=score.side)
            own = score_named(of, name=score.name, side=side, group=group)
            flown, least = cloud, _least(base, question.target)
            if needed := _needed(strata, stated, risk=least):
                other = _asked(question, of, own, least=least)
                flown, _ = with_strata(
                    other,
                    cloud=cloud,
                    strata=needed,
                    replicates=_REPLICATES,
                    particles=_PARTICLES,
                    keep=_KEEP,
                    meter=meter,
                )
            piece = f"stress/{stamp}"
            scores = fly_cloud(flown, strata=strata, score=own, jobs=jobs, meter=meter, piece=piece)
            estimate, low, high = cloud_interval(
                flown,
                strata=strata,
                scores=scores,
                thresholds=thresholds,
                confidence=question.confidence,
            )
            if case == "as it stands":
                base = estimate
        seen = (base > 0.0) & (estimate > 0.0)
        ratio = np.divide(estimate, base, out=np.full(base.size, np.nan), where=seen)
        rows += [
            (case, name, thresholds[k], estimate[k], low[k], high[k], ratio[k], note)
            for k, name in enumerate(places)
        ]
    names = ["case", "where", "threshold", "estimate", "low", "high", "ratio", "note"]
    return pd.DataFrame(rows, columns=names)


def _least(base: Floats, target: float) -> float:
    """Return the smallest risk as it stands that was seen; the target where none was."""
    return float(base[base > 0.0].min()) if (base > 0.0).any() else target


def _needed(
    strata: Sequence[Stratum], stated: Mapping[str, float], *, risk: float
) -> tuple[Stratum, ...]:
    """Return the strata that a case makes much likelier, but for the rarest that matter little."""
    likelier = [s for s in strata if s.probability > _LIKELIER * stated.get(s.name, 0.0)]
    likelier.sort(key=lambda s: s.probability)
    spared = np.cumsum([s.probability for s in likelier]) <= _SPARED * risk
    return tuple(s for s, out in zip(likelier, spared, strict=True) if not out)


def _asked(question: Question, model: FlightModel, score: Score, *, least: float) -> Question:
    """Return the question of a case, down to a tenth of the least risk as it stands."""
    deepest = max(question.deepest, min(_SPARED * least, question.target))
    return replace(
        question,
        model=model,
        score=score,
        seed=derived_seed(question.seed, "other scenario", model.scenario.digest()),
        target=max(min(question.target, least), deepest),
        deepest=deepest,
    )

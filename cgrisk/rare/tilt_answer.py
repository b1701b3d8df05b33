"""What tilted flights tell at a threshold, how sure that is, and what is doubtful about it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from cgrisk.rare.estimate import interval_on_log
from cgrisk.rare.tilt_mixture import Round

__all__ = [
    "LEAST_EFFECTIVE",
    "UNKNOWN",
    "TiltedAnswer",
    "answer_at",
    "doubts_of",
    "error_of_sum",
    "out_of_reach",
]

Floats = NDArray[np.float64]

#: Effective flights below which an estimate is doubtful (fewer where less precision was asked for,
#: but not below the second), and one flight's share above which it is.
_FEW_EFFECTIVE, _FEWEST_EFFECTIVE, _LARGE_SHARE = 100.0, 20.0, 0.15
#: Lengthens upper bounds, since flights stop where they happen to scatter little. Measured on a
#: normal load and exponential moves that nothing leans, 10 to 30 % asked for: with it bounds of 95,
#: 97.5 and 99.9 % fail 4, 1 to 2 and at most 0.1 % of the time at 1e-4 (less above), without 8 to
#: 11, 5 to 7 and 0.3 to 0.5 %; at 2e-6 those of 95 and 97.5 % fail 6 to 10 and 4 to 6 %.
_LONGER_UP = 1.4
#: Degrees of freedom at least, by which an interval tells how well the scatter of loads is known.
_LEAST_FREEDOM = 10.0
#: Effective flights below which nothing is told.
LEAST_EFFECTIVE = 4.0


@dataclass(frozen=True, slots=True)
class TiltedAnswer:
    """What is found at one threshold."""

    estimate: float
    low: float
    high: float
    effective: float
    share: float
    error: float


#: Nothing is told.
UNKNOWN: Final = TiltedAnswer(math.nan, 0.0, 1.0, 0.0, 0.0, math.nan)


def answer_at(
    strata: list[tuple[float, tuple[Round, ...]]], x: float, confidence: float
) -> TiltedAnswer:
    """Return the sum over strata, each with its probability, and over strengths.

    Loads are independent, and their flights belong to them: the interval is Student's on the
    logarithm, by how the loads of each strength scatter.
    """
    parts = [p * each.parts(x) for p, rounds in strata for each in rounds]
    total = float(sum(part.mean() for part in parts))
    if total == 0.0:
        return UNKNOWN
    counts = np.concatenate([part / (part.size * total) for part in parts])
    error, freedom = error_of_sum([part / total for part in parts])
    quantile = float(stats.t.ppf(0.5 + 0.5 * confidence, freedom))
    half = quantile * error if error > 0.0 else 0.0
    low, high = interval_on_log(np.array([total]), np.array([half]), longer_up=_LONGER_UP)
    return TiltedAnswer(
        total,
        float(low[0]),
        float(high[0]),
        effective=1.0 / float((counts**2).sum()),
        share=float(counts.max()),
        error=error * total,
    )


def error_of_sum(samples: list[Floats]) -> tuple[float, float]:
    """Return the standard error of a sum of means of independent samples, and its freedom.

    Degrees of freedom of its square after Welch and Satterthwaite (Biometrics Bulletin 2 (1946)
    110; from memory), ``2 V^2 / Var(V)``, where the variance of each variance is told by the
    sample's own fourth moment: few heavy figures make few degrees, though there are thousands. But
    not fewer than 10: a sample that one figure carries knows nothing of its scatter, and is told.

    Parameters
    ----------
    samples : list of float64 arrays, each of shape (n,)
        n >= 2.
    """
    variance = doubt = 0.0
    for sample in samples:
        squares = (sample - sample.mean()) ** 2
        variance += float(squares.sum()) / (sample.size - 1) / sample.size
        doubt += float(squares.var()) / sample.size**3
    freedom = 2.0 * variance**2 / doubt if doubt > 0.0 else math.inf
    return math.sqrt(variance), max(freedom, _LEAST_FREEDOM)


def _few(found: TiltedAnswer, relative_error: float) -> bool:
    wanted = max(0.5 * relative_error**-2, _FEWEST_EFFECTIVE)
    return found.effective < min(_FEW_EFFECTIVE, wanted)


def doubts_of(
    answers: list[TiltedAnswer], thresholds: Floats, asked: Floats, *, unit: str
) -> list[str]:
    """Return what is doubtful, one sentence a doubt for all thresholds.

    Precision is judged only where it was asked for, weights everywhere.
    """
    told = [
        (x, found, error)
        for x, found, error in zip(thresholds.tolist(), answers, asked.tolist(), strict=True)
        if not math.isnan(found.estimate)
    ]

    def where(doubtful: list[float]) -> str:
        more = f" (the first of {len(doubtful)} such thresholds)" if len(doubtful) > 1 else ""
        return f"Above {doubtful[0]:g} {unit}{more}"

    doubts = []
    few = [(x, found.effective) for x, found, error in told if _few(found, error)]
    if few:
        least = max(min(effective for _, effective in few), 1.0)
        doubts.append(
            f"{where([x for x, _ in few])} the weights are worth few equal flights "
            f"({least:.0f} at the least): intervals may be too narrow there."
        )
    heavy = [(x, found.share) for x, found, _ in told if found.share > _LARGE_SHARE]
    if heavy:
        doubts.append(
            f"{where([x for x, _ in heavy])} one flight carries much of the weight "
            f"({100.0 * max(share for _, share in heavy):.0f} % at the most): intervals may be too "
            "narrow there."
        )
    rough = [
        (x, found.error / found.estimate)
        for x, found, error in told
        if math.isfinite(error) and found.error > 1.5 * error * found.estimate
    ]
    if rough:
        doubts.append(
            f"{where([x for x, _ in rough])} the standard error is larger than asked for "
            f"({100.0 * max(error for _, error in rough):.0f} % of the estimate at the most): "
            "allow more flights, or use splitting."
        )
    return doubts


def out_of_reach(
    lost: NDArray[np.bool_],
    *,
    reached: dict[str, NDArray[np.bool_]],
    thresholds: Floats,
    unit: str,
) -> list[str]:
    """Return, stratum by stratum, above which of the lost thresholds nothing can be told."""
    said = []

    def above(where: NDArray[np.bool_]) -> str:
        return f"above {', '.join(f'{x:g}' for x in thresholds[where])} {unit}"

    for name, row in reached.items():
        if (lost & ~row).any():
            place = f" in the stratum {name!r}" if len(reached) > 1 else ""
            said.append(
                f"No tilt brought enough flights{place} {above(lost & ~row)}: out of this method's "
                "reach, or beyond the greatest possible score."
            )
    few = lost & np.all(list(reached.values()), axis=0)
    if few.any():
        said.append(
            f"The weights are worth fewer than {LEAST_EFFECTIVE:g} equal flights {above(few)}: "
            "nothing is told there."
        )
    return said

"""Shares of a variance by cause: first-order, total and Shapley, of any function of the causes.

Take two independent samples of all causes, and two points whose causes each come from one or the
other. Let them agree on a set Q of the other causes and differ in all the rest. Swapping cause i to
its second draw changes the answer at both points, and half the product of the two changes has the
expectation c(Q with i) - c(Q), where c(Q) is the variance of the conditional mean given the causes
of Q: of the four products of answers two share Q and i, two share Q alone. Hence

* Q empty gives the first-order share (a product of differences as in A. B. Owen, ACM Transactions
  on Modeling and Computer Simulation 23 (2013) 11);
* Q all other causes, where the two points are one, the total share (Jansen's formula, estimator f
  of table 2 of A. Saltelli et al., Computer Physics Communications 181 (2010) 259);
* Q those on one side of i in a random order of the causes, the Shapley share (E. Song,
  B. L. Nelson, J. Staum, SIAM/ASA Journal on Uncertainty Quantification 4 (2016) 1060; T. Goda,
  Reliability Engineering & System Safety 213 (2021) 107803, who walks from one sample to the other
  swapping one cause after another).

Citations from memory; the identity is derived above. Products of changes have little noise where
causes merely add up: a small cause is not blurred by a large one. With d causes a pair of draws
takes 3 d - 1 evaluations, and all three shares use every one of the pairs.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple, Protocol

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.randomness import resolve_seed
from cgrisk.risk._checks import checked_count
from cgrisk.risk.readings import FEWEST_FOR_SHARES

__all__ = ["NOT_KNOWN", "NO_VARIANCE", "TOO_FEW", "Evaluate", "variance_shares"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Figures = tuple[float, ...]

#: Reasons that stand beside shares.
TOO_FEW: Final = f"shares are told apart from {FEWEST_FOR_SHARES} pairs on"
NO_VARIANCE: Final = "the answer does not vary: no cause has a share"
NOT_KNOWN: Final = "the variance itself is not known within a half: more pairs are needed"

#: Changes below this, relative to the answer or 1, are rounding.
_ROUNDING = 1e-9
#: Greatest standard error of the variance, relative to it, at which shares are stated.
_LEAST_KNOWN = 0.5
#: Pairs evaluated at a time; has no influence on any result.
_PAIRS_AT_ONCE = 128


class Evaluate(Protocol):
    """A function of named causes, each of which has two draws in every pair."""

    def __call__(self, pairs: Ints, swapped: Flags, /) -> Floats:
        """Return the answers.

        Parameters
        ----------
        pairs : int64 array, shape (n,)
            Numbers of pairs, from 0; the same number may come several times.
        swapped : bool array, shape (n, causes)
            Which causes take the second of their two draws.

        Returns
        -------
        float64 array, shape (n, answers)
        """


class _Part(NamedTuple):
    """What each pair says: arrays of shape (causes, pairs, answers), and two of (answers,)."""

    first_order: Floats
    total: Floats
    shapley: Floats
    largest_change: Floats
    largest: Floats


def _evaluated(
    evaluate: Evaluate, answers: tuple[str, ...], pairs: Ints, points: list[Flags]
) -> Floats:
    """Return the answers at points, shape (points, pairs, answers)."""
    values = evaluate(np.tile(pairs, len(points)), np.concatenate(points))
    values = np.asarray(values, dtype=np.float64)
    wanted = (len(points) * pairs.size, len(answers))
    if values.shape != wanted:
        raise UsageError(
            argument="evaluate",
            expected=f"answers of shape {wanted}",
            got=values.shape,
            cure="Return one row for each pair asked for and one column for each answer.",
        )
    finite = np.isfinite(values).all(axis=0)
    if not finite.all():
        raise UsageError(
            argument="answers",
            expected="figures that every flight has",
            got=", ".join(np.array(answers)[~finite]),
            cure="Leave out figures of phases that are not flown and of events that may not occur.",
        )
    return values.reshape(len(points), pairs.size, len(answers))


def _part(evaluate: Evaluate, answers: tuple[str, ...], pairs: Ints, order: Ints) -> _Part:
    """Evaluate some pairs; ``order`` (pairs, causes) says in which order causes are swapped."""
    n, causes = order.shape
    place = np.argsort(order, axis=1)
    one = np.broadcast_to(np.eye(causes, dtype=np.bool_)[:, None, :], (causes, n, causes))
    none = np.zeros((n, causes), dtype=np.bool_)
    inner = [place < swapped for swapped in range(2, causes - 1)]
    values = _evaluated(evaluate, answers, pairs, [none, ~none, *one, *~one, *inner])
    start, end = values[0], values[1]
    alone, all_but = values[2 : 2 + causes], values[2 + causes : 2 + 2 * causes]
    row = np.arange(n)
    walk = np.empty((causes + 1, n, len(answers)))
    walk[2 : causes - 1] = values[2 + 2 * causes :]
    walk[1] = alone[order[:, 0], row]
    walk[causes - 1] = all_but[order[:, -1], row]  # of two causes, the same as the line above
    walk[0], walk[causes] = start, end
    before, after = alone - start, end - all_but
    change = walk[place.T + 1, row] - walk[place.T, row]
    return _Part(
        first_order=0.5 * before * after,
        total=0.25 * (before * before + after * after),
        shapley=0.25 * change * (before + after),
        largest_change=np.abs(values - start).max(axis=(0, 1)),
        largest=np.abs(values).max(axis=(0, 1)),
    )


def _ratio(values: Floats, variances: Floats) -> tuple[float, float]:
    """Return (mean of values over mean of variances, its standard error by influences)."""
    variance = variances.mean()
    share = float(values.mean() / variance)
    influence = (values - share * variances) / variance
    return share, float(influence.std(ddof=1)) / math.sqrt(values.size)


def _rows(found: _Part | None, place: int, causes: int) -> tuple[list[Figures], str]:
    """Return six figures for each cause and for what only shows jointly, and a reason."""
    unknown: list[Figures] = [(math.nan,) * 6] * (causes + 1)
    zero: Figures = (0.0,) * 6
    if found is None:
        return unknown, TOO_FEW
    if found.largest_change[place] <= _ROUNDING * max(1.0, found.largest[place]):
        return [*[zero] * causes, (0.0, 0.0, math.nan, math.nan, 0.0, 0.0)], NO_VARIANCE
    kinds = [part[:, :, place] for part in found[:3]]
    variances = kinds[2].sum(axis=0)  # the Shapley parts of a pair add up to its variance
    variance = float(variances.mean())
    error = float(variances.std(ddof=1)) / math.sqrt(variances.size)
    if not error <= _LEAST_KNOWN * variance:
        return unknown, NOT_KNOWN
    rows: list[Figures] = [
        sum((_ratio(kind[cause], variances) for kind in kinds), ()) for cause in range(causes)
    ]
    together = _ratio(variances - kinds[0].sum(axis=0), variances)
    return [*rows, (*together, math.nan, math.nan, 0.0, 0.0)], ""


def variance_shares(
    evaluate: Evaluate,
    *,
    causes: tuple[str, ...],
    pairs: int,
    seed: int,
    answers: tuple[str, ...] = ("answer",),
    jobs: int = 1,
) -> pd.DataFrame:
    """Return each cause's shares of the variance of a function of independent causes.

    Parameters
    ----------
    evaluate : Evaluate
        The function. Draws of different pairs, and the two draws of a pair, are independent.
    causes : tuple of str
        Names of the causes, in the order of the columns of ``swapped``; at least one.
    pairs : int
        Pairs of draws; each takes 3 d - 1 evaluations with d causes (2 d + 2 with one or two).
    seed : int
        Of the random orders in which the causes are swapped, 0 to 2**64 - 1.
    answers : tuple of str
        Names of the answers, in the order of the columns that ``evaluate`` returns.
    jobs : int
        Threads; changes no result. ``evaluate`` is called with up to 128 pairs at a time.

    Returns
    -------
    pandas.DataFrame
        answer, cause, first_order (the variance that goes away when the cause is frozen), total
        (what is left when all others are frozen), shapley (joint effects split equally among the
        causes that act jointly; these add up to 1), each followed by its standard error (``_se``),
        pairs, reason. The last cause of an answer is ``together``: what only shows when causes act
        jointly, 1 less the sum of the first-order shares; it has no total (nan), and its Shapley
        share is 0.

        All shares are of the variance estimated from the same pairs, and standard errors allow for
        that. First-order shares of small causes may come out negative by chance. ``reason`` is
        empty, or :data:`TOO_FEW` (below 100 pairs; shares nan), :data:`NO_VARIANCE` (shares 0), or
        :data:`NOT_KNOWN` (the variance has a standard error above half of it; shares nan).

    Raises
    ------
    UsageError
        If an argument is out of its range, or an answer is not finite somewhere.
    """
    total = checked_count(pairs, argument="pairs", least=1)
    if not causes or len(set(causes)) != len(causes) or "together" in causes:
        raise UsageError(
            argument="causes",
            expected="at least one name, each once, and none of them 'together'",
            got=causes,
            cure="Name the causes in the order in which they are swapped.",
        )
    found = None
    if total >= FEWEST_FOR_SHARES:
        stream = np.random.Generator(np.random.Philox(key=resolve_seed(seed)))
        order = stream.permuted(np.tile(np.arange(len(causes)), (total, 1)), axis=1)
        pieces = [
            slice(start, min(start + _PAIRS_AT_ONCE, total))
            for start in range(0, total, _PAIRS_AT_ONCE)
        ]
        number = np.arange(total, dtype=np.int64)
        done: list[_Part] = Parallel(n_jobs=jobs, backend="threading")(
            delayed(_part)(evaluate, answers, number[piece], order[piece]) for piece in pieces
        )
        found = _Part(
            np.concatenate([part.first_order for part in done], axis=1),
            np.concatenate([part.total for part in done], axis=1),
            np.concatenate([part.shapley for part in done], axis=1),
            np.max([part.largest_change for part in done], axis=0),
            np.max([part.largest for part in done], axis=0),
        )
    rows: list[tuple[object, ...]] = []
    for place, answer in enumerate(answers):
        figures, reason = _rows(found, place, len(causes))
        for cause, shares in zip((*causes, "together"), figures, strict=True):
            rows.append((answer, cause, *shares, total, reason))
    kinds = ("first_order", "total", "shapley")
    names = [name for kind in kinds for name in (kind, f"{kind}_se")]
    return pd.DataFrame(rows, columns=["answer", "cause", *names, "pairs", "reason"])

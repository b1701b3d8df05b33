"""Shares of the variance of what whole flights show, by cause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.causes.shares import variance_shares
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import MAX_FLIGHTS, resolve_seed
from cgrisk.rare import Meter, envelope_score
from cgrisk.risk._checks import checked_count
from cgrisk.risk.freezing import SAMPLED

__all__ = ["Answer", "cause_variance"]

Floats = NDArray[np.float64]


class Answer(Protocol):
    """One number of each flight; a :class:`cgrisk.rare.score.Score` is one."""

    @property
    def columns(self) -> Sequence[int]:
        """Places, in a row of :func:`cgrisk.flight.fly_block`, of the figures it looks at."""

    def of(self, rows: Floats, /) -> Floats:
        """Return the number of each row of :func:`cgrisk.flight.fly_block`, shape (n,)."""


class _Column:
    """A figure of a flight's row."""

    def __init__(self, model: FlightModel, name: str) -> None:
        if name not in model.columns:
            raise UsageError(
                argument="answers",
                expected="scores, or names of a flight's figures",
                got=name,
                cure="Name one of the model's columns.",
            )
        self.columns = (model.columns.index(name),)

    def of(self, rows: Floats) -> Floats:
        return rows[:, self.columns[0]]


def cause_variance(
    model: FlightModel,
    *,
    seed: int,
    pairs: int = 2048,
    answers: Mapping[str, Answer | str] | None = None,
    jobs: int = -1,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Return each cause's shares of the variance of what flights show.

    Flights ``2 k`` and ``2 k + 1`` are pair ``k``. They are flown, and so are flights that mix
    their causes: a cause that is given the other flight's number draws as that flight does.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    seed : int
        Of the flights and of the orders in which causes are swapped, 0 to 2**64 - 1.
    pairs : int
        Pairs of flights; each takes 29 flights.
    answers : mapping of str to Answer or str
        What is explained, by name (on a shelf, answers of one name are taken for one): a score, or
        the name of a column of a flight. The excess D over the planned path's least margin to
        the certified limit, aft and forward over all phases
        (% MAC), if not given.
    jobs : int
        Threads; changes no result.
    meter : Meter, optional
        Told of the flights; its shelf keeps what is finished.

    Returns
    -------
    pandas.DataFrame
        As :func:`cgrisk.causes.variance_shares`: answer, cause, first_order, first_order_se, total,
        total_se, shapley, shapley_se, pairs, reason.

    Raises
    ------
    UsageError
        If an argument is out of range, an answer does not exist, or it has no value on some flight
        (such as the figures of phases that are not flown).
    """
    resolve_seed(seed)
    total = checked_count(pairs, argument="pairs", least=1)
    if total > MAX_FLIGHTS // 2:
        raise UsageError(
            argument="pairs",
            expected=f"at most {MAX_FLIGHTS // 2}",
            got=pairs,
            cure="Ask for fewer.",
        )
    if answers is None:
        answers = {
            f"excess_{side}": envelope_score(model, side=side) for side in ("aft", "forward")
        }
    if not answers:
        raise UsageError(
            argument="answers", expected="at least one", got={}, cure="Say what to explain."
        )
    read = [_Column(model, of) if isinstance(of, str) else of for of in answers.values()]

    needed = sorted({column for answer in read for column in answer.columns})

    meter = Meter() if meter is None else meter
    digest, names = model.scenario.digest(), "/".join(answers)
    meter.begin("shares of the variance", expected=total * (3 * len(SAMPLED) - 1))

    def fly(pairs: NDArray[np.int64], swapped: NDArray[np.bool_]) -> Floats:
        own = (2 * pairs).astype(np.uint32)
        numbers = own[:, None] + swapped.astype(np.uint32)
        draws = {cause: numbers[:, place] for place, cause in enumerate(SAMPLED)}
        rows = fly_block(model, seed=seed, flights=own, swapped=draws, needed=needed)
        meter.add(own.size)
        return np.column_stack([answer.of(rows) for answer in read])

    def evaluate(pairs: NDArray[np.int64], swapped: NDArray[np.bool_]) -> Floats:
        what = f"{digest}/{seed}/{names}/{needed}/{total}/{pairs[0]}/{pairs.size}"
        piece = meter.kept(f"variance/{what}", lambda: {"answers": fly(pairs, swapped)})
        return piece["answers"].astype(np.float64)

    return variance_shares(
        evaluate, causes=SAMPLED, pairs=total, seed=seed, answers=tuple(answers), jobs=jobs
    )

"""Exponents by which one person's mass is leaned on his seat, and their exact means."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtri

from cgrisk.flight.kernel.data import MassData, PartyData
from cgrisk.flight.kernel.people import CHILD, DRAWN, MEN, SCORE_END, WOMEN
from cgrisk.flight.kernel.tilt_data import REACH

__all__ = ["MassTilt", "capped", "log_mean", "mass_tilt", "middles"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Steps of the score that a party shares, and points at which mean masses are laid down.
_BINS, _GRID = 11, 81
#: Cells of a word, and how many times as likely an outcome may become.
_CELLS = 512
_MOST = 64.0


def middles(cells: int) -> Floats:
    """Return the middles of the cells of a word."""
    return (np.arange(cells) + 0.5) / cells


def log_mean(exponent: Floats) -> Floats:
    """Return the logarithm of the mean exponential over the cells, the last axis."""
    return np.asarray(logsumexp(exponent, axis=-1) - np.log(exponent.shape[-1]))


def capped(exponent: Floats, most: float) -> Floats:
    """Return exponents none of which makes its cell much more than ``most`` times as likely."""
    return np.asarray(np.minimum(exponent, (log_mean(exponent) + np.log(most))[..., None]))


class MassTilt(NamedTuple):
    """Tables by what the rest of a party tells of a mass: ``T`` of them; arm ``A``; cell ``C``.

    Columns of four: a man, a woman, a child, an adult whose sex is drawn.

    Attributes
    ----------
    body : float64 array, shape (T, A, 3, C)
    bag : float64 array, shape (A, C)
    log_mean, most : float64 array, shape (T, A, 4)
        With their bags.
    centre_kg : float64 array, shape (T, 4)
        How much more than usual one of the table weighs on average.
    first, bins, degree : int64 array, shape (K + 1,)
        The first table of each kind of party and how many it has, one for each of as many equal
        steps of the normal score that its members share; and its degree of correlation.
    more_kg : float64 array, shape (D, 4, N)
        How much more than usual one weighs on average, at scores from -``REACH`` to ``REACH``.
    lever : float64 array, shape (A,)
        What one kg more on each arm adds to the exponent.
    adult, child : float64 array, shape (A,)
        Log mean of what one who travels alone adds to the exponent, his mean mass included.
    adult_kg, child_kg : float
        Mean masses, bags included.
    """

    body: Floats
    bag: Floats
    log_mean: Floats
    most: Floats
    centre_kg: Floats
    first: Ints
    bins: Ints
    degree: Ints
    more_kg: Floats
    lever: Floats
    adult: Floats
    child: Floats
    adult_kg: float
    child_kg: float


def _body(mass: MassData, population: int, z: Floats) -> Floats:
    shift, scale, shape = (v[population] for v in (mass.shift_kg, mass.scale_kg, mass.shape))
    if shape < 0.0:
        table = mass.quantile_kg[population]
        return np.asarray(np.interp(z, np.linspace(-SCORE_END, SCORE_END, table.size), table))
    body: Floats = shift + scale * (np.exp(shape * z) if shape > 0.0 else z)
    return body


def _bag(mass: MassData) -> Floats:
    u = middles(_CELLS)
    rest = np.clip((u - mass.bag_none) / max(1.0 - mass.bag_none, 1e-9), 1e-9, 1.0 - 1e-9)
    full = mass.bag_scale_kg * np.exp(mass.bag_shape * ndtri(rest))
    return np.where(u >= mass.bag_none, full, 0.0)


def _share_of_words(share: float) -> float:
    """Return the share of the words whose middle lies below ``share``."""
    return float(np.clip(np.ceil(share * 2.0**32 - 0.5), 0.0, 2.0**32)) / 2.0**32


def mass_tilt(mass: MassData, party: PartyData, *, lever: Floats) -> MassTilt:
    """Return how masses are leaned.

    Parameters
    ----------
    mass : MassData
    party : PartyData
    lever : float64 array, shape (A,)
        What one kg more on each arm adds to the exponent.
    """
    male = _share_of_words(mass.male_share)
    z, bag_kg = ndtri(middles(_CELLS)), _bag(mass)
    mean = np.array([_body(mass, population, z).mean() for population in range(3)])
    adult_mean = male * mean[MEN] + (1.0 - male) * mean[WOMEN]
    usual = np.array([adult_mean, adult_mean, mean[CHILD]])[:, None]
    bag = capped(lever[:, None] * (bag_kg - bag_kg.mean()), _MOST)
    drawn = [(sex, share) for sex, share in ((MEN, male), (WOMEN, 1.0 - male)) if share > 0.0]
    degrees, degree = np.unique(party.correlation, return_inverse=True)
    grid = np.linspace(-REACH, REACH, _GRID)
    bodies, log_means, most, centres, bins, more = [], [], [], [], [], []
    for correlation in degrees:

        def own(common: float, correlation: float = float(correlation)) -> Floats:
            mixed = np.sqrt(correlation) * common + np.sqrt(1.0 - correlation) * z
            bodies = np.stack([_body(mass, population, mixed) for population in range(3)])
            return np.asarray(bodies - usual)

        means = np.stack([own(common).mean(axis=1) for common in grid.tolist()], axis=1)
        more.append(np.vstack([means, male * means[MEN] + (1.0 - male) * means[WOMEN]]))
        bins.append(_BINS if correlation > 0.0 else 1)
        for step in range(bins[-1]):
            centre = REACH * ((2 * step + 1) / bins[-1] - 1.0)
            body = capped(lever[:, None, None] * own(centre), _MOST)
            each, top = log_mean(body), body.max(axis=-1)
            each[:, :CHILD] += log_mean(bag)[:, None]
            top[:, :CHILD] += bag.max(axis=1)[:, None]
            any_mean = logsumexp([np.log(share) + each[:, sex] for sex, share in drawn], axis=0)
            any_top = np.max([top[:, sex] for sex, _ in drawn], axis=0)
            bodies.append(body)
            log_means.append(np.column_stack([each, any_mean]))
            most.append(np.column_stack([top, any_top]))
            centres.append([np.interp(centre, grid, row) for row in more[-1]])
    # One alone: of the least correlation there is, which is nearly always none.
    alone = log_means[bins[0] // 2]
    adult_kg = float(adult_mean + bag_kg.mean())
    return MassTilt(
        body=np.stack(bodies),
        bag=bag,
        log_mean=np.stack(log_means),
        most=np.stack(most),
        centre_kg=np.array(centres),
        first=np.concatenate([[0], np.cumsum(bins)])[degree].astype(np.int64),
        bins=np.array(bins, dtype=np.int64)[degree],
        degree=degree.astype(np.int64),
        more_kg=np.stack(more),
        lever=lever,
        adult=lever * adult_kg + alone[:, DRAWN],
        child=lever * float(mean[CHILD]) + alone[:, CHILD],
        adult_kg=adult_kg,
        child_kg=float(mean[CHILD]),
    )

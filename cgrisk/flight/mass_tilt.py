"""Exponents by which one person's mass is leaned on his seat, and their exact means."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtri

from cgrisk.flight.kernel.data import MassData, PartyData
from cgrisk.flight.kernel.people import CHILD, MEN, SCORE_END, WOMEN

__all__ = ["MassTilt", "capped", "log_mean", "mass_tilt", "middles"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
    """Tables by degree of correlation ``M``, arm ``A``, population and cell ``C``.

    Attributes
    ----------
    body : float64 array, shape (M, A, 3, C)
    bag : float64 array, shape (A, C)
    log_mean, most : float64 array, shape (M, A, 4)
        Of a man, a woman, a child, an adult whose sex is drawn, with their bags.
    mass_class : int64 array, shape (K + 1,)
        Degree of correlation of each kind of party.
    adult, child : float64 array, shape (A,)
        Log mean of what one who travels alone adds to the exponent, his mean mass included.
    adult_kg, child_kg : float
        Mean masses, bags included.
    kind_kg, common_kg : float64 array, shape (K + 1, 3)
        How much more than any adult one of a kind weighs on average, all men, all women, each
        drawn; and that per unit of the normal score that his party shares.
    """

    body: Floats
    bag: Floats
    log_mean: Floats
    most: Floats
    mass_class: Ints
    adult: Floats
    child: Floats
    adult_kg: float
    child_kg: float
    kind_kg: Floats
    common_kg: Floats


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
    alone = np.stack([_body(mass, population, z) for population in range(3)])
    mean = alone.mean(axis=1)
    adult_mean = male * mean[0] + (1.0 - male) * mean[1]
    bag = capped(lever[:, None] * (bag_kg - bag_kg.mean()), _MOST)
    degrees, mass_class = np.unique(party.correlation, return_inverse=True)
    bodies, log_means, most = [], [], []
    sexes = [(MEN, male), (WOMEN, 1.0 - male)]
    drawn = [(sex, share) for sex, share in sexes if share > 0.0]
    for degree in degrees:
        # Of his own score alone; that of his party is known by then.
        own = np.stack([_body(mass, i, np.sqrt(1.0 - degree) * z) for i in range(3)])
        own -= np.array([adult_mean, adult_mean, mean[2]])[:, None]
        body = capped(lever[:, None, None] * own, _MOST)
        each, top = log_mean(body), body.max(axis=-1)
        each[:, :CHILD] += log_mean(bag)[:, None]
        top[:, :CHILD] += bag.max(axis=1)[:, None]
        any_mean = logsumexp([np.log(share) + each[:, sex] for sex, share in drawn], axis=0)
        any_top = np.max([top[:, sex] for sex, _ in drawn], axis=0)
        bodies.append(body)
        log_means.append(np.column_stack([each, any_mean]))
        most.append(np.column_stack([top, any_top]))
    # One alone: of the least correlation there is, which is nearly always none.
    adult_kg = float(adult_mean + bag_kg.mean())
    # The mean slope of a function of a normal score is the mean of its product with the score.
    rises = (alone[:2] * z).mean(axis=1)
    gain = np.sqrt(party.correlation)[:, None] * np.append(rises, [male, 1.0 - male] @ rises)
    sex_kg = np.array([mean[0] - adult_mean, mean[1] - adult_mean, 0.0])
    return MassTilt(
        body=np.stack(bodies),
        bag=bag,
        log_mean=np.stack(log_means),
        most=np.stack(most),
        mass_class=mass_class.astype(np.int64),
        adult=lever * adult_kg + log_means[0][:, 3],
        child=lever * float(mean[2]) + log_means[0][:, CHILD],
        adult_kg=adult_kg,
        child_kg=float(mean[2]),
        kind_kg=party.shift_kg[:, None] + sex_kg,
        common_kg=gain,
    )

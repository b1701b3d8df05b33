"""From random words to variates, one word or two a variate, by inversion only.

Inversion keeps a variate monotone in its word and uses a fixed number of words, so that two
policies which share a word share the variate, and a changed parameter moves it smoothly. All
kernels are scalar, meant to be inlined in loops. None checks its arguments: the ranges are in
the docstrings, and ``u`` is always in the open interval (0, 1) as the two uniforms give it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel

__all__ = [
    "categorical",
    "exponential",
    "index",
    "lognormal",
    "normal",
    "normal_cdf",
    "poisson",
    "truncated_normal",
    "uniform",
    "uniform53",
]

Word = int | np.uint32
Row8 = tuple[float, float, float, float, float, float, float, float]

_TWO_TO_MINUS_32 = 2.0**-32
_TWO_TO_MINUS_52 = 2.0**-52
_HALF_WORD_BITS = np.uint64(26)
_DROPPED_BITS = np.uint64(6)
_ROOT_HALF = math.sqrt(0.5)

# Coefficients of PPND16, constant term first: M. J. Wichura, "Algorithm AS 241: the percentage
# points of the normal distribution", Applied Statistics 37 (1988), 477-484.
CENTRE_TOP: Row8 = (
    3.3871328727963666080e0,
    1.3314166789178437745e2,
    1.9715909503065514427e3,
    1.3731693765509461125e4,
    4.5921953931549871457e4,
    6.7265770927008700853e4,
    3.3430575583588128105e4,
    2.5090809287301226727e3,
)
CENTRE_BOTTOM: Row8 = (
    1.0,
    4.2313330701600911252e1,
    6.8718700749205790830e2,
    5.3941960214247511077e3,
    2.1213794301586595867e4,
    3.9307895800092710610e4,
    2.8729085735721942674e4,
    5.2264952788528545610e3,
)
TAIL_TOP: Row8 = (
    1.42343711074968357734e0,
    4.63033784615654529590e0,
    5.76949722146069140550e0,
    3.64784832476320460504e0,
    1.27045825245236838258e0,
    2.41780725177450611770e-1,
    2.27238449892691845833e-2,
    7.74545014278341407640e-4,
)
TAIL_BOTTOM: Row8 = (
    1.0,
    2.05319162663775882187e0,
    1.67638483018380384940e0,
    6.89767334985100004550e-1,
    1.48103976427480074590e-1,
    1.51986665636164571966e-2,
    5.47593808499534494600e-4,
    1.05075007164441684324e-9,
)
FAR_TAIL_TOP: Row8 = (
    6.65790464350110377720e0,
    5.46378491116411436990e0,
    1.78482653991729133580e0,
    2.96560571828504891230e-1,
    2.65321895265761230930e-2,
    1.24266094738807843860e-3,
    2.71155556874348757815e-5,
    2.01033439929228813265e-7,
)
FAR_TAIL_BOTTOM: Row8 = (
    1.0,
    5.99832206555887937690e-1,
    1.36929880922735805310e-1,
    1.48753612908506148525e-2,
    7.86869131145613259100e-4,
    1.84631831751005468180e-5,
    1.42151175831644588870e-7,
    2.04426310338993978564e-15,
)


@kernel
def uniform(word: Word) -> float:
    """Return the middle of the word's cell, (word + 0.5) / 2**32, in (0, 1)."""
    return (word + 0.5) * _TWO_TO_MINUS_32


@kernel
def uniform53(word_a: Word, word_b: Word) -> float:
    """Return a number in (0, 1) that uses all 53 bits of a float.

    The top 26 bits of each word make a cell of width 2**-52, whose middle, an odd multiple of
    2**-53, is exact. (Middles of cells half as wide would round, the last of them to 1.)
    """
    high = np.uint64(word_a) >> _DROPPED_BITS
    low = np.uint64(word_b) >> _DROPPED_BITS
    return (float((high << _HALF_WORD_BITS) | low) + 0.5) * _TWO_TO_MINUS_52


@kernel
def _horner(c: Row8, r: float) -> float:
    high = ((c[7] * r + c[6]) * r + c[5]) * r + c[4]
    return (((high * r + c[3]) * r + c[2]) * r + c[1]) * r + c[0]


@kernel
def normal(u: float) -> float:
    """Return the standard normal quantile of u, in (0, 1), to about 1e-16 relative (AS 241).

    Strictly increasing over the values of :func:`uniform`, where it runs from -6.3 to 6.3, and
    odd about 1/2 there: the normals of a word and of its complement are each other's negatives.
    """
    q = u - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        return q * _horner(CENTRE_TOP, r) / _horner(CENTRE_BOTTOM, r)
    r = math.sqrt(-math.log(u if q < 0.0 else 1.0 - u))
    if r <= 5.0:
        z = _horner(TAIL_TOP, r - 1.6) / _horner(TAIL_BOTTOM, r - 1.6)
    else:
        z = _horner(FAR_TAIL_TOP, r - 5.0) / _horner(FAR_TAIL_BOTTOM, r - 5.0)
    return -z if q < 0.0 else z


@kernel
def normal_cdf(z: float) -> float:
    """Return the standard normal probability below z; accurate in the lower tail too."""
    return 0.5 * math.erfc(-z * _ROOT_HALF)


@kernel
def index(u: float, n: int) -> int:
    """Return a whole number from 0 to n - 1, n >= 1, equally likely (to n / 2**32)."""
    return min(int(u * n), n - 1)


@kernel
def categorical(u: float, cumulative: NDArray[np.float64]) -> int:
    """Return the number of the class that u falls in.

    Parameters
    ----------
    u : float
        In (0, 1).
    cumulative : float64 array, shape (>= 1,)
        Running sums of the weights of the classes (>= 0, not all 0). The last is the total and
        need not be 1. A class of weight 0 is never returned.
    """
    target = u * cumulative[cumulative.size - 1]
    low = 0
    high = cumulative.size - 1
    while low < high:
        middle = (low + high) // 2
        if cumulative[middle] > target:
            high = middle
        else:
            low = middle + 1
    return low


@kernel
def exponential(u: float) -> float:
    """Return the quantile of u of the exponential law of mean 1 (at most 23 from one word)."""
    return -math.log1p(-u)


@kernel
def poisson(u: float, rate: float) -> int:
    """Return the Poisson quantile of u: the least k whose probability of <= k reaches u.

    ``rate`` is the mean, 0 to 500 (e**-rate must not underflow). Adds up the probabilities, so
    the time grows with k. Ends for any arguments: terms rise up to the mode and fall after it,
    so a term too small to change the sum is the last that counts, whatever u asks for.
    """
    k = 0
    term = math.exp(-rate)
    total = term
    while u > total:
        k += 1
        term *= rate / k
        grown = total + term
        if grown == total:
            break
        total = grown
    return k


@kernel
def lognormal(u: float, shift: float, scale: float, shape: float) -> float:
    """Return the quantile of u of a shifted lognormal law.

    ``shift`` and ``scale`` (the median above the shift, > 0) are in the unit wanted; ``shape``,
    >= 0, is the standard deviation of the logarithm.
    """
    return shift + scale * math.exp(shape * normal(u))


@kernel
def truncated_normal(u: float, mean: float, sd: float, low: float, high: float) -> float:
    """Return the quantile of u of a normal law restricted to [low, high].

    ``mean``, ``sd``, ``low`` and ``high`` share a unit. ``sd`` >= 0; at 0 the result is the mean,
    moved to the nearer bound if outside. ``low`` <= ``high``; either may be infinite. When
    [low, high] is more than about 38 sd from the mean, the result is the bound nearer to it.
    """
    if sd == 0.0:
        return min(max(mean, low), high)
    z_low = (low - mean) / sd
    z_high = (high - mean) / sd
    # Probabilities are accurate in the lower tail only: mirror what lies in the upper one.
    mirrored = z_low > 0.0
    if mirrored:
        z_low, z_high, u = -z_high, -z_low, 1.0 - u
    below = normal_cdf(z_low)
    above = normal_cdf(-z_high)
    inside = normal_cdf(z_high) - below if z_high < 0.0 else 1.0 - below - above
    p = below + u * inside
    if p <= 0.0:
        z = z_high
    elif p <= 0.5:
        z = normal(p)
    else:
        z = -normal(above + (1.0 - u) * inside)
    x = mean - sd * z if mirrored else mean + sd * z
    return min(max(x, low), high)

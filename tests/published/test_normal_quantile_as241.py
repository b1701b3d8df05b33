"""The normal quantile against the checks printed in Algorithm AS 241.

Source: M. J. Wichura, Applied Statistics 37 (1988), 477-484. The listing ends each table of
coefficients with the sum of their mantissas ("hash sum"), to check a transcription. The sums
are as reprinted in the comments of a transcription of that listing.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from cgrisk.randomness import variates
from cgrisk.randomness.variates import normal


def mantissa(value: float) -> Fraction:
    return Fraction(f"{value:.25e}".split("e")[0])


@pytest.mark.parametrize(
    "top, bottom, hash_sum",
    [
        (variates.CENTRE_TOP, variates.CENTRE_BOTTOM, "55.8831928806149014439"),
        (variates.TAIL_TOP, variates.TAIL_BOTTOM, "49.33206503301610289036"),
        (variates.FAR_TAIL_TOP, variates.FAR_TAIL_BOTTOM, "47.52583317549289671629"),
    ],
)
def test_sum_of_mantissas(top: tuple[float, ...], bottom: tuple[float, ...], hash_sum: str) -> None:
    assert bottom[0] == 1.0  # not in the table, and not in its sum
    total = sum(map(mantissa, (*top, *bottom[1:])))
    # Fifteen coefficients, each rounded to a float: half a unit in the last place at most.
    assert abs(total - Fraction(hash_sum)) < 15 * 10 * 2.0**-53


@pytest.mark.parametrize(
    "u, z",
    [
        (0.25, -0.6744897501960817),
        (0.001, -3.090232306167814),
        (1e-20, -9.262340089798408),
    ],
)
def test_quantiles_given_as_checks(u: float, z: float) -> None:
    """The three checks of the paper, one in each branch; values from memory."""
    assert normal(u) == pytest.approx(z, rel=1e-15)

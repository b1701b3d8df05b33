"""What the sample says: probabilities, quantiles and exceedance, each with its interval.

``intervals`` gives exact binomial intervals for shares of flights (no event: an upper bound), the
paired difference of two shares and the mean; ``quantiles`` bounds quantiles by order statistics;
``exceedance`` reads how often flights pass a limit as the planned CG moves towards it.
"""

from cgrisk.risk.exceedance import (
    OffsetForRisk,
    default_offsets,
    exceedance_curve,
    offset_for_risk,
)
from cgrisk.risk.intervals import (
    Interval,
    binomial_interval,
    binomial_intervals,
    mean_interval,
    proportion_difference,
)
from cgrisk.risk.quantiles import needed_flights, quantile_interval, upper_quantile_bound

__all__ = [
    "Interval",
    "OffsetForRisk",
    "binomial_interval",
    "binomial_intervals",
    "default_offsets",
    "exceedance_curve",
    "mean_interval",
    "needed_flights",
    "offset_for_risk",
    "proportion_difference",
    "quantile_interval",
    "upper_quantile_bound",
]

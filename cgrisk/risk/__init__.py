"""What the sample says: probabilities, quantiles and exceedance, each with its interval.

``intervals`` gives exact binomial intervals for shares of flights (no event: an upper bound), the
paired difference of two shares and the mean; ``quantiles`` bounds quantiles by order statistics;
``exceedance`` reads how often flights pass a limit as the planned CG moves towards it.
"""

from cgrisk.risk.cabin import cabin_figures, occupancy, times_up
from cgrisk.risk.exceedance import (
    OffsetForRisk,
    default_offsets,
    exceedance_curve,
    offset_for_risk,
)
from cgrisk.risk.freezing import frozen_shares
from cgrisk.risk.intervals import (
    Interval,
    binomial_interval,
    binomial_intervals,
    mean_interval,
    proportion_difference,
)
from cgrisk.risk.quantiles import needed_flights, quantile_interval, upper_quantile_bound
from cgrisk.risk.readings import (
    cause_shares,
    error_quantiles,
    excess,
    excess_quantiles,
    fleet_risk,
    leave_envelope,
    offset_curve,
    operational_shift,
    outside,
    over_mass,
)
from cgrisk.risk.running import RunningRisk
from cgrisk.risk.summary import Summary, summarise

__all__ = [
    "Interval",
    "OffsetForRisk",
    "RunningRisk",
    "Summary",
    "binomial_interval",
    "binomial_intervals",
    "cabin_figures",
    "cause_shares",
    "default_offsets",
    "error_quantiles",
    "exceedance_curve",
    "excess",
    "excess_quantiles",
    "fleet_risk",
    "frozen_shares",
    "leave_envelope",
    "mean_interval",
    "needed_flights",
    "occupancy",
    "offset_curve",
    "offset_for_risk",
    "operational_shift",
    "outside",
    "over_mass",
    "proportion_difference",
    "quantile_interval",
    "summarise",
    "times_up",
    "upper_quantile_bound",
]

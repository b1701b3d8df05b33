"""What the sample says: probabilities, quantiles and exceedance, each with its interval.

``intervals`` gives exact binomial intervals for shares of flights (no event: an upper bound), the
paired difference of two shares and the mean; ``quantiles`` bounds quantiles by order statistics;
``exceedance`` reads how often flights pass a limit as the planned CG moves towards it.
"""

from cgrisk.risk.cabin import cabin_figures, occupancy, times_up
from cgrisk.risk.exceedance import (
    OffsetForRisk,
    binned_exceedance,
    default_offsets,
    exceedance_curve,
    offset_for_risk,
)
from cgrisk.risk.freezing import frozen_shares
from cgrisk.risk.intervals import (
    Interval,
    binomial_interval,
    binomial_intervals,
    independent_difference,
    mean_interval,
    paired_difference,
    proportion_difference,
)
from cgrisk.risk.quantiles import (
    binned_quantile,
    needed_flights,
    quantile_interval,
    upper_quantile_bound,
)
from cgrisk.risk.readings import (
    cause_shares,
    error_quantiles,
    excess,
    excess_quantiles,
    fleet_risk,
    leave_envelope,
    nearest_flights,
    offset_curve,
    outside,
    over_mass,
    share_interval,
)
from cgrisk.risk.running import running_text
from cgrisk.risk.sequential import any_time_intervals, hit_interval
from cgrisk.risk.summary import Summary, summarise

__all__ = [
    "Interval",
    "OffsetForRisk",
    "Summary",
    "any_time_intervals",
    "binned_exceedance",
    "binned_quantile",
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
    "hit_interval",
    "independent_difference",
    "leave_envelope",
    "mean_interval",
    "nearest_flights",
    "needed_flights",
    "occupancy",
    "offset_curve",
    "offset_for_risk",
    "outside",
    "over_mass",
    "paired_difference",
    "proportion_difference",
    "quantile_interval",
    "running_text",
    "share_interval",
    "summarise",
    "times_up",
    "upper_quantile_bound",
]

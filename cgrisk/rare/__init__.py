"""Beyond counting: splitting in strata, tilting, exact laws, a tail fit as check, the choice.

``study`` puts it together. A ``Score`` says how far past its limit each flight went; every
estimator returns a ``TailEstimate``; a ``Cloud`` of weighted flights stands for the whole law and
is flown again under other assumptions.
"""

from cgrisk.rare.assumptions import (
    AssumptionRange,
    assumption_range,
    by_aircraft,
)
from cgrisk.rare.choice import METHODS, Choice, choose
from cgrisk.rare.cloud import (
    Cloud,
    cloud_error,
    cloud_interval,
    cloud_of,
    fly_cloud,
    fly_rows,
    thinned,
    versions_for,
    weighted_exceedance,
)
from cgrisk.rare.counting import counted_tail, flights_to_count, sequential_tail
from cgrisk.rare.estimate import TailEstimate, replicate_interval
from cgrisk.rare.exact import SeatingLaw, exact_tail, seating_law, why_not_exact
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.quantile import TailQuantile, tail_quantile
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.redealing import is_redealing, split_at
from cgrisk.rare.score import ENVELOPE, Score, envelope_score, score_named, score_names
from cgrisk.rare.strata import Stratum, strata_of
from cgrisk.rare.study import Inverse, Study, study_tail
from cgrisk.rare.tail_fit import TailFit, tail_fit
from cgrisk.rare.thresholds import threshold_at
from cgrisk.rare.tilting import tilted_tail, why_not_tilted
from cgrisk.rare.wider import with_strata

__all__ = [
    "ENVELOPE",
    "METHODS",
    "AssumptionRange",
    "Choice",
    "Cloud",
    "Inverse",
    "Meter",
    "Pilot",
    "Question",
    "Score",
    "SeatingLaw",
    "SplitTail",
    "Stratum",
    "Study",
    "TailEstimate",
    "TailFit",
    "TailQuantile",
    "assumption_range",
    "by_aircraft",
    "choose",
    "cloud_error",
    "cloud_interval",
    "cloud_of",
    "counted_tail",
    "envelope_score",
    "exact_tail",
    "flights_to_count",
    "fly_cloud",
    "fly_pilot",
    "fly_rows",
    "is_redealing",
    "replicate_interval",
    "score_named",
    "score_names",
    "seating_law",
    "sequential_tail",
    "split_at",
    "split_tail",
    "strata_of",
    "study_tail",
    "tail_fit",
    "tail_quantile",
    "thinned",
    "threshold_at",
    "tilted_tail",
    "versions_for",
    "weighted_exceedance",
    "why_not_exact",
    "why_not_tilted",
    "with_strata",
]

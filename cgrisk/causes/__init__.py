"""Why: what each cause contributes to the spread, to the tail, and to what is not known."""

from cgrisk.causes.common import in_common, phases_of_least
from cgrisk.causes.shares import variance_shares
from cgrisk.causes.stress import STRESS_CASES, stress_table
from cgrisk.causes.swings import swings
from cgrisk.causes.tail_shares import TailShares, tail_shares
from cgrisk.causes.variance import cause_variance

__all__ = [
    "STRESS_CASES",
    "TailShares",
    "cause_variance",
    "in_common",
    "phases_of_least",
    "stress_table",
    "swings",
    "tail_shares",
    "variance_shares",
]

"""Why: what each cause contributes to what the flights show."""

from cgrisk.causes.shares import variance_shares
from cgrisk.causes.variance import cause_variance

__all__ = ["cause_variance", "variance_shares"]

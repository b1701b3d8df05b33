"""Many flights: numbered blocks, workers, and the sample they make.

A flight's row depends on its number alone, so that workers, batches and back ends change nothing.
"""

from __future__ import annotations

from cgrisk.sampling.blocks import BLOCK, Block, check_counts, fly_blocks, warm_up
from cgrisk.sampling.sample import Sample, simulate

__all__ = ["BLOCK", "Block", "Sample", "check_counts", "fly_blocks", "simulate", "warm_up"]

"""Many flights: numbered blocks, workers, what is kept of them, when to stop.

A flight's row depends on its number alone, so that workers, batches and back ends change nothing.
Of a block a :class:`Tally` is kept (counts, bins, extremes, means), which flights had which
outcome as bits, and, if wanted, one row a flight.
"""

from __future__ import annotations

from cgrisk.sampling.blocks import BLOCK, SEGMENT_BLOCKS, Block, block_count, check_counts, warm_up
from cgrisk.sampling.layout import Layout, layout_of
from cgrisk.sampling.packing import (
    ChangedContentError,
    pack_arrays,
    pack_block,
    unpack_arrays,
    unpack_block,
)
from cgrisk.sampling.sample import MOST_ROWS, Sample, rows_frame, simulate
from cgrisk.sampling.stopping import CONFIDENCE, Precision, PrecisionWatch, hits_needed
from cgrisk.sampling.tally import (
    Tally,
    figures_of,
    merge_tallies,
    outcomes_of,
    tally_rows,
    unpack_outcomes,
)
from cgrisk.sampling.workers import fly_blocks

__all__ = [
    "BLOCK",
    "CONFIDENCE",
    "MOST_ROWS",
    "SEGMENT_BLOCKS",
    "Block",
    "ChangedContentError",
    "Layout",
    "Precision",
    "PrecisionWatch",
    "Sample",
    "Tally",
    "block_count",
    "check_counts",
    "figures_of",
    "fly_blocks",
    "hits_needed",
    "layout_of",
    "merge_tallies",
    "outcomes_of",
    "pack_arrays",
    "pack_block",
    "rows_frame",
    "simulate",
    "tally_rows",
    "unpack_arrays",
    "unpack_block",
    "unpack_outcomes",
    "warm_up",
]

"""A run on disk: begun, cut, taken up again, ended, read back, repeated.

``open_run`` holds a folder, ``fly_run`` fills it block by block, ``RunFolder.finish`` writes the
manifest last; ``read_run`` reads a complete one; ``rerun`` says whether the bits come out again.
"""

from __future__ import annotations

from cgrisk.runs.block_store import BlockStore, Segment, blocks_of
from cgrisk.runs.fly import Progress, fly_run
from cgrisk.runs.folder import RunFolder, check_folder, go_on, open_run, read_inputs, state_of
from cgrisk.runs.inputs import RunInputs, changed_keys, inputs_of
from cgrisk.runs.manifest import Manifest
from cgrisk.runs.read import Run, read_run
from cgrisk.runs.rerun import RerunVerdict, rerun

__all__ = [
    "BlockStore",
    "Manifest",
    "Progress",
    "RerunVerdict",
    "Run",
    "RunFolder",
    "RunInputs",
    "Segment",
    "blocks_of",
    "changed_keys",
    "check_folder",
    "fly_run",
    "go_on",
    "inputs_of",
    "open_run",
    "read_inputs",
    "read_run",
    "rerun",
    "state_of",
]

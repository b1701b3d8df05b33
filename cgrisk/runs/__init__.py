"""A run on disk: flown, written whole or not at all, read back with proof, and repeated.

``fly_run`` flies a scenario and keeps the times; ``new_run_folder`` builds a folder beside its
final name and renames it when all is written; ``read_run`` gives it back after checking every
file against the manifest; ``rerun`` repeats it and says how far the figures agree.
"""

from __future__ import annotations

from cgrisk.runs.faults import RunInputError
from cgrisk.runs.fly import FlownRun, fly_run
from cgrisk.runs.manifest import MANIFEST_FILE, FileEntry, Manifest, read_manifest
from cgrisk.runs.rerun import ColumnDifference, RerunVerdict, compare_frames, rerun
from cgrisk.runs.store import (
    SAMPLES_FILE,
    Run,
    check_folder_is_free,
    new_run_folder,
    read_run,
    run_folder_name,
    write_run,
)

__all__ = [
    "MANIFEST_FILE",
    "SAMPLES_FILE",
    "ColumnDifference",
    "FileEntry",
    "FlownRun",
    "Manifest",
    "RerunVerdict",
    "Run",
    "RunInputError",
    "check_folder_is_free",
    "compare_frames",
    "fly_run",
    "new_run_folder",
    "read_manifest",
    "read_run",
    "rerun",
    "run_folder_name",
    "write_run",
]

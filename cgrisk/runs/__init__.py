"""A run on disk: its manifest, its files, and a rerun that says whether the bits came out again."""

from __future__ import annotations

from cgrisk.runs.manifest import Manifest
from cgrisk.runs.rerun import RerunVerdict, rerun
from cgrisk.runs.store import Run, new_run_folder, read_run, write_manifest, write_samples

__all__ = [
    "Manifest",
    "RerunVerdict",
    "Run",
    "new_run_folder",
    "read_run",
    "rerun",
    "write_manifest",
    "write_samples",
]

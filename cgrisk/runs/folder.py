"""A run's folder while it is made: whose it is, what it is to hold, how it is ended.

The folder bears its name from the start. It holds ``inputs.json`` first and ``manifest.json``
last; without the manifest it is a run that was cut, and is never taken for a result.
"""

from __future__ import annotations

import os
import platform
import shlex
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from cgrisk.errors import (
    ComputationError,
    InterruptedRunError,
    NoRunFolderError,
    RunFolderError,
    UsageError,
)
from cgrisk.flight import FlightModel, prepare
from cgrisk.runs.block_store import BLOCKS, SAMPLES, BlockStore
from cgrisk.runs.files import (
    PARTIAL,
    digest_of,
    read_small,
    remove_partial,
    sync_folder,
    write_refusal,
    write_whole,
)
from cgrisk.runs.inputs import RunInputs
from cgrisk.runs.manifest import Manifest
from cgrisk.sampling import ChangedContentError, Layout, Sample, layout_of

__all__ = [
    "INPUTS",
    "MANIFEST",
    "RunFolder",
    "check_folder",
    "go_on",
    "open_run",
    "read_inputs",
    "refuse_nothing",
    "refuse_unfinished",
    "state_of",
]

MANIFEST = "manifest.json"
INPUTS = "inputs.json"
LOCK = ".lock"
_OWNER = ".lock-owner"
#: What `publish` writes, made anew whenever a run is ended.
_MADE_AT_THE_END = ("summaries", "charts")


@dataclass(slots=True)
class RunFolder:
    """A run being made.

    Attributes
    ----------
    place : Path
        Its folder.
    inputs : RunInputs
        What it is to do.
    model : FlightModel
        What is flown.
    layout : Layout
        What is kept of it.
    store : BlockStore
        Its blocks on disk.
    notes : list of str
        What was found amiss on taking it up again, and mended.
    """

    place: Path
    inputs: RunInputs
    model: FlightModel
    layout: Layout
    store: BlockStore
    notes: list[str] = field(default_factory=list)

    def clear_tables(self) -> None:
        """Remove summaries and charts of an earlier, cut end."""
        for name in _MADE_AT_THE_END:
            if (self.place / name).exists():
                shutil.rmtree(self.place / name)

    def finish(
        self,
        sample: Sample,
        *,
        seconds: dict[str, float],
        settings: dict[str, Any],
        created: str | None = None,
    ) -> Manifest:
        """Write the manifest, when all other files are on the disk.

        Parameters
        ----------
        sample : Sample
            What was flown.
        seconds, settings : dict
            What took how long, and with which workers.
        created : str, optional
            When; now if not given.
        """
        files = _digests(self.place, self.store)
        manifest = Manifest(
            inputs=self.inputs,
            flown=sample.flights,
            reached=dict(sample.reached),
            created=created or datetime.now(UTC).isoformat(timespec="seconds"),
            seconds=seconds,
            settings=settings,
            files=files,
        )
        write_whole(self.place / MANIFEST, manifest.to_json().encode())
        return manifest


def _digests(folder: Path, store: BlockStore) -> dict[str, str]:
    """Hand every file to the disk and return its SHA-256 by relative name."""
    found = {}
    for segment in store.segments() if store.keep_rows else ():
        for place in range(segment.blocks):
            path = store.rows_path(segment.first + place)
            found[path.relative_to(folder).as_posix()] = segment.rows[place].tobytes().hex()
    own = [folder / INPUTS, *sorted((folder / BLOCKS).glob("*.segment"))]
    for name in _MADE_AT_THE_END:
        own += sorted(path for path in (folder / name).rglob("*") if path.is_file())
        if (folder / name).is_dir():
            sync_folder(folder / name)
    for path in own:  # whatever else lies in the folder is not the run's
        with path.open("rb") as file:
            os.fsync(file.fileno())
        found[path.relative_to(folder).as_posix()] = digest_of(path)
    sync_folder(folder)
    return found


def state_of(folder: str | Path) -> str:
    """Return what stands at a folder's name.

    Returns
    -------
    str
        "free"; "begun" (a run without a block); "unfinished" (with some); "complete"; "other".
    """
    place = Path(folder)
    if not place.exists():
        return "free"
    if not place.is_dir():
        return "other"
    if (place / MANIFEST).exists():
        return "complete"
    if (place / BLOCKS).is_dir() and any((place / BLOCKS).iterdir()):
        return "unfinished"
    if (place / INPUTS).exists():
        return "begun"
    names = {path.name.removesuffix(PARTIAL) for path in place.iterdir()}
    return "free" if names <= {LOCK, _OWNER, INPUTS} else "other"


def refuse_unfinished(folder: Path) -> None:
    """Refuse a run that was cut, or that another process is still writing."""
    if state_of(folder) not in ("begun", "unfinished"):
        return
    got, cure = "one that was cut", "Go on with it"
    if (folder / _OWNER).exists():
        got += f", or that is still being written by {_owner(folder)}"
        cure = "Wait for it if it is still running, else go on with it"
    raise RunFolderError(
        f"{folder}: expected a complete run, with {MANIFEST}; got {got}. {cure}: {go_on(folder)}"
    )


def read_inputs(folder: str | Path) -> RunInputs:
    """Return what a run in a folder was given, whether it is complete or cut.

    Raises
    ------
    RunFolderError
        If there is none, or it was changed.
    """
    place = Path(folder)
    refuse_nothing(place)
    try:
        text = read_small(place / INPUTS).decode()
        return RunInputs.from_json(text, shown=str(place / INPUTS))
    except (OSError, ValueError, RunFolderError) as error:
        if (place / MANIFEST).exists():  # it holds the inputs too
            return _inputs_of_manifest(place)
        if isinstance(error, RunFolderError):
            raise
        raise RunFolderError(
            f"{folder}: expected the folder of a run, with {INPUTS}; got none that can be read. "
            "Name the folder that `cgrisk run --out` wrote."
        ) from error


def refuse_nothing(folder: Path) -> None:
    """Refuse the name of a folder at which nothing stands."""
    if not folder.exists():
        raise NoRunFolderError(
            f"{folder}: expected the folder of a run; got nothing of that name. Name the folder "
            "that `cgrisk run --out` wrote."
        )


def _inputs_of_manifest(place: Path) -> RunInputs:
    try:
        text = read_small(place / MANIFEST).decode("utf-8", "replace")
    except OSError as error:
        raise RunFolderError(
            f"{place / MANIFEST}: expected a manifest that can be read; got: "
            f"{error.strerror or error}. Repeat the run."
        ) from error
    return Manifest.from_json(text, shown=str(place / MANIFEST)).inputs


def check_folder(folder: str | Path, *, inputs: RunInputs, resume: bool) -> None:
    """Check that a run may begin, or go on, in a folder.

    Raises
    ------
    UsageError
        If the folder is not as it should be.
    RunFolderError
        If the run in it was begun with other inputs or versions.
    """
    place = Path(folder)
    if place.name in ("", "..") or "\0" in str(folder):
        raise UsageError(
            argument="out",
            expected="the name of a folder to make",
            got=str(folder),
            cure="Choose a name of its own, for instance results/mine.",
        )
    state = state_of(folder)
    if resume and state in ("free", "other"):
        raise UsageError(
            argument="resume",
            expected="the folder of a run that was cut",
            got=str(folder),
            cure="Name it with --out, or leave out --resume to begin a run there.",
        )
    if state == "unfinished" and not resume:
        raise UsageError(
            argument="out",
            expected="a new or empty folder",
            got=str(folder),
            cure="It holds a run that was cut: add --resume to go on with it, choose another "
            "--out, or remove it first.",
        )
    if state in ("other", "complete") and not resume:
        raise UsageError(
            argument="out",
            expected="a new or empty folder",
            got=str(folder),
            cure="It holds files: choose another --out, or remove it first.",
        )
    if resume:
        _check_same(folder, inputs)


def _check_same(folder: str | Path, now: RunInputs) -> None:
    try:
        begun = read_inputs(folder)
    except RunFolderError:  # lost; then the blocks tell whether these are theirs
        return
    differences = begun.differences(now)
    if differences:
        raise RunFolderError(
            f"{folder}: expected the inputs and versions the run was begun with; got "
            f"{'; '.join(differences)}. What is saved stays. Go on with what it was begun with, "
            "or begin a run of its own with another --out."
        )


def _refuse_links(place: Path) -> None:
    """Refuse folders of a run that are links: what is written and removed is the run's alone."""
    for name in (BLOCKS, SAMPLES, *_MADE_AT_THE_END):
        if (place / name).is_symlink() or ((place / name).exists() and not (place / name).is_dir()):
            raise RunFolderError(
                f"{place / name}: expected a folder of the run's own; got a link or a file. Put "
                "the folder itself there, or remove it: what is missing is flown again."
            )


def _owner(place: Path) -> str:
    """Return who writes a run, or wrote it when the process was killed."""
    try:
        return read_small(place / _OWNER).decode().strip()[:200]
    except (OSError, ValueError, RunFolderError):
        return "another process"


@contextmanager
def _locked(place: Path, folder: str | Path) -> Iterator[None]:
    lock = FileLock(place / LOCK)
    try:
        lock.acquire(blocking=False)
    except Timeout as error:
        raise RunFolderError(
            f"{folder}: expected a folder that no other run is writing; got one in use by "
            f"{_owner(place)}. Wait for it, stop it, or choose another --out."
        ) from error
    try:
        since = datetime.now().astimezone().isoformat(timespec="seconds")
        owner = f"process {os.getpid()} on {platform.node()} since {since}\n"
        write_whole(place / _OWNER, owner.encode())
        yield
    finally:
        (place / _OWNER).unlink(missing_ok=True)
        lock.release()


def go_on(folder: str | Path) -> str:
    """Return the command that goes on with the run in a folder."""
    return f"cgrisk run --resume --out {shlex.quote(str(folder))}"


@contextmanager
def open_run(folder: str | Path, *, inputs: RunInputs, resume: bool = False) -> Iterator[RunFolder]:
    """Begin a run in a folder, or take it up again, and hold the folder until it is left.

    Parameters
    ----------
    folder : str or Path
        Where; new or empty, with ``resume`` a run that was cut.
    inputs : RunInputs
        What it is to do; with ``resume`` the same as when it was begun.
    resume : bool
        Whether to go on with what is there.

    Raises
    ------
    UsageError
        If the folder is not as it should be.
    RunFolderError
        If it cannot be written, is in use, or was begun with other inputs or versions. What was
        saved stays.
    ComputationError, InterruptedRunError
        When it could not go on, or was interrupted: it says what is saved and how to go on.
    """
    place = Path(folder)
    run: RunFolder | None = None
    try:
        if state_of(folder) not in ("begun", "unfinished"):  # else it may be in use
            check_folder(folder, inputs=inputs, resume=resume)
        if not place.exists():
            place.mkdir(parents=True)
            sync_folder(place.parent)
        with _locked(place, folder):
            check_folder(folder, inputs=inputs, resume=resume)  # now that nobody else writes
            _refuse_links(place)
            remove_partial(place)
            opened = _prepared(place, inputs)
            if resume and _inputs_are_lost(folder) and opened.store.is_of_another_run():
                raise RunFolderError(
                    f"{folder}: expected blocks of a run with these inputs; got another run's. "
                    "Give the scenario, --seed, --flights, --precision and --rows it was begun "
                    "with. What is saved stays."
                )
            (place / MANIFEST).unlink(missing_ok=True)
            write_whole(place / INPUTS, inputs.to_json().encode())
            opened.store.make()
            run = opened
            yield run
    except OSError as error:
        reason, cure = write_refusal(error)
        saved = _saved_text(run)
        tail = (
            f"{cure}, then go on: {go_on(folder)}" if run else f"{cure}, or choose another --out."
        )
        raise RunFolderError(
            f"{folder}: expected a folder that can be written; got {reason}. {saved} {tail}"
        ) from error
    except ChangedContentError as error:
        raise RunFolderError(
            f"{folder}: expected blocks as they were written; got one that was changed while the "
            f"run was going on. {_saved_text(run)} Go on, which flies it again: {go_on(folder)}"
        ) from error
    except ComputationError as error:
        raise ComputationError(f"{error} {_saved_text(run)} Go on: {go_on(folder)}") from error
    except KeyboardInterrupt as error:
        if run is None:
            raise
        raise InterruptedRunError(
            f"interrupted. {_saved_text(run)} Go on: {go_on(folder)}"
        ) from error


def _inputs_are_lost(folder: str | Path) -> bool:
    try:
        read_inputs(folder)
    except RunFolderError:
        return True
    return False


def _prepared(place: Path, inputs: RunInputs) -> RunFolder:
    model = prepare(inputs.read_scenario(shown=str(place / INPUTS)))
    layout = layout_of(model)
    store = BlockStore(place, layout=layout, keep_rows=inputs.rows, identity=inputs.identity())
    return RunFolder(place, inputs, model, layout, store)


def _saved_text(run: RunFolder | None) -> str:
    if run is None:
        return "What was saved before stays."
    # Told from the disk: an interrupt may come between a block's last step there and any count.
    saved = run.store.saved_flights(run.inputs.flights)
    return f"{saved:,} of {run.inputs.flights:,} flights are saved in {run.place}."

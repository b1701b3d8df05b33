"""The scenarios that come with cgrisk, and copies of them to edit."""

from __future__ import annotations

import shutil
from pathlib import Path

from cgrisk.errors import RunFolderError, UsageError

__all__ = ["DEFAULT", "shipped_folder", "shipped_scenarios", "write_template"]

#: Scenario flown when none is named.
DEFAULT = "single_aisle"


def shipped_folder() -> Path:
    """Return the folder of the shipped scenarios: a clone's own, else the wheel's copy.

    Raises
    ------
    RunFolderError
        If neither is there.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "shipped", package.parent / "scenarios"):
        if (folder / DEFAULT / "operation.toml").is_file():
            return folder
    raise RunFolderError("The shipped scenarios are missing. Install cgrisk again.")


def shipped_scenarios() -> dict[str, Path]:
    """Return the shipped scenarios by name."""
    return {p.parent.name: p.parent for p in sorted(shipped_folder().glob("*/operation.toml"))}


def write_template(folder: str | Path, *, case: str = DEFAULT) -> tuple[Path, ...]:
    """Copy a shipped case, comments and all, into a new folder to edit.

    Parameters
    ----------
    folder : str or Path
        Made anew.
    case : str
        One of :func:`shipped_scenarios`.

    Raises
    ------
    UsageError
        If there is no such case, or the folder exists and holds anything.
    RunFolderError
        If it cannot be written.
    """
    target = Path(folder)
    known = shipped_scenarios()
    if case not in known:
        raise UsageError(
            argument="like", expected=" or ".join(known), got=case, cure="Choose one of them."
        )
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise UsageError(
                argument="DIR",
                expected="a folder that does not exist yet or is empty",
                got=str(folder),
                cure="Choose another name.",
            )
        target.mkdir(parents=True, exist_ok=True)
        written = []
        for name in ("aircraft.toml", "operation.toml", "policies.toml", "loads.csv"):
            source = known[case] / name
            shutil.copyfile(source, target / source.name)
            written.append(target / source.name)
    except OSError as error:
        reason = error.strerror or str(error)
        raise RunFolderError(f"{folder}: cannot be written ({reason}). Choose another.") from error
    return tuple(written)

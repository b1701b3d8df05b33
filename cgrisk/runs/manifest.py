"""The manifest: all that is needed to repeat a run and to trust its files.

What is read back is never trusted: types, keys and ranges are checked, the manifest's own
SHA-256 and that of the scenario in it are computed again, and no file may lie outside the folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
from datetime import UTC, datetime
from functools import cache
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Final, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from cgrisk import __version__
from cgrisk.compiled import source_fingerprint
from cgrisk.errors import RunFolderError
from cgrisk.runs.faults import RunInputError, disk_refused
from cgrisk.runs.fly import FlownRun
from cgrisk.sampling import BLOCK
from cgrisk.scenario import Scenario

__all__ = [
    "MANIFEST_FILE",
    "FileEntry",
    "Manifest",
    "library_versions",
    "machine",
    "make_manifest",
    "read_manifest",
    "sha256_of_data",
]

MANIFEST_FILE: Final = "manifest.json"
FORMAT: Final = 1
#: A manifest holds one scenario and some hashes; anything larger is not one.
_MOST_BYTES: Final = 64_000_000
_MOST_FAULTS: Final = 5
_LIBRARIES: Final = ("numpy", "scipy", "numba", "llvmlite", "pandas", "pyarrow")
METHOD: Final = (
    "Counting: flights sampled independently, each a function of seed and flight number alone "
    "(Philox4x32-10). Shares of flights have exact binomial (Clopper-Pearson) intervals, "
    "quantiles have intervals from order statistics; both tell numerical error only."
)

_Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
_Seconds = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class FileEntry(_Part):
    """One file of a run: its SHA-256 and size."""

    sha256: _Hash
    bytes: Annotated[int, Field(ge=0)]


class Manifest(_Part):
    """How a run was made. Numbers of the scenario are in SI.

    Attributes
    ----------
    format : int
        Version of the run folder's format.
    status : str
        ``"complete"``: the manifest is written last, after every other file.
    cgrisk, created, command : str, str, tuple of str
        Version, time of creation (UTC, ISO 8601), and command as given.
    scenario, scenario_sha256, scenario_units : dict, str, str
        Resolved scenario, its digest, and the note that its numbers are in SI.
    seed, flights, confidence, block : int, int, float, int
        What was asked for, and the flights in a block (and in a Parquet row group).
    method : str
        How the numbers were computed, in words.
    jobs, batch, backend : int, int, str
        How the work was spread; changes no result.
    kernel_sha : str
        Fingerprint of the compiled kernels' sources, in hexadecimal.
    versions, machine : dict of str
        Python and libraries; processor, compiler target and platform.
    timings_s : dict of float
        Seconds by stage.
    files : dict of FileEntry
        Every other file of the folder by its path, with forward slashes.
    """

    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)] = FORMAT
    status: Literal["complete"] = "complete"
    cgrisk: str
    created: str
    command: tuple[str, ...] = Field(strict=False)
    scenario: dict[str, Any]
    scenario_sha256: _Hash
    scenario_units: str = "SI: kg, m, s, m3, kg/m3, kg/s; % MAC and others as their keys say"
    seed: Annotated[int, Field(ge=0, lt=2**64)]
    flights: Annotated[int, Field(ge=1, le=2**32)]
    confidence: Annotated[float, Field(gt=0.0, lt=1.0)]
    block: Annotated[int, Field(ge=1)] = BLOCK
    method: str = METHOD
    jobs: int
    batch: Annotated[int, Field(ge=1)]
    backend: Literal["threading", "loky"]
    kernel_sha: str
    versions: dict[str, str]
    machine: dict[str, str]
    timings_s: dict[str, _Seconds]
    files: dict[str, FileEntry]

    @field_validator("files")
    @classmethod
    def _inside_the_folder(cls, files: dict[str, FileEntry]) -> dict[str, FileEntry]:
        for name in files:
            path = PurePosixPath(name)
            if not name or path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name:
                raise ValueError(f"{name!r} is not a path inside the run folder")
        return files

    def to_json(self) -> str:
        """Return the manifest as JSON, with its own SHA-256 as the last key."""
        data = self.model_dump(mode="json")
        data["manifest_sha256"] = sha256_of_data(data)
        return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, *, name: str = MANIFEST_FILE) -> Manifest:
        """Return the manifest that a text holds.

        Parameters
        ----------
        text : str
            JSON.
        name : str
            Name of the file for messages.

        Raises
        ------
        RunInputError
            If it is not a manifest of this format, or was changed after it was written.
        """
        try:
            data = json.loads(text, parse_constant=_refuse_constant)
        except (ValueError, RecursionError) as error:
            raise _bad(name, f"no valid JSON ({error})") from None
        if not isinstance(data, dict):
            raise _bad(name, f"JSON that is a {type(data).__name__}, not an object")
        if data.get("format") != FORMAT:
            raise RunInputError(
                f"{name}: expected run folder format {FORMAT}; got {data.get('format')!r:.60}. "
                "Read it with the cgrisk version that wrote it."
            )
        stated = data.pop("manifest_sha256", None)
        try:
            manifest = cls.model_validate(data)
        except ValidationError as error:
            raise _bad(name, _first_faults(error)) from None
        for what, wanted, content in (
            ("its own content", stated, data),
            ("its scenario", manifest.scenario_sha256, manifest.scenario),
        ):
            if wanted != sha256_of_data(content):
                raise RunInputError(
                    f"{name}: expected the SHA-256 it states for {what}; got another: it was "
                    "changed after the run. Restore it, or run the scenario again."
                )
        return manifest


def sha256_of_data(data: Any) -> str:
    """Return the SHA-256 of plain data: equal content, equal digest (as ``Scenario.digest``)."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def library_versions() -> dict[str, str]:
    """Return the versions of Python and of the libraries that can move a bit."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


@cache
def _processor() -> str:
    try:
        with Path("/proc/cpuinfo").open(encoding="utf-8", errors="replace") as lines:
            names = [line.split(":", 1)[1] for line in lines if line.startswith("model name")]
    except OSError:
        names = []
    return names[0].strip() if names else platform.processor() or "unknown"


def machine() -> dict[str, str]:
    """Return processor, the compiler's target, platform: what else can move a bit."""
    binding = import_module("llvmlite.binding")  # ships no types
    return {
        "processor": _processor(),
        "compiler_target": str(binding.get_host_cpu_name()),
        "platform": f"{platform.system()} {platform.machine()} ({sys.byteorder}-endian)",
        "processors": str(os.cpu_count()),
    }


def make_manifest(
    flown: FlownRun,
    *,
    confidence: float,
    command: tuple[str, ...],
    timings_s: dict[str, float],
    files: dict[str, FileEntry],
) -> Manifest:
    """Return the manifest of a run that was just flown, with this machine and moment in it."""
    scenario: Scenario = flown.sample.model.scenario
    return Manifest(
        cgrisk=__version__,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        command=command,
        scenario=scenario.resolved(),
        scenario_sha256=scenario.digest(),
        seed=flown.sample.seed,
        flights=flown.sample.flights,
        confidence=confidence,
        jobs=flown.jobs,
        batch=flown.batch,
        backend=flown.backend,
        kernel_sha=f"{source_fingerprint():016x}",
        versions=library_versions(),
        machine=machine(),
        timings_s={"prepare": flown.prepare_s, "fly": flown.fly_s, **timings_s},
        files=files,
    )


def read_manifest(folder: str | Path) -> Manifest:
    """Return the manifest of a run folder.

    Raises
    ------
    RunInputError
        If the folder is not there, is no complete run, or its manifest cannot be trusted.
    RunFolderError
        If the disk refuses.
    """
    place = Path(folder)
    path = place / MANIFEST_FILE
    try:
        if not place.is_dir():
            got = "a file" if place.exists() else "nothing there"
            raise RunInputError(
                f"{folder}: expected a run folder; got {got}. Name the folder a run wrote."
            )
        if not path.is_file():
            raise RunInputError(
                f"{folder}: expected a run folder with a {MANIFEST_FILE}; got none. It is not a "
                "run, or a run that did not finish: run the scenario again."
            )
        if path.stat().st_size > _MOST_BYTES:
            raise _bad(str(path), f"{path.stat().st_size} bytes")
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise _bad(str(path), f"text that is not UTF-8 (byte {error.start})") from None
    except (OSError, ValueError) as error:
        raise _unreadable(error, folder) from error
    return Manifest.from_json(text, name=str(path))


def _unreadable(error: OSError | ValueError, folder: object) -> RunFolderError:
    if isinstance(error, OSError):
        return disk_refused(error, folder=folder, doing="read")
    return RunInputError(f"{folder!r}: expected the name of a folder; got one with a null byte.")


def _bad(name: str, got: str) -> RunInputError:
    return RunInputError(
        f"{name}: expected the manifest of a run; got {got}. Restore it, or run the scenario again."
    )


def _first_faults(error: ValidationError) -> str:
    faults = error.errors(include_url=False, include_context=False, include_input=False)
    told = [
        f"{'.'.join(str(key)[:60] for key in fault['loc'])}: {fault['msg']}"
        for fault in faults[:_MOST_FAULTS]
    ]
    more = len(faults) - len(told)
    return "; ".join(told) + (f"; and {more} more" if more else "")


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")

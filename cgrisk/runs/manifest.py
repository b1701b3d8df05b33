"""The manifest: everything needed to repeat a run, and what every file of it must hash to."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import platform
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from cgrisk.errors import RunFolderError
from cgrisk.scenario import Scenario

__all__ = ["FORMAT", "Manifest", "environment"]

#: Version of the manifest's own form.
FORMAT = 1
_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "pandas", "pyarrow", "pydantic")


@dataclass(frozen=True, slots=True)
class Manifest:
    """What was run, with what, and what came out.

    Attributes
    ----------
    format : int
        Version of this form.
    cgrisk_version : str
        Version of cgrisk.
    kernel : int
        Fingerprint of the compiled sources.
    scenario : dict
        The resolved scenario in SI, every default written out.
    scenario_sha256 : str
        Its digest.
    seed, flights, block : int
        Seed, number of flights (0 to flights - 1) and flights per block.
    confidence : float
        Of the stated intervals.
    environment : dict of str to str
        Versions of Python and libraries, processor, platform.
    created : str
        UTC time, ISO 8601.
    seconds : dict of str to float
        What took how long.
    settings : dict
        Workers, batch, back end: they change no result.
    files : dict of str to str
        SHA-256 of every file of the run but this one.
    status : str
        "complete".
    """

    format: int
    cgrisk_version: str
    kernel: int
    scenario: dict[str, Any]
    scenario_sha256: str
    seed: int
    flights: int
    block: int
    confidence: float
    environment: dict[str, str]
    created: str
    seconds: dict[str, float]
    settings: dict[str, Any]
    files: dict[str, str]
    status: str = "complete"

    def to_json(self) -> str:
        """Return the manifest as text, with the SHA-256 of its own content."""
        data = asdict(self) | {"sha256": _content_digest(asdict(self))}
        return json.dumps(data, indent=2, sort_keys=True, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, *, shown: str) -> Manifest:
        """Read a manifest, trusting nothing.

        Raises
        ------
        RunFolderError
            If it is not a complete manifest of this form.
        """
        cure = "Repeat the run; do not edit its files."
        try:
            data = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise RunFolderError(f"{shown}: expected JSON; got {error}. {cure}") from error
        if not isinstance(data, dict):
            raise RunFolderError(f"{shown}: expected a JSON object; got another value. {cure}")
        kinds: dict[str, type | tuple[type, ...]] = {
            "format": int,
            "cgrisk_version": str,
            "kernel": int,
            "scenario": dict,
            "scenario_sha256": str,
            "seed": int,
            "flights": int,
            "block": int,
            "confidence": (int, float),
            "environment": dict,
            "created": str,
            "seconds": dict,
            "settings": dict,
            "files": dict,
            "status": str,
        }
        names = [field.name for field in fields(cls)]
        for name in names:
            value = data.get(name)
            if not isinstance(value, kinds[name]) or isinstance(value, bool):
                raise RunFolderError(
                    f"{shown}: expected {name!r} of its kind; got {value!r}. {cure}"
                )
        if data["format"] != FORMAT or data["status"] != "complete":
            raise RunFolderError(
                f"{shown}: expected format {FORMAT} and status 'complete'; got "
                f"{data['format']!r} and {data['status']!r}. {cure}"
            )
        content = {name: data[name] for name in names}
        if data.get("sha256") != _content_digest(content):
            raise RunFolderError(
                f"{shown}: expected the content its sha256 stands for; got another. "
                f"The manifest was changed after the run. {cure}"
            )
        return cls(**content)

    def read_scenario(self, *, shown: str) -> Scenario:
        """Return the scenario the manifest holds.

        Raises
        ------
        RunFolderError
            If it does not fit the schema or its digest.
        """
        try:
            scenario = Scenario.from_resolved(self.scenario, origin=shown)
        except (ValueError, KeyError, TypeError) as error:
            reason = str(error).splitlines()[0][:120]
            raise RunFolderError(
                f"{shown}: expected a scenario of this version; got {reason}. Repeat the run."
            ) from error
        if scenario.digest() != self.scenario_sha256:
            raise RunFolderError(
                f"{shown}: expected a scenario with digest {self.scenario_sha256[:12]}; got "
                f"{scenario.digest()[:12]}. The manifest was changed after the run; repeat it."
            )
        return scenario


def _content_digest(content: dict[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or "unknown"


def environment() -> dict[str, str]:
    """Return versions of Python and the libraries, processor and platform."""
    out = {"python": platform.python_version()}
    out |= {name: importlib.metadata.version(name) for name in _LIBRARIES}
    return out | {"processor": _processor(), "machine": platform.machine()}

"""What a run is to do, written before its first flight; a run goes on only with the same."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import Any

import cgrisk
from cgrisk.compiled import source_fingerprint
from cgrisk.errors import RunFolderError
from cgrisk.randomness import MAX_FLIGHTS
from cgrisk.runs.files import read_sealed_json, sealed_json
from cgrisk.sampling import BLOCK, CONFIDENCE, Precision
from cgrisk.sampling.environment import BITS_DEPEND_ON, environment
from cgrisk.scenario import Scenario

__all__ = ["FORMAT", "KINDS", "RunInputs", "changed_keys", "check_values", "inputs_of"]

#: Version of the form of a run's folder.
FORMAT = 2

KINDS: dict[str, type | tuple[type, ...]] = {
    "format": int,
    "cgrisk_version": str,
    "kernel": int,
    "scenario": dict,
    "scenario_sha256": str,
    "seed": int,
    "flights": int,
    "block": int,
    "confidence": (int, float),
    "precision": (dict, type(None)),
    "rows": bool,
    "environment": dict,
}


@dataclass(frozen=True, slots=True)
class RunInputs:
    """What a run is to do, and with what.

    Attributes
    ----------
    format : int
        Version of the form of the folder.
    cgrisk_version : str
        Version of cgrisk.
    kernel : int
        Fingerprint of the compiled sources.
    scenario : dict
        The resolved scenario in SI, every default written out.
    scenario_sha256 : str
        Its digest.
    seed, flights, block : int
        Seed, flights to fly (with a precision: at most), flights per block.
    confidence : float
        Of the stated intervals.
    precision : dict or None
        ``relative_half_width`` and ``sides``, if a precision decides when to stop.
    rows : bool
        Whether one row per flight is kept.
    environment : dict of str to str
        Versions of Python and libraries, processor, platform.
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
    precision: dict[str, Any] | None
    rows: bool
    environment: dict[str, str]

    def to_json(self) -> str:
        """Return the inputs as text, with the SHA-256 of their own content."""
        return sealed_json(asdict(self))

    @classmethod
    def from_json(cls, text: str, *, shown: str) -> RunInputs:
        """Read inputs, trusting nothing.

        Raises
        ------
        RunFolderError
            If they are incomplete, of another form or changed.
        """
        data = read_sealed_json(text, shown=shown, kinds=KINDS, form=FORMAT)
        check_values(data, shown=shown)
        return cls(**data)

    def identity(self) -> bytes:
        """Return 32 bytes that tell the blocks of such a run from those of others."""
        content = asdict(self)
        del content["environment"], content["scenario"]
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).digest()

    def read_scenario(self, *, shown: str) -> Scenario:
        """Return the scenario they hold.

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
                f"{scenario.digest()[:12]}. The file was changed after the run; repeat it."
            )
        return scenario

    def read_precision(self, *, shown: str) -> Precision | None:
        """Return the precision they ask for.

        Raises
        ------
        RunFolderError
            If it is none.
        """
        if self.precision is None:
            return None
        try:
            return Precision(
                relative_half_width=self.precision["relative_half_width"],
                sides=tuple(self.precision["sides"]),
                confidence=self.confidence,
            )
        except (KeyError, TypeError, ValueError) as error:
            raise RunFolderError(
                f"{shown}: expected a precision with its sides; got {self.precision!r}. "
                "Repeat the run."
            ) from error

    def precision_text(self) -> str:
        """Return the precision asked for in words."""
        if self.precision is None:
            return "no precision"
        sides = " and ".join(self.precision["sides"])
        return f"precision {self.precision['relative_half_width']:g} ({sides})"

    def differences(self, other: RunInputs) -> list[str]:
        """Return what keeps a run begun with these inputs from going on with others, in words."""
        found = []
        if self.scenario_sha256 != other.scenario_sha256:
            keys = [key for key, _, _ in changed_keys(self.scenario, other.scenario)]
            more = f" and {len(keys) - 6} more" if len(keys) > 6 else ""
            found.append(f"another scenario (it differs in {', '.join(keys[:6])}{more})")
        for name in ("seed", "flights", "confidence", "block"):
            before, now = getattr(self, name), getattr(other, name)
            if before != now:
                found.append(f"{name} {now} instead of {before}")
        if self.precision != other.precision:
            found.append(f"{other.precision_text()} instead of {self.precision_text()}")
        if self.rows != other.rows:
            texts = {True: "rows kept", False: "no rows kept"}
            found.append(f"{texts[other.rows]} instead of {texts[self.rows]}")
        return found + self.changed_versions(other)

    def changed_versions(self, other: RunInputs) -> list[str]:
        """Return the versions and machines on which bits depend and that differ, in words."""
        found = []
        if self.cgrisk_version != other.cgrisk_version:
            found.append(f"cgrisk {other.cgrisk_version} instead of {self.cgrisk_version}")
        elif self.kernel != other.kernel:
            found.append("other sources of the compiled part")
        for name in BITS_DEPEND_ON:
            before, now = self.environment.get(name), other.environment.get(name)
            if before != now:
                found.append(f"{name} {now} instead of {before}")
        return found


def check_values(data: dict[str, Any], *, shown: str) -> None:
    """Check the figures of inputs: a right seal does not make them possible.

    Raises
    ------
    RunFolderError
        If one is out of its range.
    """
    ranges = {
        "flights": (1, MAX_FLIGHTS),
        "seed": (0, 2**64 - 1),
        "block": (BLOCK, BLOCK),
        "confidence": (0.5, 1.0 - 1e-9),
    }
    for name, (low, high) in ranges.items():
        if not low <= data[name] <= high:
            raise RunFolderError(
                f"{shown}: expected {name!r} from {low} to {high}; got {str(data[name])[:30]}. "
                "Repeat the run; do not edit its files."
            )


def changed_keys(before: Any, now: Any, *, path: str = "") -> list[tuple[str, object, object]]:
    """Return (key, before, now) of every leaf in which two resolved scenarios differ."""
    if isinstance(before, dict) and isinstance(now, dict):
        return [
            found
            for key in dict.fromkeys([*before, *now])
            for found in changed_keys(
                before.get(key), now.get(key), path=f"{path}.{key}" if path else str(key)
            )
        ]
    if isinstance(before, list) and isinstance(now, list) and len(before) == len(now):
        return [
            found
            for i, (a, b) in enumerate(zip(before, now, strict=True))
            for found in changed_keys(a, b, path=f"{path}[{i}]")
        ]
    return [] if before == now else [(path, before, now)]


def inputs_of(
    scenario: Scenario,
    *,
    seed: int,
    flights: int,
    precision: Precision | None = None,
    rows: bool = True,
) -> RunInputs:
    """Return the inputs of a run on this machine with these versions.

    Parameters
    ----------
    scenario : Scenario
        What to fly.
    seed : int
        Resolved seed.
    flights : int
        How many; with a precision, at most.
    precision : Precision, optional
        What decides when to stop.
    rows : bool
        Whether to keep one row per flight.
    """
    wanted = None
    if precision is not None:
        wanted = {
            "relative_half_width": float(precision.relative_half_width),
            "sides": list(precision.sides),
        }
    return RunInputs(
        format=FORMAT,
        cgrisk_version=cgrisk.__version__,
        kernel=source_fingerprint(),
        scenario=scenario.resolved(),
        scenario_sha256=scenario.digest(),
        seed=seed,
        flights=flights,
        block=BLOCK,
        confidence=CONFIDENCE if precision is None else precision.confidence,
        precision=wanted,
        rows=rows,
        environment=environment(),
    )

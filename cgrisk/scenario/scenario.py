"""A scenario: an operation file and its aircraft file, checked, in SI, with everything read in."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from cgrisk.scenario.aircraft_file import AircraftFile
from cgrisk.scenario.operation_file import OperationFile

__all__ = ["Scenario"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """Frozen input of a run.

    Attributes
    ----------
    aircraft : AircraftFile
        The aircraft, in SI; CSV tables have been read into it.
    operation : OperationFile
        The planned flight, in SI.
    origin : str
        Where it was read from, as the user named it; for messages only, not part of its identity.
    """

    aircraft: AircraftFile
    operation: OperationFile
    origin: str = ""

    @property
    def name(self) -> str:
        """Name of the operation."""
        return self.operation.name

    def resolved(self) -> dict[str, Any]:
        """Return the whole scenario as plain data in SI, every default written out."""
        return {
            "aircraft": self.aircraft.model_dump(mode="json", by_alias=True),
            "operation": self.operation.model_dump(mode="json", by_alias=True),
        }

    def digest(self) -> str:
        """Return the SHA-256 of the resolved scenario: equal content, equal digest."""
        text = json.dumps(self.resolved(), sort_keys=True, separators=(",", ":"), allow_nan=False)
        return hashlib.sha256(text.encode()).hexdigest()

    @classmethod
    def from_resolved(cls, data: dict[str, Any], *, origin: str = "") -> Scenario:
        """Build a scenario from :meth:`resolved` data (SI), as a manifest keeps it.

        Raises
        ------
        pydantic.ValidationError
            If the data do not fit the schema.
        """
        return cls(
            aircraft=AircraftFile.model_validate(data["aircraft"]),
            operation=OperationFile.model_validate(data["operation"]),
            origin=origin,
        )

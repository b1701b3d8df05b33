"""The manifest: what a run was given, what it did, and what every file of it must hash to."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from cgrisk.errors import RunFolderError
from cgrisk.runs.files import read_sealed_json, sealed_json
from cgrisk.runs.inputs import FORMAT, KINDS, RunInputs, check_values

__all__ = ["Manifest"]

_OWN: dict[str, type | tuple[type, ...]] = {
    "flown": int,
    "reached": dict,
    "created": str,
    "seconds": dict,
    "settings": dict,
    "files": dict,
    "status": str,
}


@dataclass(frozen=True, slots=True)
class Manifest:
    """What was run, with what, and what came out. It is written last: without it a run is cut.

    Attributes
    ----------
    inputs : RunInputs
        What the run was given.
    flown : int
        Flights flown, 0 to ``flown - 1``.
    reached : dict of str to int
        Flights up to the hit that made a side's probability precise enough, where one was asked.
    created : str
        UTC time, ISO 8601.
    seconds : dict of str to float
        What took how long, of the part that ended the run.
    settings : dict
        Workers, back end, how often it was taken up again, the operation file as it was named on
        the command line: they change no result.
    files : dict of str to str
        SHA-256 of every file of the run but this one.
    status : str
        "complete".
    """

    inputs: RunInputs
    flown: int
    reached: dict[str, int]
    created: str
    seconds: dict[str, float]
    settings: dict[str, Any]
    files: dict[str, str]
    status: str = "complete"

    def to_json(self) -> str:
        """Return the manifest as text, with the SHA-256 of its own content."""
        own = {name: getattr(self, name) for name in _OWN}
        return sealed_json(asdict(self.inputs) | own)

    @classmethod
    def from_json(cls, text: str, *, shown: str) -> Manifest:
        """Read a manifest, trusting nothing.

        Raises
        ------
        RunFolderError
            If it is not a complete manifest of this form.
        """
        data = read_sealed_json(text, shown=shown, kinds=KINDS | _OWN, form=FORMAT)
        if data["status"] != "complete":
            raise RunFolderError(
                f"{shown}: expected status 'complete'; got {data['status']!r}. Repeat the run; do "
                "not edit its files."
            )
        check_values(data, shown=shown)
        _check_own(data, shown=shown)
        inputs = RunInputs(**{field.name: data[field.name] for field in fields(RunInputs)})
        return cls(inputs=inputs, **{name: data[name] for name in _OWN})


def _check_own(data: dict[str, Any], *, shown: str) -> None:
    """Check what a manifest says besides its inputs."""
    flown = data["flown"]
    sound = {
        "flown": 1 <= flown <= data["flights"],
        "reached": all(type(n) is int and 1 <= n <= flown for n in data["reached"].values()),
        "seconds": all(type(n) in (int, float) for n in data["seconds"].values()),
        "files": all(isinstance(sha256, str) for sha256 in data["files"].values()),
    }
    for name, holds in sound.items():
        if not holds:
            raise RunFolderError(
                f"{shown}: expected {name!r} of a run of at most {data['flights']} flights; got "
                "what no run gives. Repeat the run; do not edit its files."
            )

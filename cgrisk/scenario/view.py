"""Parts of a file that are sound, so that their meaning can be checked while others are faulty."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from cgrisk.errors import Fault
from cgrisk.scenario.faults import dotted, shorten
from cgrisk.scenario.locate import Locator

__all__ = ["Check", "Problem", "View", "run_checks", "view_of"]


@dataclass(frozen=True, slots=True)
class Problem:
    """A fault of meaning, before it has a file and a line."""

    path: tuple[str | int, ...]
    expected: str
    got: object
    cure: str


class View:
    """The sound top-level parts of a file, as attributes."""

    def __init__(self, parts: Mapping[str, Any]) -> None:
        self.__dict__.update(parts)

    def has(self, names: tuple[str, ...]) -> bool:
        """Return whether all these parts are sound."""
        return all(name in self.__dict__ for name in names)

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(name)


#: Names of the parts a check needs, and the check itself.
Check = tuple[tuple[str, ...], Callable[[Any], Iterator[Problem]]]


def view_of(model: type[BaseModel], raw: Mapping[str, Any], context: Mapping[str, Any]) -> View:
    """Return the parts of a file that validate on their own, defaults included."""
    parts: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key not in raw:
            if not field.is_required():
                parts[name] = field.get_default(call_default_factory=True)
            continue
        annotation: Any = field.annotation
        for extra in field.metadata:
            annotation = Annotated[annotation, extra]
        try:
            parts[name] = TypeAdapter(annotation).validate_python(raw[key], context=dict(context))
        except (ValidationError, OverflowError):
            continue
    return View(parts)


def run_checks(
    checks: tuple[Check, ...],
    *,
    view: object,
    has: Callable[[tuple[str, ...]], bool],
    shown: str,
    locator: Locator,
) -> list[Fault]:
    """Run every check whose needs are sound; return the faults with file and line."""
    faults = []
    for needs, check in checks:
        if not has(needs):
            continue
        for problem in check(view):
            got = problem.got if isinstance(problem.got, str) else shorten(problem.got)
            faults.append(
                Fault(
                    shown,
                    locator.line(problem.path),
                    dotted(problem.path),
                    problem.expected,
                    got,
                    problem.cure,
                )
            )
    return faults

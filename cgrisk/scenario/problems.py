"""What a check of meaning reports, before it is known where in the file it stands."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.locate import KeyPath
from cgrisk.units import Dimension, UnitSystem, to_si, unit_name

__all__ = ["Check", "Problem", "in_units", "listed", "repeated", "unknown_names"]


class Problem(NamedTuple):
    """Something that does not fit together, at a path of the file."""

    path: KeyPath
    expected: str
    got: str
    cure: str


class Check(NamedTuple):
    """A check of meaning: it runs once all that it needs is sound by itself.

    ``run`` takes what ``needs`` names, then the unit system of the file it reports about.
    """

    needs: tuple[str, ...]
    run: Callable[..., Iterator[Problem]]


def in_units(value_si: float, dimension: Dimension, system: UnitSystem) -> str:
    """Return a quantity as the file writes it, with its unit."""
    value = value_si / to_si(1.0, dimension=dimension, system=system)
    return f"{figure(value)} {unit_name(dimension, system=system)}"


def listed(names: Iterable[object], *, empty: str = "none") -> str:
    """Return names as a list in quotes, each once, cut short where it is long."""
    texts = list(dict.fromkeys(shown(name) for name in names))
    return ", ".join(texts[:12]) + (", ..." if len(texts) > 12 else "") if texts else empty


def repeated(
    names: Sequence[str], path: KeyPath, *, of: str, key: str | None = "name"
) -> Iterator[Problem]:
    """Report every name of a list that stood there before."""
    seen: Counter[str] = Counter()
    for number, name in enumerate(names):
        seen[name] += 1
        if seen[name] == 2:
            where = (*path, number) if key is None else (*path, number, key)
            yield Problem(
                where,
                f"a different name for each {of}",
                f"{shown(name)} once more",
                "Rename one of them, or take one away.",
            )


def unknown_names(
    names: Iterable[tuple[KeyPath, str]], known: Sequence[str], *, of: str
) -> Iterator[Problem]:
    """Report every name that is not among the known ones."""
    for path, name in names:
        if name not in known:
            yield Problem(
                path,
                f"the name of a {of}: {listed(known)}",
                shown(name),
                f"Use one of these names, or add the {of} to the aircraft file.",
            )

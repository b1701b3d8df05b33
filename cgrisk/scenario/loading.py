"""Loading a scenario from its files: every fault of all of them at once, or a frozen scenario."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.aircraft_file import AircraftFile, Cabin
from cgrisk.scenario.checks_aircraft import AIRCRAFT_CHECKS
from cgrisk.scenario.checks_cabin import CABIN_CHECKS
from cgrisk.scenario.checks_classes import CLASS_CABIN_CHECKS, CLASS_CHECKS
from cgrisk.scenario.checks_fuel import FUEL_CHECKS
from cgrisk.scenario.checks_operation import OPERATION_CHECKS
from cgrisk.scenario.checks_people import PEOPLE_CHECKS
from cgrisk.scenario.checks_ranges import range_problems
from cgrisk.scenario.checks_sizes import SIZE_CHECKS
from cgrisk.scenario.checks_trim import ENTRY_CHECKS, TRIM_CHECKS
from cgrisk.scenario.document import Document, Placement, read_document, referenced, shown
from cgrisk.scenario.fields import Model
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.operation_file import OperationFile
from cgrisk.scenario.problems import Check, Problem
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats
from cgrisk.scenario.shapes import shape_named
from cgrisk.scenario.structure import file_units, sound_values
from cgrisk.scenario.tables import FUEL_INDEX, SEAT_PLAN, SURVEY, TableForm, read_table
from cgrisk.units import UnitSystem

__all__ = ["OPERATION_FILE", "load_scenario", "meaning_problems"]

#: Name of the operation file in a scenario's folder.
OPERATION_FILE: Final = "operation.toml"

#: Most faults that are told; more mean that the file is not of this kind.
_MOST_FAULTS: Final = 500

#: Checks of an operation file, with its aircraft.
_OPERATION_CHECKS: Final = (
    OPERATION_CHECKS + PEOPLE_CHECKS + CLASS_CHECKS + ENTRY_CHECKS + SIZE_CHECKS
)

#: (path of the key that names a CSV file, path of the list it is read into, its form)
_TABLES: Final[tuple[tuple[KeyPath, KeyPath, TableForm], ...]] = (
    (("cabin", "seat_plan"), ("cabin", "seat_table"), SEAT_PLAN),
    (("fuel_index_table",), ("fuel_index",), FUEL_INDEX),
)
_OPERATION_TABLES: Final[tuple[tuple[KeyPath, KeyPath, TableForm], ...]] = (
    (("mass", "survey"), ("mass", "survey_table"), SURVEY),
)


def load_scenario(path: str | Path) -> Scenario:
    """Read and check a scenario: an operation file, its aircraft file, and their CSV tables.

    Parameters
    ----------
    path : str or pathlib.Path
        An operation file (TOML), or a folder that holds ``operation.toml``. The files it names
        lie in the same folder.

    Returns
    -------
    Scenario
        Frozen, in SI, everything read in.

    Raises
    ------
    InputError
        With all faults of all files: each says where it is, what was expected, what was got, and
        the cure.
    """
    label = _printable(str(path))
    folder, operation_path, label = _operation_path(Path(path), label)
    operation = read_document(operation_path, file=label)
    faults: list[Fault] = []
    aircraft_values: dict[str, Any] = {}
    aircraft: Document | None = None
    try:
        aircraft = _aircraft_document(operation, folder)
    except InputError as error:
        faults += error.faults
    if aircraft is not None:
        aircraft, aircraft_values, wrong = _check_aircraft(aircraft, folder)
        faults += wrong
    operation, wrong = _check_operation(operation, aircraft_values, folder)
    faults += wrong
    if faults or aircraft is None:
        raise InputError(_in_order(faults, first=label))
    return Scenario(
        aircraft=_build(AircraftFile, aircraft),
        operation=_build(OperationFile, operation),
        origin=label,
    )


def _printable(text: str) -> str:
    """Return a file name that can be printed anywhere, on one line."""
    text = text.encode("utf-8", "backslashreplace").decode()
    return "".join(s if s.isprintable() else s.encode("unicode_escape").decode() for s in text)


def _operation_path(path: Path, label: str) -> tuple[Path, Path, str]:
    """Return the scenario's folder, its operation file, and that file's name for messages."""
    try:
        is_folder = path.is_dir()
    except (OSError, ValueError):
        is_folder = False
    if not is_folder:
        return path.parent, path, label
    inside, problem = referenced(path, OPERATION_FILE)
    label = _printable(str(path / OPERATION_FILE))
    if inside is None:
        cure = "Put the file itself into the folder."
        raise InputError([Fault(label, None, "", "a file in the folder", problem, cure)])
    return path, inside, label


def _beside(document: Document, name: str) -> str:
    """Return the name of a file in the folder of another, as the user would write it."""
    return _printable(str(Path(document.file).parent / name))


def _aircraft_document(operation: Document, folder: Path) -> Document | None:
    """Return the aircraft file; None where the operation file does not say which it is."""
    name = operation.data.get("aircraft")
    if not isinstance(name, str) or not name:
        return None  # told as a fault of the operation file
    path = _referenced(operation, ("aircraft",), name, folder)
    return read_document(path, file=_beside(operation, name))


def _referenced(document: Document, key: KeyPath, name: str, folder: Path) -> Path:
    path, problem = referenced(folder, name)
    if path is None:
        fault = document.fault(
            key,
            expected="the plain name of a file in the scenario's own folder",
            got=problem,
            cure="Put the file beside this one, and give its name alone.",
        )
        raise InputError([fault])
    try:
        is_file = path.is_file()
    except OSError:
        is_file = False
    if not is_file:
        fault = document.fault(
            key,
            expected="the name of a file in the scenario's own folder",
            got=f"{shown(name)}, which is no file there",
            cure="Correct the name, or put the file there.",
        )
        raise InputError([fault])
    return path


def _with_tables(
    document: Document, folder: Path, tables: tuple[tuple[KeyPath, KeyPath, TableForm], ...]
) -> tuple[Document, list[Fault], set[str]]:
    """Return a file with its CSV tables in it, their faults, and the keys they spoil."""
    data = dict(document.data)
    faults: list[Fault] = []
    spoilt: set[str] = set()
    placements: dict[KeyPath, Placement] = {}
    for key, target, form in tables:
        holder = data if len(key) == 1 else data.get(str(key[0]))
        name = holder.get(str(key[-1])) if isinstance(holder, dict) else None
        if not isinstance(holder, dict) or not isinstance(name, str) or not name:
            continue
        try:
            if target[-1] in holder:
                raise InputError([_both_given(document, key, target)])
            path = _referenced(document, key, name, folder)
            rows, placed = read_table(path, file=_beside(document, name), form=form)
        except InputError as error:
            faults += error.faults
            spoilt.add(str(target[0]))
        else:
            placements[target] = placed
            holder = {**holder, str(target[-1]): rows}
            data = holder if len(key) == 1 else {**data, str(key[0]): holder}
    return replace(document, data=data, placements=placements), faults, spoilt


def _both_given(document: Document, key: KeyPath, target: KeyPath) -> Fault:
    return document.fault(
        key,
        expected=f"either {key[-1]} or {target[-1]}",
        got="both",
        cure=f"Keep the file, or the table in {target[-1]}.",
    )


def _check_aircraft(
    document: Document, folder: Path
) -> tuple[Document, dict[str, Any], list[Fault]]:
    document, faults, spoilt = _with_tables(document, folder, _TABLES)
    values, wrong = sound_values(document, model=AircraftFile, file_kind="aircraft")
    for key in spoilt:
        values.pop(key, None)
    cabin_faults = _run(CABIN_CHECKS + CLASS_CABIN_CHECKS, values, document)
    faults += (
        wrong + _run(AIRCRAFT_CHECKS + FUEL_CHECKS + TRIM_CHECKS, values, document) + cabin_faults
    )
    faults += _source_faults(document, values, AircraftFile)
    faults += _range_faults(document, values, AircraftFile, file_kind="aircraft")
    cabin = values.get("cabin")
    if isinstance(cabin, Cabin) and not cabin_faults:
        values["seats"] = expand_seats(cabin)  # what the checks of the operation ask for
    return document, values, faults


def _check_operation(
    document: Document, aircraft: Mapping[str, Any], folder: Path
) -> tuple[Document, list[Fault]]:
    document, faults, spoilt = _with_tables(document, folder, _OPERATION_TABLES)
    values, wrong = sound_values(document, model=OperationFile, file_kind="operation")
    faults += wrong
    for key in spoilt:
        values.pop(key, None)
    together = values | {f"aircraft.{key}": value for key, value in aircraft.items()}
    faults += _run(_OPERATION_CHECKS, together, document)
    faults += _source_faults(document, values, OperationFile)
    faults += _range_faults(document, values, OperationFile, file_kind="operation")
    return document, faults


def _run(checks: tuple[Check, ...], values: Mapping[str, Any], document: Document) -> list[Fault]:
    """Run the checks whose inputs are sound."""
    system = file_units(document.data) or "kg/m"
    return _placed(_problems(checks, values, system), document)


def _problems(
    checks: tuple[Check, ...], values: Mapping[str, Any], system: UnitSystem
) -> Iterator[Problem]:
    for check in checks:
        if all(name in values for name in check.needs):
            yield from check.run(*(values[name] for name in check.needs), system)


def meaning_problems(scenario: Scenario) -> Iterator[Problem]:
    """Yield what does not fit together in a scenario that was not read from files, in kg and m."""
    aircraft = {
        name: getattr(scenario.aircraft, name) for name in type(scenario.aircraft).model_fields
    }
    operation = {
        name: getattr(scenario.operation, name) for name in type(scenario.operation).model_fields
    }
    checks = AIRCRAFT_CHECKS + FUEL_CHECKS + TRIM_CHECKS + CABIN_CHECKS + CLASS_CABIN_CHECKS
    problems = list(_problems(checks, aircraft, "kg/m"))
    yield from problems
    if not problems:
        aircraft["seats"] = expand_seats(scenario.aircraft.cabin)
        together = operation | {f"aircraft.{key}": value for key, value in aircraft.items()}
        yield from _problems(_OPERATION_CHECKS, together, "kg/m")


def _placed(problems: Iterable[Problem], document: Document) -> list[Fault]:
    return [document.fault(p.path, expected=p.expected, got=p.got, cure=p.cure) for p in problems]


def _source_faults(
    document: Document, values: Mapping[str, Any], model: type[Model]
) -> list[Fault]:
    """Report sources of keys that the file cannot have."""
    return [
        document.fault(
            ("sources", key),
            expected="a dotted key of this file",
            got=shown(key),
            cure='Name a key or a table, for instance "fuel" or "fuel.block".',
        )
        for key in values.get("sources", {})
        if shape_named(model, key) is None
    ]


def _range_faults(
    document: Document, values: Mapping[str, Any], model: type[Model], *, file_kind: str
) -> list[Fault]:
    """Report ranges that do not go with the values of the file."""
    system = file_units(document.data)
    if system is None:
        return []  # nothing can be said of numbers in unknown units
    problems = range_problems(values, model=model, file_kind=file_kind, system=system)
    return _placed(problems, document)


def _build(model: type[Any], document: Document) -> Any:
    context = {"system": file_units(document.data)}
    return model.model_validate(document.data, context=context)


def _in_order(faults: list[Fault], *, first: str) -> list[Fault]:
    """Sort faults by file (the operation file first) and line, each told once."""
    unique = list(dict.fromkeys(faults))
    unique.sort(key=lambda fault: (fault.file != first, fault.file, fault.line or 0))
    if len(unique) <= _MOST_FAULTS:
        return unique
    expected, got = "a scenario with few faults", f"{len(unique)} faults, of which these are some"
    more = Fault(first, None, "", expected, got, "Correct these first.")
    return [*unique[:_MOST_FAULTS], more]

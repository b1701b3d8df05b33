"""Whatever a policies file or a CSV table holds: it is read, or it is an InputError."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from cgrisk.errors import InputError
from cgrisk.scenario import load_scenario
from cgrisk.scenario.checks_policies import load_policies
from cgrisk.scenario.envelope_file import read_envelope
from cgrisk.scenario.loads_file import read_loads
from tests.flight_cases import SHIPPED
from tests.fuzz_cases import (
    assert_whole_refusal,
    shared_folder,
    spoilt_csv,
    torn_bytes,
)
from tests.fuzz_files import (
    ENVELOPE,
    LOADS,
    SCENARIO,
    TABLES,
    changed_policies,
    with_table,
)


def _read(make: Callable[[], Any]) -> Any:
    try:
        found = make()
    except InputError as error:
        assert_whole_refusal(error)
        event("refused")
        return None
    event("loaded")
    return found


def _finite(value: Any) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(_finite, value))
    return True


@shared_folder
@given(text=changed_policies())
def test_changed_policies_load_or_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "policies.toml"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: load_policies(path, scenario=SCENARIO))
    if found is not None:
        assert _finite(found.model_dump(mode="json"))


@shared_folder
@given(text=spoilt_csv(LOADS))
def test_changed_loads_are_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "loads.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: read_loads(path, scenario=SCENARIO))
    if found is not None:
        for load in found.loads:
            assert math.isfinite(load.fuel_kg)
            assert _finite(load.cargo_kg)
            assert load.name.isprintable()


@shared_folder
@given(text=spoilt_csv(ENVELOPE))
def test_changed_envelopes_are_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "envelope.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found = _read(lambda: read_envelope(path, system="kg/m"))
    if found is not None:
        for kind in (found.zero_fuel, found.take_off, found.landing):
            if kind is not None:
                assert _finite((kind.mass_kg, kind.forward_pct, kind.aft_pct))
                assert list(kind.mass_kg) == sorted(kind.mass_kg)
                assert any(f < a for f, a in zip(kind.forward_pct, kind.aft_pct, strict=True))


@pytest.mark.parametrize("kind", TABLES)
def test_the_tables_that_are_spoilt_are_sound_as_they_stand(tmp_path: Path, kind: str) -> None:
    with_table(tmp_path, kind, TABLES[kind].encode())
    load_scenario(tmp_path)


@pytest.mark.parametrize("kind", TABLES)
@settings(shared_folder, max_examples=settings().max_examples // 3)
@given(data=st.data())
def test_changed_tables_of_a_scenario_load_or_are_refused(
    tmp_path: Path, kind: str, data: st.DataObject
) -> None:
    with_table(tmp_path, kind, data.draw(spoilt_csv(TABLES[kind])).encode())
    found = _read(lambda: load_scenario(tmp_path))
    if found is not None:
        assert _finite(found.resolved())


ALL_FILES = {
    "policies": (SHIPPED / "policies.toml").read_bytes(),
    "loads": LOADS.encode(),
    "envelope": ENVELOPE.encode(),
    **{kind: text.encode() for kind, text in TABLES.items()},
}


@shared_folder
@given(data=st.data(), kind=st.sampled_from(sorted(ALL_FILES)))
def test_torn_files_and_any_bytes_load_or_are_refused(
    tmp_path: Path, data: st.DataObject, kind: str
) -> None:
    content = data.draw(torn_bytes(ALL_FILES[kind]))
    path = tmp_path / "file"
    path.write_bytes(content)
    match kind:
        case "policies":
            _read(lambda: load_policies(path, scenario=SCENARIO))
        case "loads":
            _read(lambda: read_loads(path, scenario=SCENARIO))
        case "envelope":
            _read(lambda: read_envelope(path, system="kg/m"))
        case _:
            with_table(tmp_path, kind, content)
            _read(lambda: load_scenario(tmp_path))

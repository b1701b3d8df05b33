"""An operator's own envelope: equality, files there and back, curtailments turned into one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cgrisk.aircraft import Limits
from cgrisk.decide.operator_envelope import OperatorEnvelope, from_curtailments
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from tests.flight_cases import edited, shipped_scenario

LIMITS = Limits(
    forward_mass_kg=np.array([40e3, 60e3]),
    forward_pct=np.array([12.0, 16.0]),
    aft_mass_kg=np.array([40e3, 50e3, 50e3, 70e3]),
    aft_pct=np.array([30.0, 33.0, 32.0, 32.6]),
)
ENVELOPE = OperatorEnvelope("mine", zero_fuel=LIMITS, landing=LIMITS)


@pytest.mark.parametrize(
    ("mass", "cg", "inside"),
    [
        (50e3, 14.0, True),  # on the forward limit, halfway between its points
        (50e3, 14.0 - 1e-6, False),
        (50e3, 32.0, True),  # on the lower end of the step
        (50e3, 32.5, False),
        (45e3, 31.5, True),
        (45e3, 31.5 + 1e-6, False),
        (90e3, 32.6, True),  # constant beyond the last point
        (90e3, 32.6 + 1e-6, False),
        (30e3, 12.0, True),
    ],
)
def test_on_the_limit_is_inside(mass: float, cg: float, inside: bool) -> None:
    assert bool(ENVELOPE.admits("zero_fuel", mass_kg=mass, cg_pct=cg)) is inside


def test_a_kind_without_limits_admits_everything() -> None:
    assert bool(ENVELOPE.admits("take_off", mass_kg=50e3, cg_pct=99.0))
    assert ENVELOPE.margin("take_off", mass_kg=[1.0, 2.0], cg_pct=0.0, side="aft").shape == (2,)


def test_margins_by_side() -> None:
    cg = np.array([15.0, 20.0])
    found = ENVELOPE.margin("landing", mass_kg=50e3, cg_pct=cg, side="forward")
    assert found == pytest.approx([1.0, 6.0])
    found = ENVELOPE.margin("landing", mass_kg=60e3, cg_pct=cg, side="aft")
    assert found == pytest.approx([17.3, 12.3])


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(UsageError, match="zero_fuel, take_off, landing"):
        ENVELOPE.limits("taxi")


@pytest.mark.parametrize("system", ["kg/m", "lb/in"])
def test_a_file_there_and_back_is_the_same_envelope(system: str, tmp_path: Path) -> None:
    path = tmp_path / "envelope.csv"
    ENVELOPE.frame(system=system).to_csv(path, index=False)  # type: ignore[arg-type]
    there = OperatorEnvelope.from_file(path, system=system)  # type: ignore[arg-type]
    assert there.take_off is None
    masses = np.concatenate([np.linspace(35e3, 75e3, 401), [50e3 - 1e-3, 50e3 + 1e-3]])
    for kind in ("zero_fuel", "landing"):
        for side in ("forward", "aft"):
            limits = there.limits(kind)
            assert limits is not None
            mine, its = LIMITS.limit(masses, side=side), limits.limit(masses, side=side)
            # Pounds move the step itself by a rounding error.
            near = np.abs(masses - 50e3) < (1e-6 if system == "lb/in" else 0.0)
            assert its[~near] == pytest.approx(mine[~near], abs=1e-9)
    again = tmp_path / "again.csv"
    there.frame(system=system).to_csv(again, index=False)  # type: ignore[arg-type]
    if system == "kg/m":
        assert again.read_text() == path.read_text()


def test_an_envelope_of_one_point_is_written_as_two(tmp_path: Path) -> None:
    one = Limits(
        forward_mass_kg=np.array([5e4]),
        forward_pct=np.array([15.0]),
        aft_mass_kg=np.array([5e4]),
        aft_pct=np.array([30.0]),
    )
    path = tmp_path / "envelope.csv"
    OperatorEnvelope("one", take_off=one).frame().to_csv(path, index=False)
    there = OperatorEnvelope.from_file(path)
    assert float(there.margin("take_off", mass_kg=7e4, cg_pct=29.0, side="aft")) == 1.0


def test_curtailments_as_an_envelope_agree_with_the_planned_path() -> None:
    model = prepare(shipped_scenario())
    envelope = from_curtailments(model)
    assert envelope.zero_fuel is None
    assert envelope.take_off is not None
    # By hand: the certified aft limit of 36 % MAC up to 66 t, 34 at 73.9 t, less 3.4.
    assert float(envelope.take_off.limit(60e3, side="aft")) == pytest.approx(32.6)
    assert float(envelope.take_off.limit(73.9e3, side="aft")) == pytest.approx(30.6)
    row = model.planned[model.planned["phase"] == "landing"].iloc[0]
    margin = envelope.margin(
        "landing", mass_kg=row["mass_kg"], cg_pct=row["cg_pct_mac"], side="aft"
    )
    told = model.operational_margins
    told = told[(told["phase"] == "landing") & (told["side"] == "aft")]
    assert float(margin) == pytest.approx(float(told["margin_pct_mac"].iloc[0]), abs=0.01)


def test_without_curtailments_the_certified_limits_are_the_envelope() -> None:
    envelope = from_curtailments(prepare(edited({"operation.operational_envelope": None})))
    assert envelope.landing is not None
    assert float(envelope.landing.limit(60e3, side="aft")) == 36.0

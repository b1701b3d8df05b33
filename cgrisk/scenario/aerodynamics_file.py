"""Parts of the aircraft file that tell of its trim: aerodynamics, stabilizer, ground run, tables.

All of them may be left out; what needs them is then left out of the answer, which says so.
Signs: moments nose-up positive; the leading edge of the stabilizer up is positive.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cgrisk.scenario.fields import (
    ASSUMPTION,
    DATA,
    Length,
    Mass,
    Model,
    Name,
    PctMac,
    Quantity,
    Share,
    SignedLength,
    item,
)

__all__ = ["Aerodynamics", "GroundRun", "Stabilizer", "TrimTable"]

Area = Annotated[float, Quantity(low=0.1, high=2000.0, unit="m2")]
Slope = Annotated[float, Quantity(low=0.1, high=12.0, unit="1/rad")]
Coefficient = Annotated[float, Quantity(low=-3.0, high=3.0)]
Degrees = Annotated[float, Quantity(low=-60.0, high=60.0, unit="deg")]
DegreesAway = Annotated[float, Quantity(low=0.1, high=60.0, unit="deg")]
DegreesPerSecond = Annotated[float, Quantity(low=1e-3, high=20.0, unit="deg/s")]
Mach = Annotated[float, Quantity(low=0.0, high=0.99)]
PctShift = Annotated[float, Quantity(low=-50.0, high=50.0, unit="% MAC")]
Units = Annotated[float, Quantity(low=-100.0, high=100.0, unit="trim units")]
MachCentre = Annotated[tuple[Mach, PctShift], Field(strict=False)]
MachMoment = Annotated[tuple[Mach, Coefficient], Field(strict=False)]
TrimPoint = Annotated[tuple[Mass, PctMac, Units], Field(strict=False)]

_TYPICAL = "typical of the class, from memory; assumption"


class Aerodynamics(Model):
    """Longitudinal aerodynamics, linear in incidence; slopes at low Mach numbers."""

    wing_area: Area = item()
    """Reference area of the wing."""
    span: Annotated[float, Quantity(low=1.0, high=120.0, unit="m")] = item()
    """Span of the wing."""
    tail_area: Area = item()
    """Area of the horizontal tail."""
    tail_arm: Annotated[float, Quantity("length", low=0.5, high=200.0)] = item()
    """From the aerodynamic centre of wing and body to that of the tail."""
    wing_lift_slope: Slope = item()
    """Lift slope of wing and body."""
    tail_lift_slope: Slope = item()
    """Lift slope of the tail, on its own area."""
    aerodynamic_centre: PctMac = item()
    """Aerodynamic centre of wing and body, flaps retracted."""
    zero_lift_angle: Degrees = item()
    """Incidence of the body at which wing and body have no lift, flaps retracted."""
    zero_lift_moment: Coefficient = item()
    """Pitching moment coefficient of wing and body without lift."""
    tail_efficiency: Annotated[float, Quantity(low=0.1, high=1.2)] = item(0.9, source=_TYPICAL)
    """Dynamic pressure at the tail over that of the flight."""
    downwash: Annotated[float, Quantity(low=0.0, high=0.95)] = item(0.36, source=_TYPICAL)
    """Change of the downwash angle at the tail with incidence."""
    elevator_effect: Annotated[float, Quantity(low=0.01, high=1.0)] = item(0.48, source=_TYPICAL)
    """Change of the tail's incidence by an elevator angle, as a share of it."""
    thrust_below_cg: SignedLength = item(0.0)
    """Height of the CG above the thrust line."""
    gear_moment: Coefficient = item(0.0)
    """Change of the moment coefficient with the gear down."""
    gear_drag: Annotated[float, Quantity(low=0.0, high=1.0)] = item(0.0)
    """Change of the drag coefficient with the gear down."""
    mach_centre: Annotated[tuple[MachCentre, ...], Field(strict=False, max_length=40)] = item(())
    """Shift of the aerodynamic centre by Mach number, as [Mach, % MAC]: straight between points."""
    mach_moment: Annotated[tuple[MachMoment, ...], Field(strict=False, max_length=40)] = item(())
    """Shift of the zero-lift moment by Mach number, as [Mach, coefficient]."""
    drag_zero: Annotated[float, Quantity(low=0.0, high=1.0)] = item(0.02, source=_TYPICAL)
    """Drag coefficient without lift."""
    drag_induced: Annotated[float, Quantity(low=0.0, high=1.0)] = item(0.043, source=_TYPICAL)
    """Drag coefficient by the square of the lift coefficient."""


class Stabilizer(Model):
    """Trimmable stabilizer, elevator, and the units in which the crew sets the trim."""

    nose_up_stop: Degrees = item()
    """Mechanical stop with the leading edge down: most nose-up trim (negative)."""
    nose_down_stop: Degrees = item()
    """Mechanical stop with the leading edge up."""
    rate_flaps_up: DegreesPerSecond = item(0.2, source=ASSUMPTION)
    """Trim rate with the flaps retracted."""
    rate_flaps_down: DegreesPerSecond = item(0.4, source=ASSUMPTION)
    """Trim rate with the flaps out."""
    elevator_up: DegreesAway = item(25.0, source=ASSUMPTION)
    """Elevator travel, trailing edge up (a pull)."""
    elevator_down: DegreesAway = item(17.0, source=ASSUMPTION)
    """Elevator travel, trailing edge down."""
    elevator_share: Annotated[float, Quantity(low=0.01, high=1.0)] = item(0.3, source=ASSUMPTION)
    """Share of the elevator's travel that may be used up by holding what trim does not."""
    unit_degrees: Annotated[float, Quantity(low=1e-3, high=10.0, unit="deg")] = item(1.0)
    """Stabilizer travel of one trim unit."""
    unit_zero: Degrees = item(0.0)
    """Incidence at 0 trim units; more units are more nose-up trim."""
    step: Annotated[float, Quantity(low=0.0, high=5.0, unit="trim units")] = item(0.1)
    """The load sheet gives the take-off setting to this step."""
    take_off_band: Annotated[tuple[Units, Units], Field(strict=False)] | None = item(None)
    """Settings at which the take-off warning stays silent, in trim units, from least to most."""


class GroundRun(Model):
    """What rotation at take-off needs beside the aerodynamics."""

    main_gear: PctMac = item()
    """Contact point of the main wheels."""
    wheelbase: Annotated[float, Quantity("length", low=0.5, high=200.0)] = item()
    """From nose wheel to main wheels."""
    pitch_inertia: Annotated[float, Quantity(low=10.0, high=1e10, unit="kg m2")] = item()
    """Moment of inertia in pitch about the CG."""
    cg_height: Length = item()
    """Height of the CG above the ground."""
    thrust_height: Length = item()
    """Height of the thrust line above the ground."""
    drag_height: Length = item()
    """Height at which the drag acts."""
    thrust: Annotated[float, Quantity(low=0.1, high=2000.0, unit="kN")] = item()
    """Take-off thrust of all engines at rest."""
    thrust_fall: Annotated[float, Quantity(low=0.0, high=0.02, unit="per m/s")] = item(
        0.0022, source=_TYPICAL
    )
    """Fall of the thrust with speed, as a share of that at rest."""
    friction: Share = item(0.02, source=_TYPICAL)
    """Rolling friction."""
    ground_lift: Annotated[float, Quantity(low=0.5, high=2.0)] = item(1.05, source=ASSUMPTION)
    """Factor of the ground on the lift slope of the wing."""
    ground_downwash: Annotated[float, Quantity(low=0.0, high=1.5)] = item(0.55, source=ASSUMPTION)
    """Factor of the ground on the downwash."""
    pitch_attitude: Degrees = item(0.0, source=ASSUMPTION)
    """Pitch attitude on the ground."""
    tail_lift_least: Coefficient = item(-1.15, source=ASSUMPTION)
    """Least lift coefficient of the tail."""
    tail_lift_greatest: Coefficient = item(1.05, source=ASSUMPTION)
    """Greatest lift coefficient of the tail."""
    rotation_speed: Annotated[float, Quantity(low=0.8, high=2.0)] = item(1.10, source=ASSUMPTION)
    """Rotation speed VR over the stall speed of the planned mass."""
    take_off_speed: Annotated[float, Quantity(low=0.8, high=2.0)] = item(1.13, source=ASSUMPTION)
    """Take-off safety speed V2 over the stall speed of the planned mass."""
    rotation_needed: Annotated[float, Quantity(low=0.0, high=20.0, unit="deg/s2")] = item(
        3.0, source=ASSUMPTION
    )
    """Pitch acceleration without which the aircraft counts as not rotating at VR."""
    rotation_elevator: Annotated[float, Quantity(low=0.01, high=1.0)] = item(0.9, source=ASSUMPTION)
    """Share of the elevator's travel up that the pilot pulls to rotate."""


class TrimTable(Model):
    """The operator's take-off trim table for one flap position and thrust rating."""

    flaps: Name = item()
    """Flap position."""
    rating: Name | None = item(None)
    """Thrust rating; none where the table holds for all."""
    points: Annotated[tuple[TrimPoint, ...], Field(strict=False, min_length=2, max_length=400)] = (
        item(source=DATA)
    )
    """Settings, as [mass, CG in % MAC, trim units], on a whole grid of masses and CGs."""

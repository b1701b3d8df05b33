"""Fuel by hand, one litre at a time: slow and obvious. Litres and metres; no numpy."""

from __future__ import annotations

Layers = list[tuple[int, float]]


def moment_by_litres(layers: Layers, litres: int) -> float:
    """Litre metres of the first litres poured into a tank, each at the arm of its layer."""
    moment, poured = 0.0, 0
    for thickness, arm in layers:
        for _ in range(thickness):
            if poured == litres:
                return moment
            moment += arm
            poured += 1
    assert poured == litres, "more than the tank holds"
    return moment


def moment_of_whole_quantity(points: list[tuple[float, float]], litres: float) -> float:
    """Litre metres of a quantity whose own arm is read off straight lines between points."""
    if litres <= points[0][0]:
        return litres * points[0][1]
    for i in range(len(points) - 1):
        (low, arm_low), (high, arm_high) = points[i], points[i + 1]
        if low <= litres <= high:
            return litres * (arm_low * (high - litres) + arm_high * (litres - low)) / (high - low)
    raise AssertionError("more than the tank holds")


def fill_by_litres(capacity: list[int], steps: list[list[int]], litres: int) -> list[int]:
    """Pour litre by litre: within a step always into the tank that has got the fewest so far."""
    volumes = [0] * len(capacity)
    poured = 0
    for step in steps:
        got = dict.fromkeys(step, 0)
        while poured < litres:
            open_tanks = [t for t in step if volumes[t] < capacity[t]]
            if not open_tanks:
                break
            t = min(open_tanks, key=lambda tank: got[tank])
            volumes[t] += 1
            got[t] += 1
            poured += 1
    assert poured == litres, "more than the tanks hold"
    return volumes


def burn_by_litres(
    volumes: list[int], steps: list[tuple[list[int], int]], litres: int
) -> list[int]:
    """Burn litre by litre: within a step always from the tank that has given the fewest so far."""
    left, burnt = list(volumes), 0
    for step, down_to in steps:
        given = dict.fromkeys(step, 0)
        while burnt < litres:
            feeding = [t for t in step if left[t] > down_to]
            if not feeding:
                break
            t = min(feeding, key=lambda tank: given[tank])
            left[t] -= 1
            given[t] += 1
            burnt += 1
    assert burnt == litres, "more than the schedule can take"
    return left

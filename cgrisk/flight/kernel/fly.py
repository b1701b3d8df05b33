"""Entry point of the compiled kernel: fly a set of flights, one row of figures each."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, kernel, maker, source_fingerprint
from cgrisk.flight.contract import HEADER, PER_AIR, PER_SIDE
from cgrisk.flight.kernel.crew import new_crew, serve
from cgrisk.flight.kernel.data import CabinData, MassData, PathData, Program, TrimData
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.life import live
from cgrisk.flight.kernel.load import (
    draw_density,
    draw_dry,
    draw_holds,
    fill_tanks,
    fuel_moment,
    read_gauges,
)
from cgrisk.flight.kernel.moves import Diary, Moves, merge_moves, new_moves
from cgrisk.flight.kernel.path import fly_path
from cgrisk.flight.kernel.people import People, board, change_seats, new_people, weigh
from cgrisk.flight.kernel.rounds import lay_rounds, new_rounds
from cgrisk.flight.kernel.transfers import as_planned, draw_transfers, new_pumps
from cgrisk.flight.kernel.trips import new_tally
from cgrisk.flight.kernel.walk import Life, new_life

__all__ = ["fly", "plan"]


#: Changes of moment for which a list has room at first.
_ROOM = 2048


@kernel
def _passenger_sums(
    cabin: CabinData, mass: MassData, people: People, sums: NDArray[np.float64]
) -> int:
    """Write the sums of mass and moment over the passengers; return their number.

    ``sums``: 0, 1 mass and moment on the load sheet's standard masses and zone arms; 2, 3 the
    same for the real counts by zone; 4, 5 standard masses on the real seats; 6, 7 the real thing.
    """
    sums[:] = 0.0
    for z in range(cabin.zone_region.size):
        planned = cabin.zone_standard_kg[z]
        sums[0] += planned
        sums[1] += planned * cabin.zone_arm_m[z]
        aboard = planned + people.zone_change[z] * mass.adult_standard_kg
        sums[2] += aboard
        sums[3] += aboard * cabin.zone_arm_m[z]
    aboard_count = 0
    region = -1
    for p in range(cabin.arm_m.size):
        while p >= mass.first_person[region + 1]:
            region += 1
        seat = people.seat[p]
        if seat >= 0:
            aboard_count += 1
            arm = cabin.arm_m[seat]
            standard = mass.standard_kg[people.population[p]] * mass.region_factor[region]
            real = people.body_kg[p] + people.bag_kg[p]
            sums[4] += standard
            sums[5] += standard * arm
            sums[6] += real
            sums[7] += real * arm
    return aboard_count


@kernel
def in_the_air(trim: TrimData) -> int:
    """Return the number of phases whose trim is followed."""
    count = 0
    for i in range(trim.slot.size):
        count = max(count, trim.slot[i] + 1)
    return count


@maker
def _more_room(moves: Moves) -> Moves:
    """Return a list with room for what did not fit."""
    return new_moves(2 * moves.filled[0])


@kernel
def _count_times_up(
    positions: NDArray[np.int64], people: People, life: Life, out: NDArray[np.float64]
) -> None:
    """Write how many aboard got up never, once and more often, by the position of their seat."""
    out[:] = 0.0
    for p in range(life.persons.size):
        if people.seat[p] >= 0:
            out[3 * positions[people.seat[p]] + min(life.persons[p].trips, 2)] += 1.0


def _make_fly(
    fingerprint: int,
) -> Callable[[Program, Keys, NDArray[np.float64], NDArray[np.float64], Diary], int]:
    def fly(
        program: Program,
        keys: Keys,
        out: NDArray[np.float64],
        record: NDArray[np.float64],
        diary: Diary,
    ) -> int:
        """Fly ``out.shape[0]`` flights; see :func:`cgrisk.flight.fly_block`."""
        if fingerprint < 0:  # never; puts the fingerprint of the sources into the cache key
            return -1
        dry, cabin, mass = program.dry, program.cabin, program.mass
        hold, fuel, timeline, sheet = program.hold, program.fuel, program.timeline, program.sheet
        tanks = fuel.capacity_m3.size
        phases = timeline.end_s.size
        persons = cabin.arm_m.size
        people = new_people(cabin.arm_m.size, cabin.region_start.size - 1, cabin.zone_region.size)
        sums = np.empty(8, np.float64)
        places, urge, calls, crowd = program.places, program.urge, program.calls, program.crowd
        service, script, trim = program.service, program.script, program.trim
        seats = cabin.arm_m.size
        occupant = np.empty(seats, np.int64)
        rounds, crew = new_rounds(service, seats), new_crew(service)
        life = new_life(
            persons,
            places.lavatory_arm_m.size,
            places.galley_arm_m.size,
            places.class_lavatory.shape[0],
        )
        tally = new_tally()
        walked, served = new_moves(_ROOM), new_moves(_ROOM)
        movement = PathData(np.empty(0), np.empty(0), np.empty(0))
        end_s = timeline.end_s[phases - 1]
        take_off_s = 0.0 if timeline.take_off == 0 else timeline.end_s[timeline.take_off - 1]
        bags = np.empty(hold.arm_m.size, np.int64)
        volumes = np.empty(tanks, np.float64)
        segment = np.empty(tanks, np.int64)
        active = np.empty(tanks, np.int64)
        pumps = new_pumps(program.transfer, tanks)
        sides = np.empty((2 * phases, PER_SIDE), np.float64)
        errors = np.empty((2, 2), np.float64)
        marks = np.empty((2, 4), np.float64)
        settings = np.empty((in_the_air(program.trim), PER_AIR), np.float64)
        stabilizer = np.empty(1, np.float64)
        lemac, to_pct = program.limit.lemac_m, 100.0 / program.limit.mac_m
        planned_hold_mass, planned_hold_moment = 0.0, 0.0
        for h in range(hold.arm_m.size):
            planned_hold_mass += hold.planned_mass_kg[h]
            planned_hold_moment += hold.planned_mass_kg[h] * hold.planned_arm_m[h]
        written = 0
        for row in range(out.shape[0]):
            aircraft, dry_mass, dry_arm = draw_dry(dry, keys, row)
            board(cabin, program.party, keys, row, people)
            change_seats(cabin, keys, row, people)
            weigh(program.party, mass, keys, row, people, persons)
            aboard = _passenger_sums(cabin, mass, people, sums)
            occupant[:] = -1
            for p in range(persons):
                if people.seat[p] >= 0:
                    occupant[people.seat[p]] = p
            not_served = lay_rounds(service, keys, row, occupant, people.words, rounds)
            while True:
                diary.filled[0] = 0
                serve(service, keys, row, seats, rounds, crew, served, diary)
                live(
                    places,
                    urge,
                    calls,
                    crowd,
                    cabin.arm_m,
                    end_s,
                    keys,
                    row,
                    people,
                    rounds,
                    life,
                    walked,
                    diary,
                    tally,
                )
                if served.filled[0] > served.rows.shape[0]:
                    served = _more_room(served)
                elif walked.filled[0] > walked.rows.shape[0]:
                    walked = _more_room(walked)
                else:
                    break
            room = script.time_s.size + walked.filled[0] + served.filled[0]
            if movement.time_s.size < room:
                movement = PathData(np.empty(2 * room), np.empty(2 * room), np.empty(2 * room))
            least, greatest, moved, movements = merge_moves(
                script, walked, served, take_off_s, end_s, movement
            )
            hold_mass, hold_moment = draw_holds(hold, keys, row, bags)
            density, flow_factor = draw_density(fuel, keys, row)
            fill_tanks(fuel, fuel.block_kg / density, volumes)
            read_gauges(fuel, keys, row, density, volumes)
            draw_transfers(program.transfer, keys, row, tanks, pumps)
            fuel_volume = 0.0
            for t in range(tanks):
                fuel_volume += volumes[t]
            fuel_at_start = density * fuel_moment(fuel, volumes, segment)
            zero_fuel = dry_mass + sums[6] + hold_mass
            zero_fuel_moment = dry_mass * dry_arm + sums[7] + hold_moment
            taxi = zero_fuel + density * fuel_volume
            written = fly_path(
                taxi,
                zero_fuel_moment + fuel_at_start,
                density,
                flow_factor,
                volumes,
                segment,
                active,
                pumps,
                fuel,
                program.transfer,
                timeline,
                program.limit,
                program.configuration,
                movement,
                movements,
                sheet,
                sides,
                errors,
                marks,
                trim,
                settings,
                stabilizer,
                record,
                program.moments_alone,
            )
            x = sheet.take_off_arm_m
            out[row, 0] = aircraft
            out[row, 1] = aboard
            out[row, 2] = zero_fuel
            out[row, 3] = (zero_fuel_moment / zero_fuel - lemac) * to_pct
            out[row, 4] = marks[0, 0]
            out[row, 5] = (marks[0, 1] / marks[0, 0] - lemac) * to_pct
            out[row, 6] = marks[1, 0]
            out[row, 7] = (marks[1, 1] / marks[1, 0] - lemac) * to_pct
            # Moment error about the planned take-off CG; the parts add up to the whole.
            out[row, 8] = dry_mass * (dry_arm - x) - dry.papers_mass_kg * (dry.papers_arm_m - x)
            out[row, 9] = sums[3] - sums[1] - x * (sums[2] - sums[0])
            out[row, 10] = sums[5] - sums[3] - x * (sums[4] - sums[2])
            out[row, 11] = sums[7] - sums[5] - x * (sums[6] - sums[4])
            out[row, 12] = hold_moment - planned_hold_moment - x * (hold_mass - planned_hold_mass)
            out[row, 13] = (
                marks[0, 3]
                - sheet.take_off_fuel_moment_kgm
                - x * (marks[0, 2] - sheet.take_off_fuel_kg)
            )
            out[row, 14] = moved
            out[row, 15] = marks[0, 1] - zero_fuel_moment - marks[0, 3] - moved
            out[row, 16] = sheet.rounding_kgm
            out[row, 17] = timeline.maximum_kg[0] - taxi
            out[row, 18] = timeline.maximum_kg[1] - marks[0, 0]
            out[row, 19] = timeline.maximum_kg[2] - marks[1, 0]
            out[row, 20] = timeline.maximum_kg[3] - zero_fuel
            out[row, 21] = errors[0, 0] * to_pct
            out[row, 22] = errors[0, 1] * to_pct
            out[row, 23] = errors[1, 0] * to_pct
            out[row, 24] = errors[1, 1] * to_pct
            out[row, 25] = least
            out[row, 26] = greatest
            out[row, 27] = tally[0].trips
            out[row, 28] = tally[0].most_up
            out[row, 29] = tally[0].up_s / end_s
            out[row, 30] = tally[0].longest_queue
            out[row, 31] = tally[0].visits
            out[row, 32] = tally[0].wait_s / max(tally[0].visits, 1)
            out[row, 33] = tally[0].longest_wait_s
            out[row, 34] = tally[0].put_off
            out[row, 35] = tally[0].turned_back
            out[row, 36] = tally[0].stopped
            out[row, 37] = tally[0].surge
            out[row, 38] = not_served
            out[row, 39] = places.water_kg - tally[0].water_kg
            _count_times_up(places.seat_position, people, life, out[row, 40:49])
            column = HEADER
            for i in range(2 * phases):
                out[row, column] = sides[i, 0] * to_pct
                out[row, column + 1] = sides[i, 1]
                out[row, column + 2] = sides[i, 2]
                out[row, column + 3] = sides[i, 3]
                out[row, column + 4] = sides[i, 4]
                column += PER_SIDE
            for i in range(settings.shape[0]):
                for k in range(3):
                    out[row, column + k] = settings[i, k] * 180.0 / math.pi
                out[row, column + 3] = (settings[i, 3] - lemac) * to_pct
                column += PER_AIR
        return written

    return entry_point(fly)


fly = _make_fly(source_fingerprint())


def _make_plan(
    fingerprint: int,
) -> Callable[
    [Program, float, float, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]], int
]:
    def plan(
        program: Program,
        zero_fuel_mass: float,
        zero_fuel_moment: float,
        sides: NDArray[np.float64],
        settings: NDArray[np.float64],
        record: NDArray[np.float64],
    ) -> int:
        """Write the planned path's extremes and its record; return the record's length.

        Nominal fuel at the planned density, no movement, gear and flaps as the limits take them.
        """
        if fingerprint < 0:
            return -1
        fuel, timeline = program.fuel, program.timeline
        tanks = fuel.capacity_m3.size
        volumes = np.empty(tanks, np.float64)
        segment = np.empty(tanks, np.int64)
        active = np.empty(tanks, np.int64)
        pumps = new_pumps(program.transfer, tanks)
        errors = np.empty((2, 2), np.float64)
        marks = np.empty((2, 4), np.float64)
        stabilizer = np.empty(1, np.float64)
        density = fuel.planned_density
        as_planned(pumps)
        fill_tanks(fuel, fuel.block_kg / density, volumes)
        mass, moment = zero_fuel_mass, zero_fuel_moment
        for t in range(tanks):
            mass += density * volumes[t]
        moment += density * fuel_moment(fuel, volumes, segment)
        return fly_path(
            mass,
            moment,
            density,
            1.0,
            volumes,
            segment,
            active,
            pumps,
            fuel,
            program.transfer,
            timeline,
            program.limit,
            program.configuration,
            program.script,
            0,
            program.sheet,
            sides,
            errors,
            marks,
            program.trim,
            settings,
            stabilizer,
            record,
            program.moments_alone,
        )

    return entry_point(plan)


plan = _make_plan(source_fingerprint())

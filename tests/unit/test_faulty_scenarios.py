"""Faulty scenario files: each with the key, the line and the words its message must have."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from cgrisk.errors import Fault, InputError
from cgrisk.scenario import load_scenario
from cgrisk.scenario.problems import listed
from tests.scenario_cases import edit, line_of, shipped_text, write_scenario

AIRCRAFT, OPERATION = "aircraft", "operation"
HERE = "here"
Refusal = Callable[..., list[Fault]]


class Case(NamedTuple):
    """An edit of a shipped file and the fault it must bring.

    ``at`` is where the fault stands: the line of the edit, the first match of a pattern in the
    edited file (``file:pattern`` for the other file), or None where no line can be named. With
    ``others``, the slip brings further faults that are not looked at.
    """

    file: str
    pattern: str
    replacement: str
    key: str
    words: tuple[str, ...]
    at: str | None = HERE
    others: bool = False


CASES = {
    # --- not TOML, or not for this format ---
    "no closing quote": Case(
        OPERATION, r'^name = ".*"$', 'name = "open', "", ("valid TOML", "Look at column")
    ),
    "no closing bracket": Case(
        OPERATION, r"\Z", "[[zones]]\nrows = [1,\n", "", ("valid TOML", "not closed"), r"\Z"
    ),
    "key twice": Case(
        AIRCRAFT, r"^mac = .*$", "mac = 4.2\nmac = 4.3", "", ("valid TOML", "twice"), r"mac = 4\.3"
    ),
    "no value": Case(AIRCRAFT, r"^mac = .*$", "mac =", "", ("valid TOML", "Invalid value")),
    "whole number of 5,000 digits": Case(
        OPERATION, r"^fleet = .*$", "fleet = " + "9" * 5_000, "", ("valid TOML", "limit"), None
    ),
    "lists nested 5,000 deep": Case(
        OPERATION,
        r"^fleet = .*$",
        "fleet = " + "[" * 5_000 + "]" * 5_000,
        "",
        ("nested at most 20 deep", "cgrisk new"),
        None,
    ),
    "key of 30 parts": Case(
        OPERATION, r"^fleet = .*$", ".".join("a" * 30) + " = 1", "", ("keys of at most 20 parts",)
    ),
    "line of 30,000 characters": Case(
        OPERATION,
        r'^note = ".*"$',
        f'note = "{"x" * 30_000}"',
        "",
        ("lines of at most 20000 characters", "Break the line"),
    ),
    "other schema": Case(
        AIRCRAFT, r"^schema = 1$", "schema = 2", "schema", ("the whole number 1", "got 2")
    ),
    "schema a bool": Case(
        OPERATION, r"^schema = 1$", "schema = true", "schema", ("the whole number 1", "got true")
    ),
    "no schema": Case(
        AIRCRAFT, r"^schema = 1$", "", "schema", ("the whole number 1", "got nothing"), None
    ),
    "unknown units": Case(
        AIRCRAFT,
        r'^units = "kg/m"',
        'units = "kg/cm"',
        "units",
        ('"kg/m" or "lb/in"', 'got "kg/cm"'),
    ),
    "no units": Case(
        OPERATION, r'^units = "kg/m"$', "", "units", ('"kg/m" or "lb/in"', "got nothing"), None
    ),
    # --- keys ---
    "misspelt key at the top": Case(
        OPERATION, r"^fleet =", "flet =", "flet", ("one of the keys", "Did you mean fleet?")
    ),
    "misspelt key in a table": Case(
        AIRCRAFT,
        r"^max_take_off =",
        "max_takeoff =",
        "masses.max_takeoff",
        ("one of the keys max_taxi, max_take_off", "Did you mean max_take_off?"),
        others=True,
    ),
    "misspelt key in a list of tables": Case(
        OPERATION,
        r"^adults = ",
        "adult = ",
        "zones[0].adult",
        ("Did you mean adults?",),
        others=True,
    ),
    "misspelt key in an inline table": Case(
        AIRCRAFT,
        r"pitch =",
        "pich =",
        "cabin.rows[0].pich",
        ("Did you mean pitch?",),
        others=True,
    ),
    "unknown table": Case(
        AIRCRAFT,
        r"^\[gear\]$",
        "[xylophone]\na = 1\n[gear]",
        "xylophone",
        ('got "xylophone"', "Take it away"),
    ),
    "top key below a table": Case(
        AIRCRAFT,
        r"^index_constant = .*$",
        "index_constant = 40\nreference_density = 0.8",
        "reference.reference_density",
        ("before the first [table]",),
        r"reference_density",
    ),
    "key with unprintable signs": Case(
        OPERATION,
        r"^fleet = .*$",
        r'"a\u001b[31m\u202e" = 1',
        r'"a\x1b[31m\u202e"',
        (r'got "a\x1b[31m\u202e"',),
    ),
    "missing key of a table": Case(
        AIRCRAFT,
        r"^max_landing = .*$",
        "",
        "masses.max_landing",
        ("a number from 0 to 1000000 kg", "got nothing", "Add it", "aircraft.masses.max_landing"),
        r"^\[masses\]",
    ),
    "missing key of a listed table": Case(
        OPERATION,
        r"^minutes = 2$",
        "",
        "phases[1].minutes",
        ("a number from 0.01 to 1500 min", "got nothing"),
        r'\[\[phases\]\]\nkind = "take_',
    ),
    "missing table": Case(
        OPERATION,
        r"(?s)^\[fuel\].*?(?=^\[op)",
        "",
        "fuel",
        ("a table with the keys block", "got nothing"),
        None,
    ),
    # --- types ---
    "text for a number": Case(
        AIRCRAFT,
        r"^mac = [\d.]+",
        'mac = "4.2"',
        "reference.mac",
        ("a number above 0 and at most 30 m", 'got "4.2"', "without quotes"),
    ),
    "bool for a number": Case(
        AIRCRAFT,
        r"^lemac = [\d.]+",
        "lemac = true",
        "reference.lemac",
        ("a number from -200 to 200 m", "got true"),
    ),
    "date for a number": Case(
        OPERATION,
        r"^bag_mass = \d+",
        "bag_mass = 1979-05-27",
        "load_sheet.bag_mass",
        ("from 0 to 300 kg", "got the date or time 1979-05-27"),
    ),
    "list for a number": Case(
        AIRCRAFT,
        r"^max_taxi = [\d_]+",
        "max_taxi = [1, 2]",
        "masses.max_taxi",
        ("from 0 to 1000000 kg", "got a list of 2 entries"),
    ),
    "fraction for a whole number": Case(
        OPERATION,
        r"^fleet = \d+",
        "fleet = 2.5",
        "fleet",
        ("a whole number from 1 to 1000", "got 2.5"),
    ),
    "number for a text": Case(
        OPERATION,
        r'^name = "A"',
        "name = 1",
        "zones[0].name",
        ("a text of 1 to 120 characters", "got 1"),
    ),
    "number for true or false": Case(
        OPERATION, r"^sign = true", "sign = 1", "phases[0].sign", ("true or false", "got 1")
    ),
    "text for a table": Case(
        OPERATION,
        r"^\[load_sheet\]\n(?:\w.*\n)+",
        'load_sheet = "x"\n',
        "zones[2].load_sheet",
        ("before the first [table]",),
    ),
    "table for a list": Case(
        AIRCRAFT,
        r"(?s)^\[\[refuel_order\]\].*?(?=^\[\[burn)",
        "[refuel_order]\ntanks = []\n",
        "refuel_order",
        ("a list of at most 12 tables", "got a table"),
    ),
    # --- ranges, in the file's units ---
    "negative mass": Case(
        AIRCRAFT,
        r"^max_zero_fuel = [\d_]+",
        "max_zero_fuel = -1",
        "masses.max_zero_fuel",
        ("from 0 to 1000000 kg", "got -1"),
    ),
    "not a number": Case(
        AIRCRAFT,
        r"^index_constant = [\d.]+",
        "index_constant = nan",
        "reference.index_constant",
        ("a number from", "got nan"),
    ),
    "infinite": Case(
        OPERATION, r"^block = [\d_]+", "block = inf", "fuel.block", ("1000000 kg", "got inf")
    ),
    "density in kg/m3": Case(
        OPERATION,
        r"^density = [\d.]+",
        "density = 800",
        "fuel.density",
        ("a number from 0.6 to 1 kg/l", "got 800"),
    ),
    "share above 1": Case(
        OPERATION,
        r"^male_share = [\d.]+",
        "male_share = 1.01",
        "passengers.male_share",
        ("a number from 0 to 1", "got 1.01"),
    ),
    "no minutes": Case(
        OPERATION,
        r"^minutes = 12",
        "minutes = 0",
        "phases[0].minutes",
        ("from 0.01 to 1500 min", "got 0"),
    ),
    "whole number too large": Case(
        OPERATION,
        r"^fleet = \d+",
        "fleet = 0x" + "f" * 400,
        "fleet",
        ("from 1 to 1000", "more than 30 digits"),
    ),
    "float too large": Case(
        OPERATION,
        r"^block = [\d_]+",
        f"block = {10**400}",
        "fuel.block",
        ("1000000 kg", "more than 30 digits"),
    ),
    "empty text": Case(
        OPERATION,
        r'^name = "family"',
        'name = ""',
        "parties[0].name",
        ("a text of 1 to 120 characters", 'got ""'),
    ),
    "note too long": Case(
        OPERATION,
        r'^note = ".*"',
        f'note = "{"y" * 3_000}"',
        "note",
        ("a text of up to 2000 characters", 'yyy..."'),
    ),
    "wrong choice": Case(
        OPERATION,
        r'^rule = "free"',
        'rule = "freely"',
        "seating.rule",
        ('"random", "free", "window_first"', 'got "freely"'),
    ),
    "wrong choice in a list": Case(
        AIRCRAFT, r'"taxi_out"', '"taxi"', "envelopes[0].phases[0]", ('"taxi_out"', 'got "taxi"')
    ),
    "no entries": Case(
        AIRCRAFT,
        r"^forward = .*$",
        "forward = []",
        "envelopes[0].forward",
        ("a list of 1 to 40 entries", "got a list of 0 entries"),
    ),
    "point of three numbers": Case(
        AIRCRAFT,
        r"^aft = \[\[40_000, 31\.0\]",
        "aft = [[40_000, 31.0, 1]",
        "envelopes[0].aft[0]",
        ("a list of 2 entries", "% MAC", "got a list of 3 entries"),
    ),
    "point of one number": Case(
        AIRCRAFT,
        r"^aft = \[\[40_000, 31\.0\]",
        "aft = [[40_000]",
        "envelopes[0].aft[0]",
        ("a list of 2 entries", "got a list of 1 entry"),
    ),
    "number of a point a text": Case(
        AIRCRAFT,
        r"^aft = \[\[40_000, 31\.0\]",
        'aft = [[40_000, "x"]',
        "envelopes[0].aft[0][1]",
        ("-100 to 200 % MAC", 'got "x"'),
    ),
    "41 phases": Case(
        OPERATION,
        r"\Z",
        '[[phases]]\nkind = "taxi_in"\nminutes = 1\nfuel_flow = 0\n' * 41,
        "phases",
        ("a list of 1 to 40 tables", "got a list of 49 entries"),
        r"^\[\[phases\]\]",
    ),
    "small letters of seats": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "abc-def"',
        "cabin.seats",
        ("seat letters A to Z, a hyphen where an aisle is", 'got "abc-def"'),
    ),
    "party without adults": Case(
        OPERATION,
        r"^adults = \[1, 2\]",
        "adults = [0, 2]",
        "parties[0].adults[0]",
        ("a whole number from 1 to 200", "got 0"),
    ),
    # --- sources ---
    "source of an unknown key": Case(
        AIRCRAFT,
        r'^"masses" = ',
        '"mases" = ',
        "sources.mases",
        ("a dotted key of this file", 'got "mases"'),
    ),
    "source with a key without quotes": Case(
        AIRCRAFT,
        r'^"masses" = ',
        "masses.max_taxi = ",
        "sources.masses",
        ("a text", "got a table", "key in quotes"),
    ),
    # --- masses and CG ---
    "zero-fuel maximum above landing": Case(
        AIRCRAFT,
        r"^max_zero_fuel = [\d_]+",
        "max_zero_fuel = 64_801",
        "masses.max_zero_fuel",
        ("at most the maximum landing mass of 64800 kg", "got 64801 kg"),
    ),
    "landing above take-off": Case(
        AIRCRAFT,
        r"^max_landing = [\d_]+",
        "max_landing = 73_601",
        "masses.max_landing",
        ("at most the maximum take-off mass of 73600 kg", "got 73601 kg"),
    ),
    "take-off above taxi": Case(
        AIRCRAFT,
        r"^max_take_off = [\d_]+",
        "max_take_off = 73_901",
        "masses.max_take_off",
        ("at most the maximum taxi mass of 73900 kg", "got 73901 kg"),
    ),
    "dry above zero fuel": Case(
        AIRCRAFT,
        r"^dry_operating = [\d_]+",
        "dry_operating = 61_201",
        "masses.dry_operating",
        ("at most the maximum zero-fuel mass of 61200 kg", "got 61201 kg"),
    ),
    "no dry mass": Case(
        AIRCRAFT,
        r"^dry_operating = [\d_]+",
        "dry_operating = 0",
        "masses.dry_operating",
        ("at least 200 kg", "got 0 kg"),
        others=True,
    ),
    "chord of no aircraft": Case(
        AIRCRAFT,
        r"^mac = [\d.]+",
        "mac = 0.042",
        "reference.mac",
        ("at least 0.3 m", "got 0.042 m"),
        others=True,
    ),
    "two forms of the dry CG": Case(
        AIRCRAFT,
        r"^dry_operating_index = .*$",
        "dry_operating_index = 43\ndry_operating_arm = 17.7",
        "masses.dry_operating_index",
        (
            "exactly one of dry_operating_cg, dry_operating_arm, dry_operating_index",
            "dry_operating_arm and dry_operating_index",
        ),
    ),
    "no dry CG": Case(
        AIRCRAFT,
        r"^dry_operating_index = .*$",
        "",
        "masses",
        ("exactly one of dry_operating_cg", "got none of them"),
        r"^\[masses\]",
    ),
    "dry CG in other units": Case(
        AIRCRAFT,
        r"^dry_operating_index = .*$",
        "dry_operating_arm = 1.77",
        "masses.dry_operating_arm",
        ("a dry operating CG from -50 to 150 % MAC", "got -348"),
    ),
    "doubt as large as the mass": Case(
        AIRCRAFT,
        r"^mass_sd_aircraft = \d+",
        "mass_sd_aircraft = 42_000",
        "dry_uncertainty.mass_sd_aircraft",
        ("a fifth of the dry operating mass", "got 42000 kg"),
    ),
    # --- envelopes ---
    "masses of an envelope decrease": Case(
        AIRCRAFT,
        r"^forward = .*$",
        "forward = [[58_000, 12.0], [40_000, 12.0]]",
        "envelopes[0].forward[1]",
        ("at least 58000 kg", "got 40000 kg"),
    ),
    "three points at one mass": Case(
        AIRCRAFT,
        r"^forward = .*$",
        "forward = [[58_000, 12], [58_000, 13], [58_000, 14]]",
        "envelopes[0].forward[2]",
        ("at most two points at one mass", "a third at 58000 kg"),
    ),
    "limits cross at a point": Case(
        AIRCRAFT,
        r"^aft = .*$",
        "aft = [[40_000, 31.0], [73_900, 15.5]]",
        "envelopes[0].aft",
        ("forward of the aft limit", "forward 15.5 and aft 15.5 % MAC at 73900 kg"),
    ),
    "limits cross beyond the points of one side": Case(
        AIRCRAFT,
        r"^forward = .*\naft = .*$",
        "forward = [[50_000, 12.0], [60_000, 20.0]]\naft = [[40_000, 31.0], [90_000, 19.0]]",
        "envelopes[0].aft",
        ("forward 20 and aft 19 % MAC at 90000 kg",),
        r"^aft",
    ),
    "limits cross at a step": Case(
        AIRCRAFT,
        r"^forward = .*\naft = .*$",
        "forward = [[50_000, 12.0], [50_000, 22.0]]\naft = [[50_000, 21.0], [50_000, 30.0]]",
        "envelopes[0].aft",
        ("forward 22 and aft 21 % MAC at 50000 kg",),
        r"^aft",
    ),
    "phase in two envelopes": Case(
        AIRCRAFT,
        r'\["climb", "cruise", "descent"\]',
        '["climb", "cruise", "landing", "descent"]',
        "envelopes[1].phases[2]",
        ("governed by one envelope", '"landing", which envelopes[0] governs already'),
    ),
    # --- cabin ---
    "no rows": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        "",
        "cabin",
        ("either rows or a seat plan", "neither"),
        r"^\[cabin\]",
    ),
    "rows and a seat table": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        'rows = [{ rows = "1-29", pitch = 0.8 }]\n'
        'seat_table = [{ row = 1, letter = "A", arm = 7, position = "window" }]',
        "cabin.seat_table",
        ("either rows or a seat plan", "rows and seat_table"),
        r"^seat_table",
    ),
    "seat table beside what goes with rows": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        'seat_table = [{ row = 1, letter = "A", arm = 7, position = "window" }]',
        "cabin.first_row_arm",
        ("no first_row_arm beside a seat plan",),
        r"^first_row_arm",
        others=True,
    ),
    "seat twice in a seat table": Case(
        AIRCRAFT,
        r"(?s)^first_row_arm.*?pitch = 0\.80 \}\]$",
        'seat_table = [\n{ row = 1, letter = "A", arm = 7, position = "window" },\n'
        '{ row = 1, letter = "A", arm = 8, position = "window" }]',
        "cabin.seat_table[1].letter",
        ("a different name for each seat", '"1A" once more'),
        r"^.*arm = 8",
    ),
    "no first row": Case(
        AIRCRAFT,
        r"^first_row_arm = .*$",
        "",
        "cabin",
        ("first_row_arm", "got nothing"),
        r"^\[cabin\]",
    ),
    "no seat letters": Case(
        AIRCRAFT, r"^seats = .*$", "", "cabin.rows[0]", ("seats, the letters of a row",), r"^rows ="
    ),
    "letter twice": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "ABC-DEA"',
        "cabin.seats",
        ("each letter once in a row", 'A twice in "ABC-DEA"'),
    ),
    "no aisle": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "ABCDEF"',
        "cabin.seats",
        ("an aisle in some row", 'none, "ABCDEF"', "Write a hyphen where the aisle is"),
    ),
    "no aisle in a group of rows": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        'rows = [{ rows = "1-29", pitch = 0.8, seats = "ABCDEF" }]',
        "cabin.rows[0].seats",
        ("an aisle in some row", 'none, "ABCDEF"'),
    ),
    "three aisles": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "AB-C-D-EF"',
        "cabin.seats",
        ("at most 2 aisles", "3 in"),
    ),
    "rows not to be read": Case(
        AIRCRAFT,
        r'rows = "1-29"',
        'rows = "1 to 29"',
        "cabin.rows[0].rows",
        ('rows such as "1-9"', "'1 to 29' is not a row"),
    ),
    "rows backwards": Case(
        AIRCRAFT,
        r'rows = "1-29"',
        'rows = "29-1"',
        "cabin.rows[0].rows",
        ("does not run from a lower row",),
    ),
    "row twice": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        'rows = [{ rows = "1-20", pitch = 0.8 },\n{ rows = "20-29", pitch = 0.8 }]',
        "cabin.rows[1].rows",
        ("each row once", "row 20 once more"),
        r'^\{ rows = "20',
    ),
    "too many seats": Case(
        AIRCRAFT,
        r'rows = "1-29", pitch = 0\.80',
        'rows = "1-200", pitch = 0.21',
        "cabin.rows",
        ("at most 1000 seats", "1200 seats"),
    ),
    "rows beyond any aircraft": Case(
        AIRCRAFT,
        r"^first_row_arm = [\d.]+",
        "first_row_arm = 190",
        "cabin.rows[0].pitch",
        ("at an arm of at most 200 m", "got 212.4 m"),
        r"^rows =",
        others=True,
    ),
    "missing seat not to be read": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "ABC-DEF"\nmissing = ["1A", "A1"]',
        "cabin.missing[1]",
        ('a seat such as "12A"', "'A1' is not a seat"),
        r"^missing",
    ),
    "missing seat that is not there": Case(
        AIRCRAFT,
        r'^seats = "ABC-DEF"',
        'seats = "ABC-DEF"\nmissing = ["30A"]',
        "cabin.missing[0]",
        ("a seat that the rows have", 'got "30A"'),
        r"^missing",
    ),
    "all seats missing": Case(
        AIRCRAFT,
        r"^rows = \[.*\]$",
        'rows = [{ rows = "1", pitch = 0.8, seats = "A" }]\nmissing = ["1A"]',
        "cabin.missing",
        ("at least one seat that is fitted", "all 1 seats missing"),
        r"^missing",
    ),
    "lavatory twice": Case(
        AIRCRAFT,
        r'"aft lavatories"',
        '"forward lavatory"',
        "cabin.lavatories[1].name",
        ("a different name for each lavatory group", '"forward lavatory" once more'),
    ),
    "galley twice": Case(
        AIRCRAFT,
        r'"aft galley"',
        '"forward galley"',
        "cabin.galleys[1].name",
        ("a different name for each galley",),
        others=True,
    ),
    "lavatory at another datum": Case(
        AIRCRAFT,
        r"arm = 30\.4",
        "arm = 130.4",
        "cabin.lavatories[1].arm",
        ("an arm near the rows, -33.4 m to 69.8 m", "got 130.4 m"),
    ),
    # --- holds, flaps ---
    "hold twice": Case(
        AIRCRAFT,
        r'^name = "aft hold"',
        'name = "forward hold"',
        "holds[1].name",
        ("a different name for each hold",),
        others=True,
    ),
    "flap twice": Case(
        AIRCRAFT,
        r'^name = "landing"',
        'name = "take-off"',
        "flaps[2].name",
        ("a different name for each flap position",),
        others=True,
    ),
    "limits refer to an unknown flap": Case(
        AIRCRAFT,
        r"^limits_refer_to = .*$",
        'limits_refer_to = { flaps = "full" }',
        "limits_refer_to.flaps",
        ('the name of a flap position: "up", "take-off", "landing"', 'got "full"'),
    ),
    # --- fuel system ---
    "no tanks": Case(
        AIRCRAFT,
        r"(?s)^\[\[tanks\]\].*?(?=^\[gear)",
        "",
        "tanks",
        ("either tanks or a fuel index table", "got neither"),
        None,
    ),
    "tanks and a fuel index": Case(
        AIRCRAFT,
        r"^name = .*$",
        'name = "x"\nfuel_index = [[0, 0], [14_000, 3]]',
        "fuel_index",
        ("either tanks or a fuel index table", "tanks and fuel_index"),
        r"^fuel_index",
    ),
    "tank in two forms": Case(
        AIRCRAFT,
        r"^layers = .*$",
        "layers = [[6_400, 16.75]]\narm_by_quantity = [[6_400, 16.75]]",
        "tanks[0].arm_by_quantity",
        ("exactly one of layers, arm_by_quantity", "got both"),
        r"^arm_by_quantity",
    ),
    "tank in no form": Case(
        AIRCRAFT,
        r"^layers = .*$",
        "",
        "tanks[0]",
        ("exactly one of layers, arm_by_quantity", "got neither"),
        r"^\[\[tanks\]\]",
    ),
    "tank twice": Case(
        AIRCRAFT,
        r'^name = "right wing"',
        'name = "left wing"',
        "tanks[2].name",
        ("a different name for each tank", '"left wing" once more'),
        others=True,
    ),
    "layers that miss the capacity": Case(
        AIRCRAFT,
        r"^capacity = 6_400",
        "capacity = 6_500",
        "tanks[0].layers",
        ("add up to the capacity of 6500 l", "got 6400 l"),
        r"^layers",
    ),
    "empty layer": Case(
        AIRCRAFT,
        r"^layers = .*$",
        "layers = [[0, 16.0], [6_400, 16.75]]",
        "tanks[0].layers[0]",
        ("a layer with some volume", "got 0 l"),
    ),
    "points that do not rise": Case(
        AIRCRAFT,
        r"^layers = .*$",
        "arm_by_quantity = [[6_400, 16.75], [6_400, 16.8]]",
        "tanks[0].arm_by_quantity[1]",
        ("a volume above 6400 l", "got 6400 l"),
    ),
    "points that miss the capacity": Case(
        AIRCRAFT,
        r"^layers = .*$",
        "arm_by_quantity = [[0, 16.7], [6_000, 16.75]]",
        "tanks[0].arm_by_quantity[1]",
        ("a last point at the capacity of 6400 l", "got 6000 l"),
    ),
    "refuelling an unknown tank": Case(
        AIRCRAFT,
        r'^tanks = \["centre"\]',
        'tanks = ["centre", "tail"]',
        "refuel_order[1].tanks[1]",
        ('the name of a tank: "centre", "left wing", "right wing"', 'got "tail"'),
    ),
    "refuelling a tank twice": Case(
        AIRCRAFT,
        r'^tanks = \["centre"\]',
        'tanks = ["centre", "left wing"]',
        "refuel_order[1].tanks[1]",
        ("each tank filled in one step", '"left wing" once more'),
    ),
    "tank never filled": Case(
        AIRCRAFT,
        r'^tanks = \["left wing", "right wing"\]',
        'tanks = ["left wing"]',
        "refuel_order",
        ("every tank in the refuelling order", 'fills "right wing"'),
        r"^\[\[refuel_order\]\]",
    ),
    "burning an unknown tank": Case(
        AIRCRAFT,
        r'(?s)^\[\[burn_schedule\]\]\ntanks = \["centre"\]',
        '[[burn_schedule]]\ntanks = ["center"]',
        "burn_schedule[0].tanks[0]",
        ("the name of a tank", 'got "center"'),
        r'^tanks = \["center"\]',
        others=True,
    ),
    "tank never burnt": Case(
        AIRCRAFT,
        r'(?s)^\[\[burn_schedule\]\]\ntanks = \["centre"\]\n',
        "",
        "burn_schedule",
        ("every tank burnt to empty", '6400 l that stay in "centre"'),
        r"^\[\[burn_schedule\]\]",
    ),
    "tanks not burnt to empty": Case(
        AIRCRAFT,
        r"^\[gear\]",
        "down_to = 100\n[gear]",
        "burn_schedule",
        ('100 l that stay in "left wing" (also: "right wing")',),
        r"^\[\[burn_schedule\]\]",
    ),
    "burn level above the capacity": Case(
        AIRCRAFT,
        r"^\[\[burn_schedule\]\]$",
        '[[burn_schedule]]\ntanks = ["centre"]\ndown_to = 7_000\n[[burn_schedule]]',
        "burn_schedule[0].down_to",
        ('at most the capacity of "centre", 6400 l', "got 7000 l"),
        r"^down_to",
    ),
    # --- zones and people ---
    "zone twice": Case(
        OPERATION,
        r'^name = "B"',
        'name = "A"',
        "zones[1].name",
        ("a different name for each zone", '"A" once more'),
    ),
    "zone rows not to be read": Case(
        OPERATION,
        r'^rows = "10-19"',
        'rows = "10..19"',
        "zones[1].rows",
        ('rows such as "1-9"', "'10..19' is not a row"),
    ),
    "zone beyond the cabin": Case(
        OPERATION,
        r'^rows = "20-29"',
        'rows = "20-30"',
        "zones[2].rows",
        ("rows of the cabin, which has 1 to 29", "row 30, which has no seat"),
    ),
    "zones overlap": Case(
        OPERATION,
        r'^rows = "10-19"',
        'rows = "9-19"',
        "zones[1].rows",
        ("zones that do not overlap", 'row 9, which zone "A" has already'),
    ),
    "seats in no zone": Case(
        OPERATION,
        r'^rows = "10-19"',
        'rows = "11-18"',
        "zones",
        ("zones that together hold every seat", "no zone with row 10, 19"),
        r"^\[\[zones\]\]",
        others=True,
    ),
    "more people than seats": Case(
        OPERATION,
        r"^adults = 42",
        "adults = 53",
        "zones[0].adults",
        ('at most 54 people, the usable seats of zone "A"', "53 adults and 2 children"),
    ),
    "more people than seats that are not blocked": Case(
        OPERATION,
        r'^rule = "free"',
        'rule = "free"\nblocked = ["20", "21", "22A"]',
        "zones[2].adults",
        ("at most 47 people", "50 adults and 2 children"),
        r"^adults = 50",
    ),
    "more people than the cabin seats": Case(
        OPERATION,
        r'^scope = "zone"',
        'scope = "cabin"\nblocked = ["1-5"]',
        "zones",
        ("at most 144 people, the usable seats of the cabin", "148 people"),
        r"^\[\[zones\]\]",
    ),
    "blocked seat that is not there": Case(
        OPERATION,
        r'^rule = "free"',
        'rule = "free"\nblocked = ["12A", "12G"]',
        "seating.blocked[1]",
        ("a seat or rows of the cabin", "'12G' names no seat"),
        r"^blocked",
    ),
    "zone arm in another unit": Case(
        OPERATION,
        r'^rows = "1-9"',
        'rows = "1-9"\narm = 98',
        "zones[0].arm",
        ("an arm among the zone's rows, 6.6 m to 13 m", "got 98 m"),
        r"^arm = 98",
    ),
    "party twice": Case(
        OPERATION,
        r'^name = "couple"',
        'name = "family"',
        "parties[1].name",
        ("a different name for each kind of party",),
    ),
    "shares above 1": Case(
        OPERATION,
        r"^share = 0\.36",
        "share = 0.80",
        "parties",
        ("add up to at most 1", "got 1.05"),
        r"^\[\[parties\]\]",
    ),
    "party of most to least": Case(
        OPERATION,
        r"^adults = \[3, 6\]",
        "adults = [6, 3]",
        "parties[2].adults",
        ("the least number first", "got 6 to 3"),
    ),
    # --- holds, fuel, phases, service against the aircraft ---
    "unknown hold": Case(
        OPERATION,
        r'^hold = "aft hold"',
        'hold = "rear hold"',
        "hold_loads[1].hold",
        ('the name of a hold: "forward hold", "aft hold"', 'got "rear hold"'),
    ),
    "hold loaded twice": Case(
        OPERATION,
        r'^hold = "aft hold"',
        'hold = "forward hold"',
        "hold_loads[1].hold",
        ("a different name for each hold load",),
    ),
    "hold overloaded": Case(
        OPERATION,
        r"^bags = 80",
        "bags = 335",
        "hold_loads[1]",
        ('the maximum load of "aft hold", 4600 kg', "4605 kg with 335 bags of 13 kg"),
        r'^\[\[hold_loads\]\]\nhold = "aft',
    ),
    "more fuel than the tanks hold": Case(
        OPERATION,
        r"^block = [\d_]+",
        "block = 14_401",
        "fuel.block",
        ("at most what the tanks hold, 14400 kg at 0.8 kg/l", "got 14401 kg"),
    ),
    "less fuel than is burnt": Case(
        OPERATION,
        r"^block = [\d_]+",
        "block = 1_000",
        "fuel.block",
        ("at least what the phases burn", "got 1000 kg"),
    ),
    "phases out of order": Case(
        OPERATION,
        r'^kind = "descent"',
        'kind = "climb"\nname = "second climb"',
        "phases[4].kind",
        ("in the order taxi_out, take_off, climb", "climb after cruise"),
        r'^kind = "climb"\nname',
    ),
    "phase twice without names": Case(
        OPERATION,
        r'^kind = "descent"',
        'kind = "cruise"',
        "phases[4].kind",
        ("a different name for each phase", '"cruise", as phases[3]'),
    ),
    "phase with a name that tables use": Case(
        OPERATION,
        r'^kind = "cruise"',
        'kind = "cruise"\nname = "any"',
        "phases[3].name",
        ("that tables do not use", 'got "any"'),
        r'^name = "any"',
    ),
    "unknown flap of a phase": Case(
        OPERATION,
        r'^flaps = "landing"',
        'flaps = "full"',
        "phases[5].flaps",
        ("the name of a flap position", 'got "full"'),
    ),
    "phase that no envelope governs": Case(
        AIRCRAFT,
        r'"climb", "cruise", "descent"',
        '"climb", "cruise"',
        "phases[4].kind",
        ("that an envelope of the aircraft governs", "got descent"),
        'operation:^kind = "descent"',
    ),
    "cart from an unknown galley": Case(
        OPERATION,
        r'^galley = "aft galley"',
        'galley = "mid galley"',
        "service.carts[1].galley",
        ('the name of a galley: "forward galley", "aft galley"', 'got "mid galley"'),
    ),
    "cart to an unknown row": Case(
        OPERATION,
        r"^from_row = 29",
        "from_row = 31",
        "service.carts[1].from_row",
        ("a row of the cabin, which has 1 to 29", "got 31"),
    ),
    "cart in an aisle that its rows do not have": Case(
        OPERATION,
        r"^to_row = 14",
        "to_row = 14\naisle = 2",
        "service.carts[0].aisle",
        ("an aisle that seats of its rows belong to", "got 2", "Correct the aisle or the rows"),
        "^aisle = 2",
    ),
    "more trays than a cart carries": Case(
        OPERATION,
        r"^to_row = 15",
        "to_row = 15\nmass_full = 50",
        "service.carts[1].mass_full",
        ("at least the mass of 90 trays, 54 kg", "got 50 kg"),
        "^mass_full = 50",
    ),
    "nobody tries again at once for ever": Case(
        OPERATION,
        r"^sign_factor = 0.1",
        "sign_factor = 0.1\nretry_mean = 0",
        "behaviour.retry_mean",
        ("a number from 0.1 to 1500 min", "got 0"),
        "^retry_mean = 0",
    ),
    "carts without a cruise": Case(
        OPERATION,
        r'^kind = "cruise"',
        'kind = "climb"\nname = "slow climb"',
        "service.carts[0].start",
        ("a phase of kind cruise",),
        r"^start = ",
    ),
    # --- references ---
    "aircraft of another folder": Case(
        OPERATION,
        r"^aircraft = .*$",
        'aircraft = "../aircraft.toml"',
        "aircraft",
        ("the plain name of a file in the scenario's own folder", "../aircraft.toml"),
    ),
    "aircraft by an absolute path": Case(
        OPERATION, r"^aircraft = .*$", 'aircraft = "/etc/passwd"', "aircraft", ("plain name",)
    ),
    "aircraft on another drive": Case(
        OPERATION, r"^aircraft = .*$", "aircraft = 'C:aircraft.toml'", "aircraft", ("plain name",)
    ),
    "aircraft in a lower folder": Case(
        OPERATION,
        r"^aircraft = .*$",
        "aircraft = 'x\\aircraft.toml'",
        "aircraft",
        ("plain name",),
    ),
    "aircraft that is the folder": Case(
        OPERATION, r"^aircraft = .*$", 'aircraft = "."', "aircraft", ("plain name",)
    ),
    "aircraft with a null in its name": Case(
        OPERATION, r"^aircraft = .*$", r'aircraft = "a\u0000b"', "aircraft", ("plain name",)
    ),
    "aircraft that is not there": Case(
        OPERATION,
        r"^aircraft = .*$",
        'aircraft = "plane.toml"',
        "aircraft",
        ("the name of a file", '"plane.toml", which is no file there'),
    ),
    "aircraft with an endless name": Case(
        OPERATION,
        r"^aircraft = .*$",
        f'aircraft = "{"a" * 4_000}"',
        "aircraft",
        ("which is no file there",),
        others=True,
    ),
    "no aircraft": Case(
        OPERATION, r"^aircraft = .*$", "", "aircraft", ("a text", "got nothing"), None
    ),
    "seat plan that is not there": Case(
        AIRCRAFT,
        r"(?s)^first_row_arm.*?pitch = 0\.80 \}\]$",
        'seat_plan = "seats.csv"',
        "cabin.seat_plan",
        ("the name of a file", '"seats.csv", which is no file there'),
    ),
    "fuel index table outside of the folder": Case(
        AIRCRAFT,
        r"^limits_already_include",
        'fuel_index_table = "../fuel.csv"\nlimits_already_include',
        "fuel_index_table",
        ("plain name", "../fuel.csv"),
    ),
    # --- trim, take-off, entry errors ---
    "stops the wrong way round": Case(
        AIRCRAFT,
        r"^nose_up_stop = .*$",
        "nose_up_stop = 5.0",
        "stabilizer.nose_up_stop",
        ("less than the nose-down stop of 4 deg", "got 5 deg"),
    ),
    "trim band the wrong way round": Case(
        AIRCRAFT,
        r"^take_off_band = .*$",
        "take_off_band = [9.0, 3.0]",
        "stabilizer.take_off_band",
        ("the least setting first", "got 9, 3"),
    ),
    "Mach numbers out of order": Case(
        AIRCRAFT,
        r"^mach_moment = .*$",
        "mach_moment = [[0.7, 0.0], [0.4, -0.01]]",
        "aerodynamics.mach_moment[1]",
        ("a Mach number above 0.7", "got 0.4"),
    ),
    "no wheelbase": Case(
        AIRCRAFT,
        r"^wheelbase = .*$",
        "wheelbase = 0.0",
        "ground_run.wheelbase",
        ("a number from 0.5 to 200 m",),
    ),
    "no wing": Case(
        AIRCRAFT,
        r"^wing_area = .*$",
        "wing_area = 0.0",
        "aerodynamics.wing_area",
        ("a number from 0.1 to 2000 m2",),
    ),
    "trim table with a hole": Case(
        AIRCRAFT,
        r"^\[dry_uncertainty\]$",
        '[[trim_tables]]\nflaps = "take-off"\npoints = [[6e4, 20.0, 5.0], [6e4, 30.0, 4.0], '
        "[7e4, 20.0, 5.5]]\n[dry_uncertainty]",
        "trim_tables[0].points",
        ("every mass with every CG once: 2 masses by 2 CGs", "got 3 points"),
        r"^points = \[\[6e4",
    ),
    "trim table for other flaps": Case(
        AIRCRAFT,
        r"^\[dry_uncertainty\]$",
        '[[trim_tables]]\nflaps = "half"\npoints = [[6e4, 20.0, 5.0], [6e4, 30.0, 4.0]]\n'
        "[dry_uncertainty]",
        "trim_tables[0].flaps",
        ("the name of a flap position", 'got "half"'),
        r'^flaps = "half"$',
    ),
    "entry error in no zone": Case(
        OPERATION,
        r'^from_zone = "A"$',
        'from_zone = "Z"',
        "entry_errors[0].from_zone",
        ("a zone out of A, B, C", 'got "Z"'),
    ),
    "entry error of nobody": Case(
        OPERATION, r"^people = 6$", "people = 0", "entry_errors[0].people", ("at least 1 person",)
    ),
    "one hold swapped with itself": Case(
        OPERATION,
        r"^holds = .*$",
        'holds = ["aft hold", "aft hold"]',
        "entry_errors[1].holds",
        ("two different holds out of",),
    ),
    "chance of an entry error above 1": Case(
        OPERATION,
        r"^people = 6$",
        "people = 6\nprobability = 1.01",
        "entry_errors[0].probability",
        ("a number from 0 to 1", "got 1.01"),
        r"^probability = 1.01",
    ),
    "chances of entry errors add up to more than 1": Case(
        OPERATION,
        r"(?s)^people = 6$.*?^people = 60$",
        'probability = 0.5\npeople = 6\nfrom_zone = "A"\nto_zone = "C"\n'
        '[[entry_errors]]\nname = "children as adults"\nkind = "children_as_adults"\n'
        "probability = 0.51\npeople = 60",
        "entry_errors[1].probability",
        ("add up to at most 1", "got 1.01", "Lower them"),
        r"^probability = 0.51",
    ),
    "chance of a closed lavatory above 1": Case(
        OPERATION,
        r"^sign_factor = 0.1",
        "sign_factor = 0.1\nlavatory_closed = 2",
        "behaviour.lavatory_closed",
        ("a number from 0 to 1", "got 2"),
        r"^lavatory_closed",
    ),
}


@pytest.fixture
def refused(tmp_path: Path) -> Refusal:
    """Load the shipped scenario with other texts, and return the faults it must have."""

    def load(**texts: str) -> list[Fault]:
        folder = write_scenario(tmp_path / "case", **texts)
        with pytest.raises(InputError, match=r"expected .*; got ") as caught:
            load_scenario(folder)
        return list(caught.value.faults)

    return load


@pytest.mark.parametrize("name", CASES)
def test_faulty_file(name: str, refused: Refusal) -> None:
    case = CASES[name]
    text, line = edit(shipped_text(case.file), case.pattern, case.replacement)
    faults = refused(**{case.file: text})
    found = [fault for fault in faults if fault.key == case.key]
    assert found, [str(fault) for fault in faults]
    assert case.others or len(faults) == 1, [str(fault) for fault in faults]
    fault = next((f for f in found if all(w in str(f) for w in case.words)), found[0])
    for words in case.words:
        assert words in str(fault)
    file, _, pattern = (case.at or "").rpartition(":")
    file = file or case.file
    expected = {HERE: line, None: None}.get(case.at)
    if case.at not in (HERE, None):
        expected = line_of(text if file == case.file else shipped_text(file), pattern)
    assert fault.line == expected, str(fault)
    assert Path(fault.file).name == f"{file}.toml"
    assert fault.cure.endswith((".", "?"))
    assert str(fault).isprintable()


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= 60


def test_all_faults_of_both_files_at_once(refused: Refusal) -> None:
    aircraft, mac = edit(shipped_text(AIRCRAFT), r"^mac = [\d.]+", "mac = -4.2")
    aircraft, landing = edit(aircraft, r"^max_landing = [\d_]+", "max_landing = 74_000")
    aircraft, _ = edit(aircraft, r"^capacity = 6_400", "capacity = 6_500")
    aircraft, galley = edit(aircraft, r'"aft galley"', '"forward galley"')
    operation, fleet = edit(shipped_text(OPERATION), r"^fleet =", "flet =")
    operation, zone = edit(operation, r'^name = "B"', 'name = "A"')
    operation, rule = edit(operation, r'^rule = "free"', 'rule = "x"')
    operation, hold = edit(operation, r'^hold = "aft hold"', 'hold = "rear hold"')
    faults = refused(aircraft=aircraft, operation=operation)
    found = {(Path(f.file).stem, f.line, f.key) for f in faults}
    assert found == {
        (OPERATION, fleet, "flet"),
        (OPERATION, zone, "zones[1].name"),
        (OPERATION, rule, "seating.rule"),
        (OPERATION, hold, "hold_loads[1].hold"),
        (AIRCRAFT, mac, "reference.mac"),
        (AIRCRAFT, landing, "masses.max_landing"),
        (AIRCRAFT, line_of(aircraft, r"^layers"), "tanks[0].layers"),
        (AIRCRAFT, galley, "cabin.galleys[1].name"),
    }
    places = [(Path(f.file).stem != OPERATION, f.line or 0) for f in faults]
    assert places == sorted(places)


def test_schedules_beside_a_fuel_index_table(refused: Refusal) -> None:
    text, _ = edit(shipped_text(AIRCRAFT), r"(?s)^\[\[tanks\]\].*?(?=^\[\[refuel)", "")
    text, _ = edit(text, r"^schema = 1$", "schema = 1\nfuel_index = [[0, 0], [14_400, 3]]")
    faults = refused(aircraft=text)
    assert {fault.key for fault in faults} == {"refuel_order", "burn_schedule"}
    assert all("beside a fuel index table, which includes it" in f.expected for f in faults)


def test_cabin_faults_do_not_hide_those_of_the_zones_by_themselves(refused: Refusal) -> None:
    aircraft, _ = edit(shipped_text(AIRCRAFT), r'^seats = "ABC-DEF"', 'seats = "ABA"')
    operation, _ = edit(shipped_text(OPERATION), r'^name = "B"', 'name = "A"')
    keys = {fault.key for fault in refused(aircraft=aircraft, operation=operation)}
    assert keys == {"cabin.seats", "zones[1].name"}


def test_a_bench_across_the_aisle_and_seats_one_behind_the_other_are_no_fault(
    refused: Refusal, tmp_path: Path
) -> None:
    bench = (
        'rows = [{ rows = "1-28", pitch = 0.8 }, { rows = "29", pitch = 0.8, seats = "ABCDEF" }]'
    )
    aircraft, _ = edit(shipped_text(AIRCRAFT), r"^rows = \[.*\]$", bench)
    assert load_scenario(write_scenario(tmp_path / "bench", aircraft=aircraft))
    single = 'rows = [{ rows = "1-29", pitch = 0.8, seats = "A" }]'
    aircraft, _ = edit(shipped_text(AIRCRAFT), r"^rows = \[.*\]$", single)
    assert not [f for f in refused(aircraft=aircraft) if "aisle" in f.expected]


def test_names_that_are_there_are_listed_once(refused: Refusal) -> None:
    operation, _ = edit(shipped_text(OPERATION), r'^name = "C"', 'name = "B"')
    operation, _ = edit(operation, r'^from_zone = "A"$', 'from_zone = "Z"')
    told = [fault.expected for fault in refused(operation=operation)]
    assert "a zone out of A, B" in told
    assert listed(["A", "B", "B", "A"]) == '"A", "B"'


def test_ranges_are_told_in_the_units_of_the_file(refused: Refusal) -> None:
    aircraft, _ = edit(shipped_text(AIRCRAFT), r'^units = "kg/m"', 'units = "lb/in"')
    aircraft, _ = edit(aircraft, r"^reference_density.*|^flap_travel_s.*|^\[gear\]", "[gear]")
    aircraft, _ = edit(aircraft, r"^mac = [\d.]+", "mac = 5_000")
    messages = [str(fault) for fault in refused(aircraft=aircraft)]
    assert any(
        "reference.mac: expected a number above 0 and at most 1181.1 in" in m for m in messages
    )


def test_without_units_nothing_is_said_of_ranges_in_units(refused: Refusal) -> None:
    aircraft, _ = edit(shipped_text(AIRCRAFT), r'^units = "kg/m"', 'units = "kg"')
    aircraft, _ = edit(aircraft, r"^mac = [\d.]+", "mac = 5_000")
    aircraft, _ = edit(aircraft, r"^cg_sd_flight = [\d.]+", "cg_sd_flight = 50")
    keys = {fault.key for fault in refused(aircraft=aircraft)}
    assert keys == {"units", "dry_uncertainty.cg_sd_flight"}


def test_aircraft_faults_are_told_beside_a_misnamed_key(refused: Refusal) -> None:
    operation, _ = edit(shipped_text(OPERATION), r"^aircraft =", "aircraf =")
    keys = {fault.key for fault in refused(operation=operation)}
    assert keys == {"aircraft", "aircraf"}


def test_very_many_faults_are_cut_short(refused: Refusal) -> None:
    text = shipped_text(OPERATION) + "".join(f"[x{i}]\n" for i in range(600))
    faults = refused(operation=text)
    assert len(faults) == 501
    assert "600 faults" in faults[-1].got


# --- files that cannot be read at all ---


def refuse_path(path: str | Path) -> Fault:
    with pytest.raises(InputError, match=r"expected .*; got ") as caught:
        load_scenario(path)
    assert len(caught.value.faults) == 1
    return caught.value.faults[0]


def test_no_file(tmp_path: Path) -> None:
    assert "nothing of that name" in str(refuse_path(tmp_path / "no.toml"))


def test_folder_without_operation(tmp_path: Path) -> None:
    fault = refuse_path(tmp_path)
    assert "nothing of that name" in fault.got
    assert fault.file == str(tmp_path / "operation.toml")


def test_operation_is_a_folder(tmp_path: Path) -> None:
    (tmp_path / "operation.toml").mkdir()
    assert refuse_path(tmp_path).got == "a folder"


@pytest.mark.parametrize("name", ["a\0b", "x" * 5_000, "\udcff.toml"])
def test_names_that_no_file_can_have(name: str) -> None:
    fault = refuse_path(name)
    assert fault.file.isprintable()


def test_not_utf8(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "aircraft.toml").write_bytes(b'schema = 1\nname = "\xff"\n')
    fault = refuse_path(tmp_path)
    assert (fault.line, Path(fault.file).name) == (2, "aircraft.toml")
    assert "0xff, which is not UTF-8" in fault.got


def test_too_large(tmp_path: Path) -> None:
    write_scenario(tmp_path, aircraft="# padding\n" * 200_001)
    assert refuse_path(tmp_path).expected == "at most 2000000 bytes"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_named_pipe_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "operation.toml")
    assert refuse_path(tmp_path).got == "something else"


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="every file may be read by this user"
)
def test_no_permission(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "operation.toml").chmod(0)
    assert refuse_path(tmp_path).got == "no permission"


def test_permission_refused_by_the_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    write_scenario(tmp_path)
    monkeypatch.setattr(Path, "open", refuse)
    assert refuse_path(tmp_path).got == "no permission"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_links_that_leave_the_folder(tmp_path: Path) -> None:
    outside = write_scenario(tmp_path / "outside")
    inside = write_scenario(tmp_path / "inside")
    (inside / "aircraft.toml").unlink()
    (inside / "aircraft.toml").symlink_to(outside / "aircraft.toml")
    assert "a link that leaves the folder" in refuse_path(inside).got
    (inside / "aircraft.toml").unlink()
    (outside / "aircraft.toml").rename(inside / "other.toml")
    (inside / "aircraft.toml").symlink_to("other.toml")
    load_scenario(inside)
    (inside / "operation.toml").unlink()
    (inside / "operation.toml").symlink_to(outside / "operation.toml")
    assert "a link that leaves the folder" in refuse_path(inside).got


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_link_to_itself(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "aircraft.toml").unlink()
    (tmp_path / "aircraft.toml").symlink_to("aircraft.toml")
    assert refuse_path(tmp_path).key == "aircraft"

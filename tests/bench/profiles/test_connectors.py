"""Pin tables against the standards, typed here by hand.

Marks as in the files: where a table or a row was read, second hand, or recalled (memory).
"""

from itertools import combinations
from math import hypot

import pytest

from bench.profiles import load_connector
from bench.profiles.library import names

# pin: what the function must say, earth, colour, size, mark
Row = tuple[str, bool, str, str, str]

# SAE J560, 12 V. Pins 1, 4, 7: second hand, a summary of SAE J2247; the others: memory.
SAE_J560: dict[int, Row] = {
    1: ("ground", True, "white", "8 AWG", "second-hand"),
    2: ("clearance", False, "black", "12 AWG", "memory"),
    3: ("left turn", False, "yellow", "12 AWG", "memory"),
    4: ("stop", False, "red", "10 AWG", "second-hand"),
    5: ("right turn", False, "green", "12 AWG", "memory"),
    6: ("tail", False, "brown", "12 AWG", "memory"),
    7: ("ABS", False, "blue", "10 AWG", "second-hand"),
}
# ISO 1185 (24N): memory
ISO_1185: dict[int, Row] = {
    1: ("earth", True, "white", "2.5 mm²", "memory"),
    2: ("left rear position", False, "black", "1.5 mm²", "memory"),
    3: ("left turn", False, "yellow", "1.5 mm²", "memory"),
    4: ("stop", False, "red", "1.5 mm²", "memory"),
    5: ("right turn", False, "green", "1.5 mm²", "memory"),
    6: ("right rear position", False, "brown", "1.5 mm²", "memory"),
    7: ("brake control", False, "blue", "1.5 mm²", "memory"),
}
# ISO 3731 (24S): memory
ISO_3731: dict[int, Row] = {
    1: ("earth", True, "white", "2.5 mm²", "memory"),
    2: ("brake wear", False, "black", "1.5 mm²", "memory"),
    3: ("reversing", False, "yellow", "1.5 mm²", "memory"),
    4: ("+24 V permanent", False, "red", "2.5 mm²", "memory"),
    5: ("sensors", False, "green", "1.5 mm²", "memory"),
    6: ("+24 V via ignition", False, "brown", "2.5 mm²", "memory"),
    7: ("rear fog", False, "blue", "1.5 mm²", "memory"),
}
# ISO 12098, 24 V: read in a 15-pin connector data sheet
ISO_12098: dict[int, Row] = {
    1: ("left turn", False, "yellow", "1.5 mm²", "verified"),
    2: ("right turn", False, "green", "1.5 mm²", "verified"),
    3: ("rear fog", False, "blue", "1.5 mm²", "verified"),
    4: ("earth", True, "white", "2.5 mm²", "verified"),
    5: ("left rear position", False, "black", "1.5 mm²", "verified"),
    6: ("right rear position", False, "brown", "1.5 mm²", "verified"),
    7: ("stop", False, "red", "1.5 mm²", "verified"),
    8: ("reversing", False, "pink", "1.5 mm²", "verified"),
    9: ("+24 V", False, "orange", "2.5 mm²", "verified"),
    10: ("brake wear", False, "grey", "1.5 mm²", "verified"),
    11: ("spring-brake", False, "white/black", "1.5 mm²", "verified"),
    12: ("axle lift", False, "white/blue", "1.5 mm²", "verified"),
    13: ("earth for 14 and 15", True, "white/red", "2.5 mm²", "verified"),
    14: ("data", False, "white/green", "1.5 mm²", "verified"),
    15: ("data", False, "white/brown", "1.5 mm²", "verified"),
}
# ISO 1724 (12N): read in published pin tables
ISO_1724: dict[int, Row] = {
    1: ("left turn", False, "yellow", "1.5 mm²", "verified"),
    2: ("rear fog", False, "blue", "1.5 mm²", "verified"),
    3: ("earth", True, "white", "2.5 mm²", "verified"),
    4: ("right turn", False, "green", "1.5 mm²", "verified"),
    5: ("right rear position", False, "brown", "1.5 mm²", "verified"),
    6: ("stop", False, "red", "1.5 mm²", "verified"),
    7: ("left rear position", False, "black", "1.5 mm²", "verified"),
}
# ISO 11446, 12 V: read in published pin tables; pins 1 to 7 as ISO 1724
ISO_11446: dict[int, Row] = ISO_1724 | {
    8: ("reversing", False, "pink", "1.5 mm²", "verified"),
    9: ("+12 V permanent", False, "orange", "2.5 mm²", "verified"),
    10: ("+12 V via ignition", False, "grey", "2.5 mm²", "verified"),
    11: ("earth for 10", True, "white/black", "2.5 mm²", "verified"),
    12: ("reserved", False, "", "", "verified"),
    13: ("earth for 9", True, "white/red", "2.5 mm²", "verified"),
}
TABLES = {
    "sae-j560": (12, SAE_J560),
    "iso-1185": (24, ISO_1185),
    "iso-3731": (24, ISO_3731),
    "iso-12098": (24, ISO_12098),
    "iso-1724": (12, ISO_1724),
    "iso-11446": (12, ISO_11446),
}
PINS = [(name, number) for name, (_, table) in TABLES.items() for number in table]


@pytest.mark.parametrize("name", TABLES)
def test_a_connector_has_the_pins_and_voltage_of_its_standard(name: str) -> None:
    nominal_v, table = TABLES[name]
    connector = load_connector(name)

    assert [pin.number for pin in connector.pins] == list(table)
    assert connector.nominal_v == nominal_v
    assert connector.ground_pins == tuple(number for number, row in table.items() if row[1])


@pytest.mark.parametrize(("name", "number"), PINS)
def test_a_pin_is_as_the_standard_says(name: str, number: int) -> None:
    function, ground, colour, size, mark = TABLES[name][1][number]
    pin = {pin.number: pin for pin in load_connector(name).pins}[number]

    assert function in pin.function
    assert (pin.ground, pin.colour, pin.size, pin.mark) == (ground, colour, size, mark)


def test_j560_cores_are_the_published_cable_make_up() -> None:
    """Four of 12, two of 10, one of 8 AWG: published table of the cable."""
    sizes = [pin.size for pin in load_connector("sae-j560").pins]

    assert {size: sizes.count(size) for size in sizes} == {"8 AWG": 1, "12 AWG": 4, "10 AWG": 2}


@pytest.mark.parametrize(
    ("name", "thin", "thick"), [("iso-1185", 6, 1), ("iso-3731", 4, 3), ("iso-12098", 12, 3)]
)  # published core sets: 6 x 1.5 + 1 x 2.5, 4 x 1.5 + 3 x 2.5, 12 x 1.5 + 3 x 2.5 mm2
def test_iso_cores_are_the_published_core_sets(name: str, thin: int, thick: int) -> None:
    sizes = [pin.size for pin in load_connector(name).pins]

    assert (sizes.count("1.5 mm²"), sizes.count("2.5 mm²")) == (thin, thick)


@pytest.mark.parametrize("name", names("connector"))
def test_pins_stand_apart_on_the_face_and_inside_its_rim(name: str) -> None:
    pins = load_connector(name).pins

    assert min(hypot(a.x - b.x, a.y - b.y) for a, b in combinations(pins, 2)) >= 0.25
    assert max(hypot(pin.x, pin.y) for pin in pins) <= 0.9


def test_every_connector_of_a_standard_is_compared_with_it() -> None:
    standard = {name for name in names("connector") if not load_connector(name).standard.startswith("none")}

    assert standard == set(TABLES)

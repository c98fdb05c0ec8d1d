import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.contract.readings import (
    ChannelReading,
    read_capture,
    read_capture_page,
    read_events,
    read_extremes,
    read_identity,
    read_snapshot,
)
from bench.contract.table import (
    CAPTURE,
    CAPTURE_PAGE,
    EVENTS,
    EXTREMES,
    IDENTITY,
    SNAPSHOT,
    ChannelState,
    EventKind,
    Fault,
    Mode,
    Return,
)

# attribute of a Snapshot: (field of the block, what one raw step is)
MEANING = {
    "sequence": ("sequence", 1), "uptime_us": ("uptime", 1), "mode": ("mode", 1), "faults": ("faults", 1),
    "causes": ("causes", 1), "boots": ("boots", 1), "command_sequence": ("command_sequence", 1),
    "command_result": ("command_result", 1), "events_head": ("events_head", 1), "shot_sequence": ("shot_sequence", 1),
    "supply_v": ("supply_voltage", 0.001), "supply_a": ("supply_current", 0.001),
    "reference_a": ("reference_current", 0.001), "ambient_c": ("ambient_temperature", 0.1),
    "board_c": ("board_temperature", 0.1), "returns": ("returns", 1), "return_pin_a": ("return_pin_current", 0.001),
    "return_chassis_a": ("return_chassis_current", 0.001), "chassis_sense_v": ("chassis_sense_voltage", 0.001),
    "ground_pin_v": ("ground_pin_voltage", 0.001), "valves": ("valves", 1),
}  # fmt: skip


@pytest.mark.parametrize("attribute", MEANING)
def test_each_snapshot_field_reaches_its_own_attribute(attribute):
    """One field at a time is set, so that two that were swapped cannot agree by chance."""
    name, scale = MEANING[attribute]
    header = [3 if field.name == name else 0 for field in SNAPSHOT.header]

    snapshot = read_snapshot(SNAPSHOT.pack(header), 0)

    assert getattr(snapshot, attribute) == pytest.approx(3 * scale)
    assert [other for other in MEANING if getattr(snapshot, other) != 0] == [attribute]


def test_every_header_field_but_air_has_a_meaning():
    assert {name for name, _ in MEANING.values()} == {f.name for f in SNAPSHOT.header if not f.name.startswith("air_")}


def test_air_inputs_stay_raw_and_in_order():
    header = [int(field.name[4:]) * -1000 if field.name.startswith("air_") else 0 for field in SNAPSHOT.header]

    assert read_snapshot(SNAPSHOT.pack(header), 0).air == (-1000, -2000, -3000, -4000, -5000, -6000)


@given(
    st.lists(
        st.tuples(st.sampled_from(ChannelState), *[st.integers(-0x8000, 0x7FFF)] * 2, *[st.integers(0, 0xFFFF)] * 2),
        max_size=16,
    )
)
def test_channel_rows_are_read_in_order(rows):
    raw = [0] * len(SNAPSHOT.header) + [int(value) for row in rows for value in row]

    snapshot = read_snapshot(SNAPSHOT.pack(raw, len(rows)), len(rows))

    assert snapshot.channels == tuple(
        ChannelReading(state, mv / 1000, ma / 1000, trips, changes) for state, mv, ma, trips, changes in rows
    )
    assert all(snapshot.channel(number + 1) is reading for number, reading in enumerate(snapshot.channels))


def test_flags_are_flags_even_where_a_newer_contract_has_more():
    header = {field.name: 0 for field in SNAPSHOT.header} | {"mode": 3, "faults": 0x8001, "causes": 2, "returns": 3}

    snapshot = read_snapshot(SNAPSHOT.pack(list(header.values())), 0)

    assert snapshot.mode == Mode.ARMED | Mode.WATCHDOG_RUNNING
    assert Fault.EMERGENCY_STOP in snapshot.faults
    assert snapshot.causes is Fault.HOST_SILENT
    assert snapshot.returns is Return.BOTH


def test_a_channel_state_nobody_knows_is_refused():
    raw = [0] * len(SNAPSHOT.header) + [9, 0, 0, 0, 0]

    with pytest.raises(ValueError, match="no channel state 9"):
        read_snapshot(SNAPSHOT.pack(raw, 1), 1)


@pytest.mark.parametrize("count", [0, 76, 78])
def test_a_snapshot_of_another_length_is_refused(count):
    with pytest.raises(ValueError, match=f"snapshot has 77 registers, not {count}"):
        read_snapshot([0] * count, 8)


def test_uptime_is_in_seconds():
    header = [1_500_000 if field.name == "uptime" else 0 for field in SNAPSHOT.header]

    assert read_snapshot(SNAPSHOT.pack(header), 0).uptime_s == pytest.approx(1.5)


def test_identity_is_in_si_units():
    raw = {field.name: ("a b" if field.kind == "text16" else 0) for field in IDENTITY.header}
    raw |= {"contract_major": 1, "contract_minor": 4, "probe_resistance": 10_001, "pulse_resistance": 1002}
    raw |= {"reference_resistance": 10_003, "pull_down_resistance": 1004, "largest_current": 20_005, "channels": 9}
    raw |= {"current_gain_error": 106, "voltage_offset_error": 31, "capabilities": 0x1_0000}

    identity = read_identity(IDENTITY.pack(list(raw.values())))

    assert identity.contract == (1, 4)
    assert (identity.probe_ohm, identity.pulse_ohm, identity.reference_ohm) == (1000.1, 10.02, 10.003)
    assert (identity.pull_down_ohm, identity.largest_current_a) == (100_400, 20.005)
    assert (identity.current_gain_error, identity.voltage_offset_error_v) == (0.0106, 0.0031)
    assert (identity.channels, identity.serial, identity.firmware) == (9, "a b", "a b")


def test_events_keep_their_positions_and_unknown_kinds_their_numbers():
    raw = (0xFFFF_0000, 2, 7, 10, 4, 1, -1, 20, 999, 2, 5, *[0] * 4)

    page = read_events(EVENTS.pack(raw, 3), 3)

    assert [(event.position, event.kind, event.value) for event in page.events] == [
        (0xFFFF_0000, EventKind.CHANNEL_STATE, -1),
        (0xFFFF_0001, 999, 5),
    ]
    assert page.lost == 7


def test_extremes_and_captures_are_in_si_units():
    (extreme,) = read_extremes(EXTREMES.pack((-1, 12_000, -5, 9000), 1), 1)
    memory = read_capture(CAPTURE.pack((3, 5000, 120, 1, 77)))
    page, samples = read_capture_page(CAPTURE_PAGE.pack((2, *range(120)), 60))

    assert (extreme.lowest_v, extreme.highest_v, extreme.lowest_a, extreme.highest_a) == (-0.001, 12.0, -0.005, 9.0)
    assert (memory.channel, memory.rate_hz, memory.samples, memory.complete, memory.started_us) == (
        3,
        5000,
        120,
        True,
        77,
    )
    assert page == 2
    assert samples[:2] == ((0.0, 0.001), (0.002, 0.003))
    assert len(samples) == 60

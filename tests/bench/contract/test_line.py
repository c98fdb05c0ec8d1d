import re
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bench.contract import line
from bench.contract.fields import Block
from bench.contract.line import Garbage, LineReader, Reply
from bench.contract.table import (
    BLOCKS,
    BOARD_SETTINGS,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    COMMAND,
    COMMANDS,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    IDENTITY,
    SNAPSHOT,
    CommandCode,
    Refusal,
)

QUERIED = [block for block in BLOCKS if block is not COMMAND]
NUMERIC = {
    "u16": st.integers(0, 0xFFFF),
    "i16": st.integers(-0x8000, 0x7FFF),
    "u32": st.integers(0, 0xFFFF_FFFF),
    "i32": st.integers(-0x8000_0000, 0x7FFF_FFFF),
    "u64": st.integers(0, 0xFFFF_FFFF_FFFF_FFFF),
    "text16": st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=16),
}


def fields_of(block: Block, rows: int):
    return (*block.header, *(block.row * rows))


def spoken_values(block: Block, rows: int):
    fields = fields_of(block, rows)
    return st.tuples(*(NUMERIC[field.kind] for field in fields))


def as_text(block: Block, rows: int, values) -> bytes:
    """What a board says, written without the module under test."""
    words = []
    for field, value in zip(fields_of(block, rows), values, strict=True):
        quoted = '"' + str(value).replace('"', '""') + '"'
        words.append(quoted if field.kind == "text16" else str(Decimal(value) * Decimal(repr(field.scale))))
    return ",".join(words).encode()


def sealed(tag: int, payload: bytes) -> bytes:
    """A checked line, written without the module under test."""
    head = b"%04X|" % tag + payload
    check = 0
    for octet in head:
        check ^= octet
    return head + b"*%02X\n" % check


def block_data(octets: bytes) -> bytes:
    length = str(len(octets))
    return f"#{len(length)}{length}".encode() + octets


# --- what is sent ---


@pytest.mark.parametrize(
    ("code", "arguments", "text"),
    [
        (CommandCode.CLAIM, (), "SYST:LOCK:REQ 77"),
        (CommandCode.RELEASE, (), "SYST:LOCK:REL"),
        (CommandCode.CLEAR, (66,), "SYST:FAUL:CLE 66"),
        (CommandCode.RETURNS, (0,), "ROUT:RET NONE"),
        (CommandCode.RETURNS, (2,), "ROUT:RET CHAS"),
        (CommandCode.DRIVE, (3, 250), "OUTP:DRIV (@3),0.250"),
        (CommandCode.OFF, (0b111101,), "OUTP:OFF (@1,3:6)"),
        (CommandCode.OFF, (0,), "OUTP:OFF (@)"),
        (CommandCode.PROBE, (16, 5), "ROUT:PROB (@16),0.005"),
        (CommandCode.CAPTURE, (1, 5000, 2000), "SENS:CAPT:ARM (@1),5000,2000"),
        (CommandCode.VALVE, (2, 1, 2500), "ROUT:VALV 2,1,2.500"),
        (CommandCode.REGULATE, (1, 690_000), "SOUR:PRES 1,690000"),
    ],
)
def test_commands_are_said_in_short_form_and_engineering_units(code, arguments, text):
    assert line.command_text(code, arguments, key=77) == text


def test_every_command_of_the_contract_can_be_said():
    for command in COMMANDS:
        text = line.command_text(command.code, [argument.high for argument in command.arguments], key=0xFFFF)
        assert line.checked_line(0xFFFF, line.and_what_became_of_it(text)).endswith(b"\n")


@pytest.mark.parametrize(
    ("block", "index", "text"),
    [
        (IDENTITY, 1, "SYST:IDEN?"),
        (SNAPSHOT, 1, "MEAS:SNAP?"),
        (EVENTS, 1, "SYST:EVEN?"),
        (CAPTURE_PAGE, 1, "SENS:CAPT:DATA? 0"),
        (CAPTURE_PAGE, 34, "SENS:CAPT:DATA? 33"),
        (CHANNEL_SETTINGS, 2, "SOUR:CHAN? (@2)"),
        (BOARD_SETTINGS, 1, "SYST:BOAR?"),
    ],
)
def test_blocks_are_queried_by_name(block, index, text):
    assert line.query_text(block, index) == text


def test_settings_are_said_in_the_tables_order():
    board = line.setting_text(BOARD_SETTINGS, (500, 1_034_000, 12_000))
    channel = line.setting_text(CHANNEL_SETTINGS, (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100), 3)

    assert board == "SYST:BOAR 0.500,1034000,12.000"
    assert channel == "SOUR:CHAN (@3),6.000,0.005,15.000,0.250,60.00,1.000,0,6.000,5.000,0.005,0.100"


def test_a_value_that_does_not_fit_its_field_is_not_sent():
    with pytest.raises(ValueError, match="watchdog_time must be a whole number"):
        line.setting_text(BOARD_SETTINGS, (70_000, 0, 12_000))
    with pytest.raises(ValueError, match="channels must be 16 bits"):
        line.command_text(CommandCode.OFF, (-1,), 1)


@given(st.sets(st.integers(1, 16)))
def test_a_channel_list_names_exactly_its_channels(channels):
    text = line.channel_list(sorted(channels))

    named = set()
    for part in filter(None, text.removeprefix("(@").removesuffix(")").split(",")):
        first, _, last = part.partition(":")
        named |= set(range(int(first), int(last or first) + 1))
    assert named == channels


# The sum of NMEA 0183's best known example sentence, as printed in many receivers' manuals (from memory).
def test_the_check_byte_is_that_of_nmea_0183():
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"

    assert line.check_byte(sentence) == 0x47


def test_a_checked_line_carries_tag_and_check():
    assert line.checked_line(0x8001, "*IDN?") == sealed(0x8001, b"*IDN?")
    assert line.bare_line("*IDN?") == b"*IDN?\n"


def test_a_line_no_board_would_take_is_not_sent():
    with pytest.raises(ValueError, match="longer than the 1024"):
        line.checked_line(1, "x" * 1020)


# --- what comes back ---


def dealt_out(octets: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(octets) + 1) for cut in cuts), len(octets)]
    return [octets[start:end] for start, end in pairwise(edges)]


payloads = st.one_of(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40)
    .map(str.encode)
    .filter(lambda p: p[:1] != b"#"),
    st.binary(max_size=60).map(block_data),
)


@given(st.lists(st.tuples(st.integers(1, 0xFFFF), payloads), max_size=6), st.lists(st.integers(0, 2000), max_size=8))
def test_replies_are_the_same_however_their_bytes_are_dealt_out(replies, cuts):
    octets = b"".join(sealed(tag, payload) for tag, payload in replies)
    reader = LineReader()

    found = [reply for part in dealt_out(octets, cuts) for reply in reader.feed(part)]

    assert found == [Reply(tag, payload) for tag, payload in replies]
    assert reader.is_empty


def test_byte_by_byte_with_carriage_returns_and_line_feeds_in_data():
    octets = sealed(1, block_data(b"\n*0F\r\n|"))[:-1] + b"\r\n" + sealed(2, b"0")
    reader = LineReader()

    found = [reply for octet in octets for reply in reader.feed(bytes([octet]))]

    assert found == [Reply(1, block_data(b"\n*0F\r\n|")), Reply(2, b"0")]


def test_with_checking_off_a_line_is_its_payload():
    reader = LineReader(checked=False)

    found = reader.feed(b"UMBILICAL,a,b,c\r\n\n" + block_data(b"\n\n") + b"\n")

    assert found == [Reply(0, b"UMBILICAL,a,b,c"), Reply(0, b""), Reply(0, block_data(b"\n\n"))]


@given(st.binary(max_size=200).filter(lambda garbage: b"|#" not in garbage), st.lists(st.integers(0, 400), max_size=4))
@example(b"8001|1*00", [])
@example(b"\xff\xfe", [])
def test_after_garbage_reading_goes_on_at_the_next_line(garbage, cuts):
    reader = LineReader()

    parts = dealt_out(garbage + b"\n" + sealed(7, b"12.5"), cuts)
    found = [reply for part in parts for reply in reader.feed(part)]

    assert found[-1] == Reply(7, b"12.5")
    assert all(isinstance(other, Garbage) for other in found[:-1])


def test_a_line_without_end_is_given_up_and_bounded():
    reader = LineReader()

    found = [reply for _ in range(100) for reply in reader.feed(b"x" * 1000)]
    found += reader.feed(b"\n" + sealed(3, b"1"))

    assert found == [Garbage(b"x" * 32), Reply(3, b"1")]


def test_block_data_longer_than_the_bound_are_garbage():
    reader = LineReader()

    found = reader.feed(b"0001|#6999999" + b"x" * 5000 + b"\n" + sealed(3, b"1"))

    assert isinstance(found[0], Garbage)
    assert found[-1] == Reply(3, b"1")


def test_a_reset_forgets_the_half_reply():
    reader = LineReader()
    reader.feed(b"0001|#3240half")

    reader.reset()

    assert reader.feed(sealed(2, b"0")) == [Reply(2, b"0")]


@given(st.integers(1, 0xFFFF), payloads, st.data())
def test_no_single_damaged_byte_is_taken_for_a_reply(tag, payload, data):
    good = sealed(tag, payload)
    at = data.draw(st.integers(0, len(good) - 1))
    kind = data.draw(st.sampled_from(["changed", "lost", "added"]))
    octet = data.draw(st.integers(0, 255))
    changed = bytes([octet]) if octet != good[at] else bytes([octet ^ 0x20])
    bad = {
        "changed": good[:at] + changed + good[at + 1 :],
        "lost": good[:at] + good[at + 1 :],
        "added": good[:at] + bytes([octet]) + good[at:],
    }[kind]

    replies = [reply for reply in LineReader().feed(bad + b"\n") if isinstance(reply, Reply)]

    # A byte added before the line feed's carriage return, or a NUL, is the only thing XOR lets pass.
    assert all(reply == Reply(tag, payload) for reply in replies) or (
        kind != "changed" and octet_is_invisible(octet, good[at], kind)
    )


def octet_is_invisible(octet: int, there: int, kind: str) -> bool:
    return octet == 0 if kind == "added" else there == 0


# --- values ---


@pytest.mark.parametrize(
    "block", [block for block in QUERIED if block not in (CAPTURE_PAGE, EVENTS)], ids=lambda b: b.name
)
@given(st.data())
def test_engineering_values_give_the_raw_values_back_exactly(block, data):
    rows = data.draw(st.integers(1, 3)) if block.row else 0
    values = data.draw(spoken_values(block, rows))

    assert line.block_values(block, rows, as_text(block, rows, values)) == values


@given(st.data(), st.integers(0, EVENTS_PER_READ))
def test_event_rows_that_are_left_out_are_zero(data, count):
    first, _, lost, *rows = data.draw(spoken_values(EVENTS, count))
    said = as_text(EVENTS, count, (first, count, lost, *rows))

    values = line.block_values(EVENTS, EVENTS_PER_READ, said)

    assert values == (first, count, lost, *rows, *[0] * 4 * (EVENTS_PER_READ - count))


def test_events_cut_short_are_no_events():
    with pytest.raises(ValueError, match="7 values are not 2 events"):
        line.block_values(EVENTS, EVENTS_PER_READ, b"0,2,0,0.5,4,1,1")
    with pytest.raises(ValueError, match="values"):
        line.block_values(EVENTS, EVENTS_PER_READ, b"")


def test_the_head_of_a_block_can_be_read_alone():
    who = Block("identity", 1, 0, header=IDENTITY.header[:3])

    assert line.block_values(who, 0, b'21837,2,5,8,"something this version does not know"') == (21_837, 2, 5)


@pytest.mark.parametrize(
    ("text", "raw"),
    [("12.6", 12_600), ("1.26E+1", 12_600), ("+12.600000", 12_600), ("12600E-3", 12_600), (".5", 500), ("0", 0)],
)
def test_the_number_forms_of_488_are_read(text, raw):
    field = next(field for field in SNAPSHOT.header if field.name == "supply_voltage")

    assert line.raw_value(field, text) == raw


@pytest.mark.parametrize(
    "text",
    ["", "12.6004", "70", "-0.001", "nan", "inf", "1_000", "12,6", "0x10", "1E999", "1E-999", "12.6 V", "1" * 40],
)
def test_what_is_no_exact_value_in_range_is_refused(text):
    field = next(field for field in SNAPSHOT.header if field.name == "supply_voltage")

    with pytest.raises(ValueError, match=r"."):
        line.raw_value(field, text)


@pytest.mark.parametrize("payload", [b"", b"1,2", b'"a', b"\xff", b"1;2"])
def test_a_reply_of_another_shape_is_refused(payload):
    with pytest.raises(ValueError, match=r"."):
        line.block_values(EXTREMES, 1, payload)


@given(st.lists(st.tuples(NUMERIC["i16"], NUMERIC["i16"]), max_size=CAPTURE_SAMPLES_PER_PAGE), st.integers(0, 34))
def test_a_capture_page_is_padded_to_its_length(samples, page):
    octets = b"".join(value.to_bytes(2, "big", signed=True) for sample in samples for value in sample)

    values = line.page_values(page, block_data(octets))

    assert len(values) == 1 + 2 * CAPTURE_SAMPLES_PER_PAGE
    assert values[0] == page
    assert list(zip(values[1::2], values[2::2], strict=True))[: len(samples)] == samples
    assert not any(values[1 + 2 * len(samples) :])


@pytest.mark.parametrize("payload", [b"", b"1,2", b"#10x", b"#13abc", b"#15abcde", block_data(b"x" * 244), b"#1"])
def test_what_is_no_capture_page_is_refused(payload):
    with pytest.raises(ValueError, match="capture page"):
        line.page_values(0, payload)


@pytest.mark.parametrize(
    ("payload", "outcome"),
    [
        (b'0,"No error"', Refusal.NONE),
        (b'+0,"No error"', Refusal.NONE),
        (b'203,"not armed"', Refusal.NOT_ARMED),
        (b'215,"output on"', Refusal.OUTPUT_ON),
        (b'-222,"Data out of range;level"', Refusal.BAD_VALUE),
        (b'-113,"Undefined header"', Refusal.UNKNOWN_COMMAND),
    ],
)
def test_the_error_reply_says_what_became_of_a_command(payload, outcome):
    assert line.refusal(payload) is outcome


@pytest.mark.parametrize("payload", [b"", b'-350,"Queue overflow"', b'299,"?"', b"none"])
def test_an_error_reply_that_says_nothing_about_the_command_is_no_outcome(payload):
    with pytest.raises(ValueError, match=r"."):
        line.refusal(payload)


def test_short_forms_are_the_capitals_of_the_long_ones():
    for command in COMMANDS:
        short = line.short_form(command.line)
        assert re.fullmatch(r"[A-Z]{3,4}(:[A-Z]{3,4})*", short), command.line

"""The board's end of the line protocol, byte by byte."""

from functools import reduce
from operator import xor

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import COMMANDS
from firmware_sim.firmware import Board
from firmware_sim.port import FeedMode
from firmware_sim.servers.line.session import LineSession
from firmware_sim.servers.line.syntax import Unit, spellings, split, units
from firmware_sim.servers.line.values import number_text, parse_number
from firmware_sim.servers.registers import PacedBoard
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant

READY = (
    "SYST:LOCK:REQ 7;:SYST:BOAR 0.5,0,12;:SOUR:CHAN (@1),6,0.005,15,0.25,60,1,0,6,5,0.005,0.1;:SYST:WATC:KICK;"
    ":SYST:FAUL?;:SYST:FAUL:CLE 64;:OUTP:ARM;:ROUT:RET BOTH"
)
NO_ERROR = '0,"No error"'


class Terminal:
    """Connections to one board whose clock the test moves."""

    def __init__(self) -> None:
        self.plant = FakePlant(ohm={1: 3.2, 2: 0.05})
        self.now_s = 0.0
        self.paced = PacedBoard(Board(self.plant, ExactSensors()), clock=lambda: self.now_s)
        self.session = LineSession(self.paced)

    def connect(self) -> "Terminal":
        """Another connection to the same board."""
        other = Terminal.__new__(Terminal)
        other.__dict__.update(self.__dict__, session=LineSession(self.paced))
        return other

    def ask(self, line: str) -> str:
        return self.session.feed(line.encode() + b"\n").decode("latin-1").removesuffix("\n")

    def tell(self, line: str) -> str:
        """Give a command and return what became of it."""
        return self.ask(f"{line};:SYST:ERR?")

    def ask_checked(self, tag: str, payload: str) -> str:
        return self.ask(checked(f"{tag}|{payload}"))


def checked(body: str) -> str:
    return f"{body}*{reduce(xor, body.encode(), 0):02X}"


@pytest.fixture
def terminal() -> Terminal:
    return Terminal()


@pytest.fixture
def ready() -> Terminal:
    terminal = Terminal()
    assert terminal.tell(READY) == f"64,0;{NO_ERROR}"
    return terminal


# --- syntax ---


@pytest.mark.parametrize(
    ("message", "headers"),
    [
        ("outp:arm;safe", ["OUTP:ARM", "OUTP:SAFE"]),
        (":OUTP:ARM;:SYST:ERR?", ["OUTP:ARM", "SYST:ERR?"]),
        (
            "SENS:CAPT:ARM (@1),1,2;DATA? 0;*OPC?;DATA? 1",
            ["SENS:CAPT:ARM", "SENS:CAPT:DATA?", "*OPC?", "SENS:CAPT:DATA?"],
        ),
        ("*IDN?", ["*IDN?"]),
        (" ; ;", []),
        ("MEAS:VOLT:SUPP?", ["MEAS:VOLT:SUPP?"]),
    ],
)
def test_a_header_goes_on_where_the_last_one_stood(message, headers):
    assert [unit.header for unit in units(message)] == headers


@pytest.mark.parametrize(
    ("text", "mark", "pieces"),
    [
        ("(@1,3:5),0.5", ",", ["(@1,3:5)", "0.5"]),
        ('"a;b",";"', ";", ['"a;b",";"']),
        ("a;b", ";", ["a", "b"]),
        ("", ",", [""]),
        ("a,,b", ",", ["a", "", "b"]),
        ('"open,never', ",", ['"open', "never"]),
        ("(@1,2", ",", ["(@1", "2"]),
    ],
)
def test_marks_inside_quotes_and_lists_do_not_split(text, mark, pieces):
    assert split(text, mark) == pieces


@given(st.text(max_size=40), st.sampled_from(";,"))
def test_splitting_loses_nothing(text, mark):
    assert mark.join(split(text, mark)) == text


def test_spellings_are_the_short_and_long_forms_with_and_without_what_may_be_left_out():
    assert set(spellings("SYSTem:ERRor[:NEXT]?")) == {
        "SYST:ERR?", "SYSTEM:ERR?", "SYST:ERROR?", "SYSTEM:ERROR?",
        "SYST:ERR:NEXT?", "SYSTEM:ERR:NEXT?", "SYST:ERROR:NEXT?", "SYSTEM:ERROR:NEXT?",
    }  # fmt: skip


def test_units_keep_their_parameters():
    assert list(units("OUTP:DRIV (@1), 0.5")) == [Unit("OUTP:DRIV", ("(@1)", "0.5"))]


# --- values ---


@given(st.integers(-(10**9), 10**9), st.sampled_from([1, 0.1, 0.01, 0.001, 0.0001, 1e-6, 100]))
def test_a_value_that_went_out_comes_back_as_the_same_raw_one(raw, scale):
    text = number_text(raw, scale)

    assert "E" not in text
    assert parse_number(text, scale, -(10**9), 10**9) == raw


@pytest.mark.parametrize(("text", "raw"), [("5E-3", 5), ("+.005", 5), ("0.0054", 5), ("0.0056", 6), ("5e-03", 5)])
def test_numbers_may_be_written_as_488_has_them(text, raw):
    assert parse_number(text, 0.001, 0, 100) == raw


@pytest.mark.parametrize("text", ["nan", "inf", "1_000", "0x10", "", "--1", "1e999", "½"])
def test_what_is_no_number_is_a_data_type_error(ready, text):
    assert ready.tell(f"OUTP:DRIV (@1),{text}").startswith("-104") or not text


# --- commands and queries ---


def test_every_command_of_the_contract_has_its_header(terminal):
    for command in COMMANDS:
        for spelling in spellings(command.line):
            answer = terminal.tell(spelling)
            assert "-113" not in answer, spelling
            terminal.ask("*CLS")


def test_probe_may_leave_its_time_out(ready):
    assert ready.tell("ROUT:PROB (@1)") == NO_ERROR
    ready.now_s = 0.005

    assert ready.ask("MEAS:SHOT?").split(",")[1] == "0.005000"


def test_off_takes_lists_ranges_all_and_none(ready):
    for channels in ("(@1)", "(@1,3:5)", "(@16)", "ALL", "(@)", "(@ 1 : 2 , 4 )"):
        assert ready.tell(f"OUTP:OFF {channels}") == NO_ERROR, channels
    assert ready.tell("OUTP:OFF (@17)").startswith("-222")
    assert ready.tell("OUTP:OFF (@2:1)").startswith("-222")
    assert ready.tell("OUTP:OFF 1").startswith("-104")
    assert ready.tell("OUTP:DRIV (@1,2),1").startswith("-108")
    assert ready.tell("OUTP:DRIV (@),1").startswith("-109")


def test_measuring_a_channel_that_the_board_lacks_is_out_of_range(ready):
    assert ready.tell("MEAS:VOLT? (@9)") == '-222,"Data out of range"'
    assert ready.ask("OUTP:STAT? ALL") == "0,0,0,0,0,0,0,0"


def test_each_connection_has_its_own_key_and_errors(ready):
    other = ready.connect()

    assert other.ask("OUTP:DRIV (@1),1") == ""
    assert ready.ask("SYST:ERR?") == NO_ERROR
    assert other.ask("SYST:ERR?") == '207,"held by another"'
    assert other.tell("OUTP:SAFE") == NO_ERROR, "anyone may"
    assert ready.tell("OUTP:DRIV (@1),1") == '203,"not armed"'


def test_a_lost_connection_keeps_the_claim(ready):
    del ready.session
    other = ready.connect()

    assert other.tell("SYST:LOCK:REQ 8") == '207,"held by another"'
    assert other.tell("SYST:LOCK:REQ 7") == NO_ERROR
    assert other.tell("OUTP:DRIV (@1),1") == NO_ERROR


def test_a_failed_unit_does_not_stop_the_next(terminal):
    assert terminal.ask("NONSENSE;*OPC?;:ALSO:NONSENSE?;:SYST:VERS?") == "1;1999.0"


def test_the_error_queue_overflows_as_scpi_says(terminal):
    for _ in range(40):
        terminal.ask("NONSENSE")

    errors = [terminal.ask("SYST:ERR?") for _ in range(33)]
    assert errors == ['-113,"Undefined header"'] * 31 + ['-350,"Queue overflow"', NO_ERROR]


def test_status_registers_follow_488_2(terminal):
    terminal.ask("*CLS;*ESE 32;*SRE 36")
    assert terminal.ask("*ESE?;*SRE?;*STB?") == "32;36;0"
    terminal.ask("NONSENSE")

    assert terminal.ask("*STB?") == str(64 + 32 + 4)
    assert terminal.ask("*ESR?;*STB?") == f"32;{64 + 4}"
    terminal.ask("*CLS")
    assert terminal.ask("*STB?") == "0"
    terminal.ask("*OPC")
    assert terminal.ask("*ESR?") == "1"
    assert terminal.tell("*ESE 256") == '-222,"Data out of range"'


def test_reset_makes_everything_safe(ready):
    ready.ask("OUTP:DRIV (@1),1")
    ready.ask("*RST")

    assert ready.plant.switches.feeds[0].mode is FeedMode.OFF
    assert ready.ask("SYST:BOAR?") == "0.500,0,12.000", "settings stay"


def test_self_test_answers_0_when_passed_and_1_when_refused(ready):
    assert ready.ask("*TST?") == "0"
    ready.ask("OUTP:DRIV (@1),1")

    assert ready.ask("*TST?;:SYST:ERR?") == '1;209,"busy"'


def test_lines_may_come_in_any_pieces_and_with_cr(terminal):
    feed = terminal.session.feed

    assert feed(b"*ID") == b""
    assert feed(b"N?\r\n*OPC?\nSYST:V") == b"UMBILICAL,SIMULATED,SIM-0001,umbilical-sim 1\n1\n"
    assert feed(b"ERS?\n") == b"1999.0\n"


def test_a_line_too_long_is_thrown_away_whole(terminal):
    assert terminal.session.feed(b"*IDN?;" * 400 + b"*IDN?\n*OPC?\n") == b"1\n"
    assert terminal.ask("SYST:ERR?") == '-363,"Input buffer overrun"'


def test_the_longest_line_is_1023_bytes(terminal):
    assert terminal.ask("*OPC?".ljust(1023)) == "1"
    assert terminal.ask("*OPC?".ljust(1024)) == ""


def test_a_board_that_answers_nobody_says_nothing(ready):
    ready.plant.set_conditions_at(0.1, hung=True)
    ready.now_s = 0.2

    assert ready.ask("*IDN?") == ""
    assert ready.ask("SYST:FAUL?") == ""


# --- checking ---


def test_checking_begins_and_ends_with_the_next_line(terminal):
    assert terminal.ask("SYST:COMM:CHEC ON;:SYST:VERS?") == "1999.0"
    assert terminal.ask_checked("1A2B", "SYST:COMM:CHEC OFF;:SYST:VERS?") == checked("1A2B|1999.0")
    assert terminal.ask("SYST:VERS?") == "1999.0"


@given(st.integers(0, 200), st.integers(1, 255))
def test_a_line_with_any_one_byte_damaged_is_dropped(place, damage):
    terminal = Terminal()
    terminal.ask("SYST:COMM:CHEC ON")
    line = bytearray(checked("0001|MEAS:VOLT? (@1);:SYST:ERR?").encode())
    line[place % len(line)] ^= damage
    if b"\n" in line or b"\r" in line:
        return

    assert terminal.session.feed(bytes(line) + b"\n") == b""


def test_a_repeated_line_is_answered_from_memory(ready):
    ready.ask("SYST:COMM:CHEC ON")
    drive = "OUTP:DRIV (@1),1;:SYST:ERR?"
    first = ready.ask_checked("0001", drive)
    assert first == checked(f"0001|{NO_ERROR}")

    assert ready.ask_checked("0001", drive) == first
    assert ready.ask_checked("0002", "ROUT:PROB (@1);:SYST:ERR?") == checked('0002|209,"busy"')
    drives = [s for _, s in ready.plant.switched if s.feeds[0].mode is FeedMode.DRIVE]
    assert len(drives) == 1


def test_the_tag_is_the_command_sequence(ready):
    ready.ask("SYST:COMM:CHEC ON")
    ready.ask_checked("BEEF", "OUTP:OFF (@1)")

    snapshot = ready.ask_checked("0003", "MEAS:SNAP?")
    assert snapshot.split(",")[6] == str(0xBEEF)


def test_block_data_is_checked_as_a_whole_and_ends_with_a_line_feed(ready):
    ready.ask("SENS:CAPT:ARM (@1),1000,2;:OUTP:DRIV (@1),1")
    ready.now_s = 0.1
    ready.ask("SYST:COMM:CHEC ON")

    reply = ready.session.feed(checked("00C0|SENS:CAPT:DATA? 0").encode() + b"\n")
    assert len(reply) == 5 + 5 + 240 + 3 + 1
    assert reply[:10] == b"00C0|#3240"
    assert reply[10:18] == bytes.fromhex("0FA0 3200 0FA0 3200")
    assert reply[-4:] == b"*%02X\n" % reduce(xor, reply[:-4])


@settings(max_examples=300)
@given(st.lists(st.binary(max_size=60), max_size=8), st.booleans())
def test_no_bytes_whatever_switch_anything_on(lines, check):
    terminal = Terminal()
    if check:
        terminal.ask("SYST:COMM:CHEC ON")
    for line in lines:
        terminal.session.feed(line + b"\n")

    assert all(feed.mode is FeedMode.OFF for feed in terminal.plant.switches.feeds)


WORDS = st.sampled_from(
    [spelling for command in COMMANDS for spelling in list(spellings(command.line))[:1]]
    + ["SYST:ERR?", "MEAS:SNAP?", "SENS:CAPT:DATA?", "SOUR:CHAN", "*IDN?", "*ESE", "*TST?"]
)
ARGUMENTS = st.sampled_from(["", " 1", " (@1)", " (@1),1", " (@1),1,2,3", " ON", " BOTH", ' "x"', " (@", " ,", " 1E9"])


@given(st.lists(st.tuples(WORDS, ARGUMENTS), min_size=1, max_size=6))
def test_any_line_of_known_words_is_answered_or_refused_and_the_board_goes_on(parts):
    terminal = Terminal()
    terminal.ask(READY)
    terminal.ask(";:".join(word + argument for word, argument in parts))

    assert terminal.ask("*OPC?") == "1"

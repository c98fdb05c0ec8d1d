"""What each header does: commands and settings from the contract's tables, queries, IEEE 488.2 commons.

A meaning takes the connection and the parameters, and returns the answer of a query or None.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    COMMANDS,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    FAR_SOCKET,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    Command,
    CommandCode,
    Fault,
)
from firmware_sim.firmware.capture import LONGEST_SAMPLES
from firmware_sim.firmware.description import MODEL
from firmware_sim.servers.line.connection import Connection
from firmware_sim.servers.line.errors import OPERATION_COMPLETE, LineError, check_refusal
from firmware_sim.servers.line.syntax import NOT_A_UNIT, Unit, Vocabulary
from firmware_sim.servers.line.values import (
    check_count,
    field_texts,
    number_text,
    parse_argument,
    parse_channel,
    parse_channels,
    parse_fields,
    parse_number,
    parse_switch,
    return_word,
)

Answer = str | bytes | None
Do = Callable[[Connection, Sequence[str]], Answer]
DEFAULT_PROBE_TICKS = 5
LAST_PAGE = -(-LONGEST_SAMPLES // CAPTURE_SAMPLES_PER_PAGE) - 1
VERSION = "1999.0"


@dataclass(frozen=True, slots=True)
class Meaning:
    """``switches_on`` may energise an output: at most one such in a checked line."""

    do: Do
    switches_on: bool = False


# --- commands and settings, from the tables ---


def _command(command: Command) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        optional = command.code is CommandCode.PROBE
        most = len(command.arguments)
        check_count(parameters, most - optional, most)
        raw = [parse_argument(a, text) for a, text in zip(command.arguments, parameters, strict=False)]
        if len(raw) < most:
            raw.append(DEFAULT_PROBE_TICKS)
        check_refusal(connection.command(command.code, raw))
        return None

    return do


def _claim(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 1)
    connection.key = parse_number(parameters[0], 1, 1, 0xFFFF)
    check_refusal(connection.command(CommandCode.CLAIM, ()))
    return None


def _set(block: Block) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_refusal(connection.board.write_block(block, parse_fields(block.header, parameters)))
        return None

    return do


def _set_one(block: Block) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 1, 1 + len(block.header))
        number = _own_channel(connection, parameters[0])
        check_refusal(connection.board.write_block(block, parse_fields(block.header, parameters[1:]), number))
        return None

    return do


# --- block queries ---


def _own_channel(connection: Connection, text: str) -> int:
    number = parse_channel(text)
    if number > connection.channels:
        raise LineError(-222)
    return number


def _own_channels(connection: Connection, text: str) -> list[int]:
    if text.upper() == "ALL":
        return list(range(1, connection.channels + 1))
    numbers = parse_channels(text)
    if any(number > connection.channels for number in numbers):
        raise LineError(-222)
    return numbers


def _block_text(block: Block, values: Sequence[RawValue], rows: int) -> str:
    return ",".join(field_texts((*block.header, *(block.row * rows)), values))


def _block(block: Block) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 0)
        rows = connection.channels if block.row else 0
        return _block_text(block, connection.board.read_block(block, rows), rows)

    return do


def _block_of_one(block: Block) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 1)
        number = _own_channel(connection, parameters[0])
        return _block_text(block, connection.board.read_block(block, index=number), 0)

    return do


def _events(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 0)
    values = connection.board.read_block(EVENTS, EVENTS_PER_READ)
    rows = int(values[1])
    return _block_text(EVENTS, values[: len(EVENTS.header) + rows * len(EVENTS.row)], rows)


def _capture_data(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 1)
    page = parse_number(parameters[0], 1, 0, LAST_PAGE)
    _, *samples = connection.board.read_block(CAPTURE_PAGE, CAPTURE_SAMPLES_PER_PAGE, page + 1)
    data = struct.pack(f">{len(samples)}h", *samples)
    digits = str(len(data))
    return f"#{len(digits)}{digits}".encode("ascii") + data


# --- single values, for people ---


def _header_value(*names: str) -> Do:
    places = [next(n for n, field in enumerate(SNAPSHOT.header) if field.name == name) for name in names]

    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 0)
        values = connection.snapshot()
        return ",".join(number_text(int(values[n]), SNAPSHOT.header[n].scale) for n in places)

    return do


def _channel_value(name: str) -> Do:
    place = next(n for n, field in enumerate(SNAPSHOT.row) if field.name == name)

    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 1)
        numbers = _own_channels(connection, parameters[0])
        values = connection.snapshot()
        first, width = len(SNAPSHOT.header) + place, len(SNAPSHOT.row)
        scale = SNAPSHOT.row[place].scale
        return ",".join(number_text(int(values[first + width * (n - 1)]), scale) for n in numbers)

    return do


def _returns(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 0)
    return return_word(connection.snapshot_value("returns"))


def _check(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 1)
    connection.next_checked = bool(parse_switch(parameters[0]))
    return None


# --- IEEE 488.2 ---


def _identification(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 0)
    serial, firmware, _ = connection.board.read_block(IDENTITY)[-3:]
    return f"UMBILICAL,{MODEL},{serial},{firmware}"


def _reset(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 0)
    check_refusal(connection.command(CommandCode.SAFE, ()))
    return None


def _test(connection: Connection, parameters: Sequence[str]) -> Answer:
    check_count(parameters, 0)
    try:
        check_refusal(connection.command(CommandCode.SELF_TEST, ()))
    except LineError as error:
        connection.status.report(error.number)
        return "1"
    return str(int(bool(connection.snapshot_value("faults") & Fault.SELF_TEST)))


def _text(answer: Callable[[Connection], str]) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 0)
        return answer(connection)

    return do


def _act(act: Callable[[Connection], None]) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 0)
        act(connection)
        return None

    return do


def _enable(name: str) -> Do:
    def do(connection: Connection, parameters: Sequence[str]) -> Answer:
        check_count(parameters, 1)
        setattr(connection.status, name, parse_number(parameters[0], 1, 0, 255))
        return None

    return do


def _complete(connection: Connection) -> None:
    connection.status.events |= OPERATION_COMPLETE


_COMMONS: dict[str, Do] = {
    "*IDN?": _identification,
    "*RST": _reset,
    "*TST?": _test,
    "*CLS": _act(lambda c: c.status.clear()),
    "*ESE": _enable("event_enable"),
    "*ESE?": _text(lambda c: str(c.status.event_enable)),
    "*ESR?": _text(lambda c: str(c.status.take_events())),
    "*SRE": _enable("service_enable"),
    "*SRE?": _text(lambda c: str(c.status.service_enable)),
    "*STB?": _text(lambda c: str(c.status.status_byte())),
    "*OPC": _act(_complete),
    "*OPC?": _text(lambda _: "1"),
    "*WAI": _act(lambda _: None),
}

_QUERIES: dict[str, Do] = {
    "SYSTem:ERRor[:NEXT]?": _text(lambda c: c.status.next_error()),
    "SYSTem:VERSion?": _text(lambda _: VERSION),
    "SYSTem:IDENtity?": _block(IDENTITY),
    "MEASure:SNAPshot?": _block(SNAPSHOT),
    "MEASure:SHOT?": _block(SHOT),
    "SENSe:EXTRemes?": _block(EXTREMES),
    "SYSTem:EVENt?": _events,
    "SENSe:CAPTure?": _block(CAPTURE),
    "SENSe:CAPTure:DATA?": _capture_data,
    "SYSTem:BOARd?": _block(BOARD_SETTINGS),
    "SOURce:CHANnel?": _block_of_one(CHANNEL_SETTINGS),
    "CALibration:CHANnel?": _block_of_one(CALIBRATION),
    "CALibration:COMMon?": _block(CALIBRATION_COMMON),
    "MEASure:FAR?": _block(FAR_SOCKET),
    "MEASure[:SCALar]:VOLTage[:DC]?": _channel_value("voltage"),
    "MEASure[:SCALar]:CURRent[:DC]?": _channel_value("current"),
    "MEASure:VOLTage:SUPPly?": _header_value("supply_voltage"),
    "MEASure:CURRent:SUPPly?": _header_value("supply_current"),
    "MEASure:CURRent:RETurn?": _header_value("return_pin_current", "return_chassis_current"),
    "MEASure:TEMPerature?": _header_value("ambient_temperature", "board_temperature"),
    "SYSTem:UPTime?": _header_value("uptime"),
    "SYSTem:FAULt?": _header_value("faults", "causes"),
    "OUTPut:STATe?": _channel_value("state"),
    "ROUTe:RETurn?": _returns,
}

_SETTINGS: dict[str, Do] = {
    "SYSTem:BOARd": _set(BOARD_SETTINGS),
    "SOURce:CHANnel": _set_one(CHANNEL_SETTINGS),
    "CALibration:CHANnel": _set_one(CALIBRATION),
    "CALibration:COMMon": _set(CALIBRATION_COMMON),
    "SYSTem:COMMunicate:CHECk": _check,
}


def _vocabulary() -> Vocabulary[Meaning]:
    meanings = {header: Meaning(do) for header, do in (_COMMONS | _QUERIES | _SETTINGS).items()}
    for command in COMMANDS:
        do = _claim if command.code is CommandCode.CLAIM else _command(command)
        meanings[command.line] = Meaning(do, command.switches_on)
    return Vocabulary(meanings)


def _failing(number: int) -> Meaning:
    def do(_connection: Connection, _parameters: Sequence[str]) -> Answer:
        raise LineError(number)

    return Meaning(do)


_VOCABULARY = _vocabulary()
_SYNTAX_ERROR, _UNDEFINED_HEADER, _CONFLICT = _failing(-102), _failing(-113), _failing(-221)


def meanings_of(units: Sequence[Unit], *, single: bool) -> list[Meaning]:
    """What each unit of a line does; with ``single``, two that switch on refuse each other."""
    found = [_SYNTAX_ERROR if unit is NOT_A_UNIT else _VOCABULARY.get(unit.header, _UNDEFINED_HEADER) for unit in units]
    if single and sum(meaning.switches_on for meaning in found) > 1:
        return [_CONFLICT if meaning.switches_on else meaning for meaning in found]
    return found

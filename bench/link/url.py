"""Where a board is: the URLs that ``--board`` takes."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, cast
from urllib.parse import SplitResult, parse_qsl, urlsplit

from bench.errors import InputError

Scheme = Literal["sim", "serial", "tcp", "modbus-rtu", "modbus-tcp"]

FORMS: Mapping[Scheme, str] = {
    "sim": "sim: or sim:SCENARIO.yaml",
    "serial": "serial:///dev/ttyUSB0?baud=115200",
    "tcp": "tcp://HOST:PORT",
    "modbus-rtu": "modbus-rtu:///dev/ttyUSB0?baud=115200&unit=1",
    "modbus-tcp": "modbus-tcp://HOST:502?unit=1",
}
_OPTIONS: Mapping[Scheme, tuple[str, ...]] = {
    "sim": (),
    "serial": ("baud",),
    "tcp": (),
    "modbus-rtu": ("baud", "unit", "map"),
    "modbus-tcp": ("unit", "map"),
}
_BAUDS = range(1200, 4_000_001)
_UNITS: Mapping[Scheme, range] = {"modbus-rtu": range(1, 248), "modbus-tcp": range(256)}
DEFAULT_BAUD = 115_200
MODBUS_PORT = 502


@dataclass(frozen=True, slots=True)
class BoardUrl:
    """A checked board URL.

    Attributes:
        text: as the user wrote it.
        path: serial device, or scenario file (empty for the standard one).
        host, port: for the TCP kinds.
        baud: for the serial kinds.
        unit: Modbus unit id.
        joined: URLs of all boards, where several are joined as one bench; empty for a single one.
        map: name or file of a board map, for ordinary Modbus modules; empty for a board of the contract.
    """

    text: str
    scheme: Scheme
    path: str = ""
    host: str = ""
    port: int = 0
    baud: int = DEFAULT_BAUD
    unit: int = 1
    joined: "tuple[BoardUrl, ...]" = ()
    map: str = ""


def parse_board_url(text: str) -> BoardUrl:
    """Read a board URL, or several with commas between them: boards that are joined as one bench.

    Raises:
        InputError: what is wrong, and what is right.
    """
    if "," in text and not text.startswith("sim:"):
        each = tuple(_parse_one(part.strip()) for part in text.split(","))
        if any(one.scheme == "sim" for one in each):
            raise InputError(f"board {text!r}: simulated boards can't be joined to others; one scenario joins its own")
        if len({one.text for one in each}) < len(each):
            raise InputError(f"board {text!r}: the same board is named twice")
        return replace(each[0], text=text, joined=each)
    return _parse_one(text)


def _parse_one(text: str) -> BoardUrl:
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise InputError(f"board {text!r}: the port is a number 1..65535, as in {FORMS['tcp']}") from None
    if parts.scheme not in FORMS:
        raise InputError(f"board {text!r}: start with one of {', '.join(FORMS.values())}")
    scheme = cast(Scheme, parts.scheme)
    if parts.username or parts.fragment:
        raise _wrong(text, scheme, "neither a user name nor # belongs here")
    if scheme == "sim":
        return BoardUrl(text, scheme, path=text.partition(":")[2])
    said = _options(text, scheme, parts)
    numbers = {key: _number(text, scheme, key, value) for key, value in said.items() if key != "map"}
    baud, unit, name = numbers.get("baud", DEFAULT_BAUD), numbers.get("unit", 1), said.get("map", "")
    if scheme in ("serial", "modbus-rtu"):
        return BoardUrl(text, scheme, path=_device(text, scheme, parts), baud=baud, unit=unit, map=name)
    host = _host(text, scheme, parts)
    return BoardUrl(text, scheme, host=host, port=_port(text, scheme, port), unit=unit, map=name)


def _wrong(text: str, scheme: Scheme, why: str) -> InputError:
    return InputError(f"board {text!r}: {why}; write it as {FORMS[scheme]}")


def _options(text: str, scheme: Scheme, parts: SplitResult) -> dict[str, str]:
    options: dict[str, str] = {}
    for key, value in parse_qsl(parts.query, keep_blank_values=True):
        if key not in _OPTIONS[scheme]:
            known = " and ".join(f"{option}=" for option in _OPTIONS[scheme]) or "no options"
            raise _wrong(text, scheme, f"unknown option {key!r}, {scheme}: takes {known}")
        if key in options:
            raise _wrong(text, scheme, f"{key}= is given twice")
        if key == "map" and not value:
            raise _wrong(text, scheme, "map= names no board map")
        options[key] = value
    return options


def _number(text: str, scheme: Scheme, key: str, value: str) -> int:
    allowed = _BAUDS if key == "baud" else _UNITS[scheme]
    if not value.isascii() or not value.isdigit() or int(value[:9]) not in allowed:
        raise _wrong(text, scheme, f"{key}= must be {allowed.start}..{allowed.stop - 1}, not {value!r}")
    return int(value)


def _device(text: str, scheme: Scheme, parts: SplitResult) -> str:
    device = parts.netloc + parts.path  # COM3 stands where a host would
    if not device or device == "/":
        raise _wrong(text, scheme, "which serial port?")
    return device


def _host(text: str, scheme: Scheme, parts: SplitResult) -> str:
    if not parts.hostname:
        raise _wrong(text, scheme, "which host?")
    if parts.path not in ("", "/"):
        raise _wrong(text, scheme, f"{parts.path!r} after the port means nothing here")
    return parts.hostname


def _port(text: str, scheme: Scheme, port: int | None) -> int:
    if port is None and scheme == "modbus-tcp":
        return MODBUS_PORT
    if not port:
        raise _wrong(text, scheme, "which port?")
    return port

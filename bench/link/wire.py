"""Opening the wire, and saying in one line why it cannot be opened and what to do."""

import asyncio
import errno
import socket
from collections.abc import Mapping

import serial_asyncio_fast
from serial.tools import list_ports  # type: ignore[import-untyped]  # no stubs among our dependencies

from bench.errors import NoBoard
from bench.link.url import BoardUrl

CONNECT_S = 3.0
CLOSE_S = 1.0
FIRST_BACK_OFF_S = 0.1
LONGEST_BACK_OFF_S = 2.0
BITS_PER_BYTE = 10  # 8N1: start, eight data, stop

Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]

_PORT_ADVICE: Mapping[int, str] = {
    errno.EACCES: "permission denied; give your user access to the port (on Linux: the group dialout)",
    errno.EPERM: "permission denied; give your user access to the port (on Linux: the group dialout)",
    errno.EAGAIN: "the port is busy; close the other program that uses it",
    errno.EBUSY: "the port is busy; close the other program that uses it",
    errno.EIO: "the port does not work; unplug the adapter and plug it in again",
    errno.ENOTTY: "this is not a serial port",
    errno.EISDIR: "this is not a serial port",
}
_HOST_ADVICE: Mapping[int, str] = {
    errno.ECONNREFUSED: "connection refused; check the port number and that the board's server runs",
    errno.EHOSTUNREACH: "no route to the host; check cable, network and address",
    errno.ENETUNREACH: "no network; check cable, network and address",
    errno.ECONNRESET: "the board closed the connection; it may serve only one controller at a time",
}


async def open_streams(url: BoardUrl) -> Streams:
    """Connect to the serial port, for this program alone, or to the TCP port of ``url``.

    Raises:
        NoBoard: with the reason and what to do.
    """
    try:
        async with asyncio.timeout(CONNECT_S):
            if url.host:
                return await asyncio.open_connection(url.host, url.port)
            return await serial_asyncio_fast.open_serial_connection(url=url.path, baudrate=url.baud, exclusive=True)
    except (OSError, ValueError) as error:
        raise cannot_open(url, error) from error


async def close_streams(streams: Streams) -> None:
    """Let go of the wire at once; what was not sent yet is dropped."""
    _, writer = streams
    writer.transport.abort()
    try:
        async with asyncio.timeout(CLOSE_S):
            await writer.wait_closed()
    except OSError:
        return  # it was broken already


def cannot_open(url: BoardUrl, error: Exception) -> NoBoard:
    """The error as one line with advice."""
    return NoBoard(f"{url.text}: {_no_host(url, error) if url.host else _no_port(url, error)}")


def _no_host(url: BoardUrl, error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return f"no answer within {CONNECT_S:g} s; check the address and that the board is on"
    if isinstance(error, socket.gaierror | UnicodeError):
        return f"no host is called {url.host!r}; check the name, or use the address"
    return _advice(_HOST_ADVICE, error)


def _no_port(url: BoardUrl, error: Exception) -> str:
    if _code_of(error) in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        here = ", ".join(sorted(port.device for port in list_ports.comports())) or "none"
        return f"there is no port {url.path}; serial ports here: {here}"
    return _advice(_PORT_ADVICE, error)


def _advice(known: Mapping[int, str], error: Exception) -> str:
    return known.get(_code_of(error), f"cannot be opened: {error}")


def _code_of(error: BaseException) -> int:
    """The system's error number, which pyserial sometimes leaves in the error behind its own."""
    if error.args and isinstance(error.args[0], int):
        return error.args[0]
    return _code_of(error.__context__) if error.__context__ else 0


class BackOff:
    """Lets attempts to reconnect follow each other ever more slowly, up to a bound."""

    def __init__(self) -> None:
        self._pause_s = 0.0
        self._not_before_s = 0.0

    async def wait(self) -> None:
        """Wait until the next attempt is due."""
        await asyncio.sleep(max(0.0, self._not_before_s - asyncio.get_running_loop().time()))

    def failed(self) -> None:
        """The attempt failed: the next one is due later than the last time."""
        self._pause_s = min(LONGEST_BACK_OFF_S, self._pause_s * 2 or FIRST_BACK_OFF_S)
        self._not_before_s = asyncio.get_running_loop().time() + self._pause_s

    def succeeded(self) -> None:
        """Begin anew."""
        self._pause_s = 0.0

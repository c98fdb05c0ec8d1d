"""From a board's URL to its link."""

from bench.errors import InputError
from bench.link.base import Link
from bench.link.url import BoardUrl


def open_link(url: BoardUrl) -> Link:
    """The link for a board behind a port, not connected yet: ``Board.open`` connects it.

    Raises:
        InputError: a simulated board in this process, which has no port; or a board map that is wrong.
    """
    # Imported when needed: a simulated run should not wait for the Modbus library to load.
    if url.scheme in ("serial", "tcp"):
        from bench.link.line import LineLink

        return LineLink(url)
    if url.map:
        from bench.link.mapped import MappedLink
        from bench.profiles import load_board_map

        return MappedLink(url, load_board_map(url.map))
    if url.scheme in ("modbus-rtu", "modbus-tcp"):
        from bench.link.modbus import ModbusLink

        return ModbusLink(url)
    raise InputError(f"board {url.text!r}: a simulated board has no port; here only boards behind a port can be used")

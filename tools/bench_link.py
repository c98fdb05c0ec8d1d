"""What the links cost, each as a ratio against a bare reference in the same run.

    python -m tools.bench_link              every figure
    python -m tools.bench_link --seconds 5  longer, for steadier figures

(a) Modbus TCP: snapshots through ModbusLink and Board, decoded and checked, against a bare pymodbus
    client that reads the same registers from the same server, taken in turns.
(b) Modbus RTU on a pseudo-terminal paced at 115200 baud: time of a snapshot against its time on the wire.
    That is its bytes, 11 bits each, both ways, and one silence between frames, which the controller keeps
    before it asks. A board whose firmware keeps a second one before it answers takes 1.75 ms longer; the
    simulated board answers at once, so it is not counted.
(c) The line protocol, paced likewise (10 bits a byte), and bare over TCP; and in process, per second
    of this machine.

The server of (a), (b) and (c) is a process of its own.
"""

import argparse
import asyncio
import statistics
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from pymodbus.client import AsyncModbusTcpClient

from bench.contract import line
from bench.contract.table import SNAPSHOT
from bench.link import Board, BoardUrl, InProcessLink, Link, open_link, parse_board_url
from bench.link.modbus_wire import between_frames_s
from bench.profiles import load_scenario
from bench.virtual_time import run_virtual
from bench.wall_time import run_wall
from firmware_sim.servers import ServeOptions, serve
from firmware_sim.simulator import Simulator

ROOT = Path(__file__).resolve().parent.parent
SCENARIO = "healthy-tandem"
BAUD = 115_200
TURN = 50  # exchanges before the other one's turn


async def run_server(options: ServeOptions) -> None:
    """Serve the simulated bench and print where; until killed."""
    await serve(Simulator(load_scenario(SCENARIO)), options, lambda at: print(*at.urls(), flush=True))


@asynccontextmanager
async def server(kind: str) -> AsyncIterator[BoardUrl]:
    """A server process, and where its board is."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tools.bench_link", "--serve", kind, stdout=subprocess.PIPE, cwd=ROOT
    )
    try:
        told = await process.stdout.readline() if process.stdout else b""
        yield parse_board_url(told.decode().strip())
    finally:
        process.kill()
        await process.communicate()


SERVERS = {
    "modbus-tcp": ServeOptions(modbus_tcp=0),
    "modbus-rtu": ServeOptions(modbus_rtu="pty", baud=BAUD),
    "tcp": ServeOptions(tcp=0),
    "serial": ServeOptions(serial="pty", baud=BAUD),
}


async def timed(act: Callable[[], Awaitable[Any]], count: int) -> float:
    """Seconds that ``count`` exchanges take."""
    began = time.perf_counter()
    for _ in range(count):
        await act()
    return time.perf_counter() - began


def undisturbed(turns_s: Sequence[float]) -> float:
    """The lower quartile: a busy machine makes turns longer, never shorter."""
    return statistics.quantiles(turns_s, n=4)[0]


async def modbus_tcp(seconds: float) -> None:
    """(a) ModbusLink against bare pymodbus, in turns."""
    async with server("modbus-tcp") as url, opened(url) as (_, board):
        registers = SNAPSHOT.length(board.identity.channels)
        bare = AsyncModbusTcpClient(url.host, port=url.port)
        await bare.connect()

        async def read_bare() -> None:
            await bare.read_input_registers(SNAPSHOT.address, count=registers, device_id=url.unit)

        ours_s, bare_s = [], []
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            bare_s.append(await timed(read_bare, TURN))
            ours_s.append(await timed(board.snapshot, TURN))
        bare.close()
    ratio = undisturbed(bare_s) / undisturbed(ours_s)
    tell("Modbus TCP, bare pymodbus", f"{TURN / undisturbed(bare_s):8.0f} /s  {registers} registers")
    tell("Modbus TCP, link and board", f"{TURN / undisturbed(ours_s):8.0f} /s  ratio {ratio:.2f} (goal >= 0.90)")


@asynccontextmanager
async def opened(url: BoardUrl) -> AsyncIterator[tuple[Link, Board]]:
    """The board at ``url``, and the link to it."""
    link = open_link(url)
    board = Board(link)
    await board.open()
    try:
        yield link, board
    finally:
        await board.close()


async def paced(kind: str, seconds: float, wire_s: Callable[[Link, int], Awaitable[float]]) -> None:
    """(b) and (c): time of a snapshot against that of its bytes."""
    async with server(kind) as url, opened(url) as (link, board):
        ideal_s = await wire_s(link, board.identity.channels)
        periods = [await timed(board.snapshot, 1) for _ in range(max(5, round(seconds / ideal_s)))]
    period_s = statistics.median(periods)
    tell(
        f"{kind} at {BAUD} baud",
        f"{period_s * 1e3:8.2f} ms a snapshot, wire {ideal_s * 1e3:.2f} ms, ratio {period_s / ideal_s:.2f}, "
        f"lower quartile {undisturbed(periods) / ideal_s:.2f} (goal <= 1.15), worst {max(periods) * 1e3:.1f} ms",
    )


async def rtu_wire_s(_: Link, channels: int) -> float:
    """Question 8 bytes, answer 5 and two a register, 11 bits each, and t3.5."""
    octets = 8 + 5 + 2 * SNAPSHOT.length(channels)
    return octets * 11 / BAUD + between_frames_s(BAUD)


async def line_wire_s(link: Link, channels: int) -> float:
    """A snapshot's own question and reply, 10 bits a byte."""
    values = SNAPSHOT.unpack(await link.read(SNAPSHOT, channels), channels)
    fields = (*SNAPSHOT.header, *SNAPSHOT.row * channels)
    reply = ",".join(line.engineering_text(int(v), f.scale) for f, v in zip(fields, values, strict=True))
    octets = len(line.checked_line(0x8000, line.query_text(SNAPSHOT))) + len("8000|*00\n") + len(reply)
    return octets * 10 / BAUD


async def line_tcp(seconds: float) -> None:
    """(c) The line link over TCP, unpaced."""
    async with server("tcp") as url, opened(url) as (_, board):
        rates = []
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            rates.append(TURN / await timed(board.snapshot, TURN))
    tell("line over TCP", f"{statistics.median(rates):8.0f} /s")


async def in_process(seconds: float) -> None:
    """(c) No wire at all, virtual time: every exchange is 2 ms of board time."""
    board = Board(InProcessLink("sim:", Simulator(load_scenario(SCENARIO)), asyncio.get_running_loop().time))
    await board.open()
    rates = []
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        rates.append(TURN / await timed(board.snapshot, TURN))
    tell("in process", f"{statistics.median(rates):8.0f} /s")


def tell(what: str, figure: str) -> None:
    """One line of the table."""
    print(f"{what:28}{figure}", flush=True)


async def over_ports(seconds: float) -> None:
    """Everything that needs wall time."""
    await modbus_tcp(seconds)
    await paced("modbus-rtu", seconds, rtu_wire_s)
    await paced("serial", seconds, line_wire_s)
    await line_tcp(seconds)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=3.0, help="for each figure")
    parser.add_argument("--serve", choices=SERVERS, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.serve:
        run_wall(run_server(SERVERS[chosen.serve]))
        return
    run_wall(over_ports(chosen.seconds))
    run_virtual(in_process(chosen.seconds))


if __name__ == "__main__":
    main()

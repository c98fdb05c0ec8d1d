"""How true the board's time stamps are over a serial line: openings at known times, stamps as the host reads them.

The simulated board is behind a pseudo-terminal that is paced like a line of 115200 baud, in wall time. A contact opens
at random times of the plant; the host probes the circuit over Modbus RTU and reads the event FIFO.
"""

import argparse
import asyncio
from dataclasses import replace
from random import Random

from bench.contract.table import EventKind, Return
from bench.link import Board, open_link, parse_board_url
from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault, Protection
from bench.wall_time import run_wall
from firmware_sim.servers import PTY, ServeOptions, serve
from firmware_sim.simulator import Simulator

CIRCUIT, PLACE = "stop", "rear-plug.stop"
BAUD = 115_200
FIRST_S, APART_S, OPEN_S = 2.0, 0.1, 0.005
POLL_S = 0.1


async def stamp_errors_s(openings: int, seed: int) -> list[float]:
    """Errors of the stamps of all openings that were told, in s."""
    rng = Random(seed)
    starts_s = [FIRST_S + APART_S * n + rng.uniform(0, APART_S / 2) for n in range(openings)]
    faults = tuple(InjectedFault("open", PLACE, at_s=start, until_s=start + OPEN_S) for start in starts_s)
    scenario = replace(load_scenario("healthy-bulbs"), faults=faults, seed=seed)
    profile = scenario.profile
    channel = profile.channel_of_pin[profile.circuit(CIRCUIT).pin]
    ready: asyncio.Future[list[str]] = asyncio.get_running_loop().create_future()

    async with asyncio.TaskGroup() as tasks:
        options = ServeOptions(modbus_rtu=PTY, baud=BAUD)
        serving = tasks.create_task(serve(Simulator(scenario), options, lambda ends: ready.set_result(ends.urls())))
        board = Board(open_link(parse_board_url((await ready)[0])))
        await board.open()
        try:
            told_s = await _broke(board, channel, starts_s[-1] + 0.5)
        finally:
            await board.close()
            serving.cancel()
    return [min(abs(told - start) for told in told_s) for start in starts_s] if told_s else []


async def _broke(board: Board, channel: int, until_s: float) -> list[float]:
    """Probe a circuit and read until then; the stamps of lost contact."""
    await board.claim()
    await board.set_board(2.0, 0, 12)
    await board.set_channel(channel, Protection())
    await board.kick()
    await board.clear((await board.snapshot()).faults)
    await board.arm()
    await board.returns(Return.BOTH)
    await board.probe(channel, 0)
    told_s: list[float] = []
    now_s = 0.0
    while now_s < until_s:
        await board.kick()
        told_s += [e.uptime_us * 1e-6 for e in (await board.events()).events if e.kind is EventKind.BROKE]
        now_s = (await board.wait(POLL_S)).uptime_s
    await board.safe()
    return told_s


def main() -> int:
    """Print the figure; 1 when an error is over 2 ms or an opening is missing."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--openings", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    errors_s = run_wall(stamp_errors_s(options.openings, options.seed))
    largest_s = max(errors_s, default=float("inf"))
    print(
        f"{len(errors_s)} openings over Modbus RTU at {BAUD} baud: largest error of a stamp {largest_s * 1000:.2f} ms"
    )
    return 0 if largest_s <= 0.002 else 1


if __name__ == "__main__":
    raise SystemExit(main())

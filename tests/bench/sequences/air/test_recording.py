"""Times of brakes against the plant's own pressures: recorded by the board over fast and slow wires, and polled."""

import asyncio
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from bench.contract.table import Capability, Valve
from bench.link.inprocess import InProcessLink
from bench.profiles import load_scenario
from bench.profiles.air_model import PA_PER_PSI, AirScenario
from bench.results import Verdict
from bench.safety import GuardedBoard
from bench.sequences import run_inspection
from bench.virtual_time import run_virtual
from firmware_sim.air.as_built import CHAMBER
from firmware_sim.air.flow import ATMOSPHERE_PA
from tests.bench.sequences.air.test_air_inspection import SAID
from tests.bench.sequences.sessions import STARTED, NarrowBoard, Session, on_simulator

SLOW_S = 0.03  # what an exchange takes at 115200 baud
REAR_RIGHT = CHAMBER + 3


class Watched:
    """True pressures of a chamber and the instants of the valves, as the plant has them."""

    def __init__(self, session: Session) -> None:
        self.samples: list[tuple[float, float]] = []
        self.moves: list[tuple[float, int]] = []
        air = session.board.simulator.air
        advance, switch = air.advance, air.switch

        def watch(until_s: float) -> None:
            advance(until_s)
            self.samples.append((until_s, float(air.state()[REAR_RIGHT]) - ATMOSPHERE_PA))

        def note(energised: int) -> None:
            self.moves.append((air.time_s, energised))
            switch(energised)

        air.advance, air.switch = watch, note

    def times_s(self) -> dict[str, list[float]]:
        """From each opening of the service fill valve to 60 psi, from each opening of its exhaust to 5 psi."""
        found: dict[str, list[float]] = {"application": [], "release": []}
        for (_, before), (at_s, now) in zip(self.moves, self.moves[1:], strict=False):
            if now >> Valve.SERVICE_FILL & 1 > before >> Valve.SERVICE_FILL & 1:
                found["application"].append(self._passes(at_s, 60 * PA_PER_PSI, rising=True))
            if before >> Valve.SERVICE_EXHAUST & 1 > now >> Valve.SERVICE_EXHAUST & 1:
                found["release"].append(self._passes(at_s, 5 * PA_PER_PSI, rising=False))
        return found

    def _passes(self, at_s: float, threshold_pa: float, *, rising: bool) -> float:
        times, values = np.array(self.samples).T
        after = (times > at_s) & ((values >= threshold_pa) if rising else (values <= threshold_pa))
        n = int(after.argmax())
        crossing = np.interp(0, *((values[n - 1 : n + 1] - threshold_pa) * (1 if rising else -1), times[n - 1 : n + 1]))
        return float(crossing) - at_s


@cache
def timed(seed: int, exchange_s: float, lacks: Capability) -> tuple[Session, Watched]:
    whole = load_scenario("healthy-tandem")
    session = on_simulator(replace(whole, seed=seed, air=AirScenario(start_pa=95 * PA_PER_PSI)), lacks=lacks)
    watched = Watched(session)

    async def run() -> None:
        board = NarrowBoard(InProcessLink("sim:", session.board, asyncio.get_running_loop().time, exchange_s), key=7)
        board.lacks = lacks
        profile = session.scenario.profile
        async with GuardedBoard(board, profile, notice=session.notices.append) as guard:
            await run_inspection(
                guard, profile, store=session.store, run_id="run-1", now=lambda: STARTED, only=["timing"], answers=SAID
            )

    run_virtual(run())
    return session, watched


def errors_s(session: Session, watched: Watched) -> dict[str, float]:
    """Of the mean of five."""
    told = {value.name: value.value for value in session.step("timing").values}
    return {
        name: told[f"rear-right {name} time, mean"] - float(np.mean(true)) for name, true in watched.times_s().items()
    }


@pytest.mark.parametrize(("seed", "exchange_s"), [(1, 0.002), (2, SLOW_S)])
def test_the_boards_own_recording_gives_times_within_5_and_15_ms_of_the_plants_whatever_the_wire(seed, exchange_s):
    session, watched = timed(seed, exchange_s, Capability(0))
    wrong_s = errors_s(session, watched)

    assert abs(wrong_s["application"]) <= 0.005
    assert abs(wrong_s["release"]) <= 0.015
    assert session.step("timing").verdict is Verdict.PASS


def test_without_it_a_slow_wire_samples_too_slowly_and_a_verdict_near_the_limit_says_so():
    session, watched = timed(1, SLOW_S, Capability.AIR_CAPTURE)
    trace = session.step("timing").traces[0]

    assert trace.dt_s > 0.02
    assert abs(errors_s(session, watched)["application"]) <= 2 * trace.dt_s, "within what keeps a verdict open"

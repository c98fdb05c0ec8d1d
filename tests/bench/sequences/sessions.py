"""A whole session on the simulator or on the fake board, and everything it left behind."""

import asyncio
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache

from bench.contract.readings import Identity, Snapshot, read_snapshot
from bench.contract.table import COMMAND, SNAPSHOT, Capability, ChannelState, CommandCode, Mode, Refusal, Return
from bench.events import Event
from bench.link.board import Board
from bench.link.inprocess import InProcessLink
from bench.profiles import load_scenario
from bench.profiles.model import Scenario
from bench.results import Run, RunState, StepResult
from bench.safety import GuardedBoard
from bench.sequences import run_inspection, run_walk
from bench.virtual_time import run_virtual
from firmware_sim.simulator import Simulator

STARTED = datetime(2026, 2, 3, 9, 30, tzinfo=UTC)
NOTHING = Capability(0)
YES = {"clear-to-power": True}
RESTING = frozenset({ChannelState.OFF, ChannelState.HELD_OFF, ChannelState.TRIPPED})


class MemoryStore:
    """Keeps a run in memory and notes what was on when it was closed."""

    def __init__(self, outputs_on: Callable[[], Collection[int]] = set) -> None:
        self.run: Run | None = None
        self.calls: list[str] = []
        self.on_at_finish: Collection[int] | None = None
        self._outputs_on = outputs_on

    async def begin(self, run: Run) -> None:
        self.calls.append("begin")
        self.run = run

    async def add_step(self, run_id: str, step: StepResult) -> None:
        assert self.run is not None
        assert self.run.id == run_id
        self.calls.append(step.step)
        self.run = replace(self.run, steps=(*self.run.steps, step))

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        assert self.run is not None
        assert self.run.id == run_id
        self.calls.append(f"finish {state}")
        self.on_at_finish = self._outputs_on()
        self.run = replace(self.run, state=state, duration_s=duration_s, reason=reason)


class LoggedSimulator:
    """A simulator that writes down every command it takes."""

    def __init__(self, scenario: Scenario) -> None:
        self.simulator = Simulator(scenario)
        self.commands: list[tuple[CommandCode, int]] = []
        self.exchanges = 0
        self.before_exchange: dict[int, Callable[[], object]] = {}

    def advance_to(self, time_s: float) -> None:
        self.exchanges += 1
        if act := self.before_exchange.get(self.exchanges):
            act()
        self.simulator.advance_to(time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        return self.simulator.read_registers(address, count)

    def write_registers(self, address: int, values: tuple[int, ...]) -> Refusal:
        if address == COMMAND.start() + 1:
            _, _, code, first, *_ = COMMAND.unpack(values)
            self.commands.append((CommandCode(code), int(first)))
        return self.simulator.write_registers(address, values)

    def driven(self) -> set[int]:
        """Channels that were ever driven."""
        return {channel for code, channel in self.commands if code is CommandCode.DRIVE}

    def after(self, seconds: float) -> Snapshot:
        """What the board itself says, ``seconds`` after its last tick."""
        self.simulator.advance_to(self.simulator.time_s + seconds)
        channels = 8
        registers = self.simulator.read_registers(SNAPSHOT.address, SNAPSHOT.length(channels))
        return read_snapshot(registers[1:], channels)

    def on(self) -> set[int]:
        """Channels with any feed, by the board's own snapshot."""
        return {n for n, channel in enumerate(self.after(0.0).channels, 1) if channel.state not in RESTING}

    def assert_everything_off(self) -> None:
        """Outputs off, disarmed, no current a moment later."""
        seen = self.after(0.03)
        assert self.on() == set()
        assert Mode.ARMED not in seen.mode
        assert max(abs(channel.current_a) for channel in seen.channels) < 0.06


class NarrowBoard(Board):
    """A board that lacks some capabilities. Without return switches its returns are always closed."""

    lacks = NOTHING

    async def open(self) -> Identity:
        identity = await super().open()
        self._identity = replace(identity, capabilities=identity.capabilities & ~self.lacks)
        return self._identity

    async def arm(self) -> None:
        await super().arm()
        if Capability.RETURN_SWITCHES in self.lacks:
            await self.returns(Return.BOTH)


@dataclass
class Session:
    """What one session left."""

    scenario: Scenario
    board: LoggedSimulator
    store: MemoryStore
    events: list[Event] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    lacks: Capability = NOTHING

    @property
    def run(self) -> Run:
        """The run as the store has it."""
        assert self.store.run
        return self.store.run

    def step(self, name: str) -> StepResult:
        """One step's result."""
        return next(step for step in self.run.steps if step.step == name)


def on_simulator(scenario: str | Scenario, *, lacks: Capability = NOTHING) -> Session:
    """A session that has not begun yet."""
    loaded = load_scenario(scenario) if isinstance(scenario, str) else scenario
    board = LoggedSimulator(loaded)
    return Session(loaded, board, MemoryStore(board.on), lacks=lacks)


async def inspect_in(session: Session, *, performer: Callable[..., object] = run_inspection, **options: object) -> Run:
    """Do the inspection inside a running loop."""
    board = NarrowBoard(InProcessLink("sim:", session.board, asyncio.get_running_loop().time), key=7)
    board.lacks = session.lacks
    options = {"answers": YES, "tell": session.events.append, **options}
    if performer is not run_walk:
        options.setdefault("skip", ["diagnosis"])  # which has tests of its own, and takes seconds
    async with GuardedBoard(board, session.scenario.profile, notice=session.notices.append) as guard:
        return await performer(
            guard, session.scenario.profile, store=session.store, run_id="run-1", now=lambda: STARTED, **options
        )


def inspect(scenario: str | Scenario, *, lacks: Capability = NOTHING, **options: object) -> Session:
    """A whole inspection on virtual time."""
    session = on_simulator(scenario, lacks=lacks)
    run_virtual(inspect_in(session, **options))
    return session


@cache
def inspected(scenario: str) -> Session:
    """A plain inspection of a shipped scenario, done once for all tests that only look at it."""
    return inspect(scenario)


def walk(scenario: str | Scenario, **options: object) -> Session:
    """A whole walk-round on virtual time."""
    session = on_simulator(scenario)
    run_virtual(inspect_in(session, performer=run_walk, **options))
    return session

"""The composition root: the only file that knows every class, and the only one that knows the simulator.

    async with connect("sim:demo") as session:
        run = await session.inspect("tandem-53ft", only=["ground-return"])

The command, the pytest fixtures and scripts ask for things by name here; nothing below imports this
file. What is heavy is imported where it is first needed.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Collection, Coroutine, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from bench.contract.readings import Event as BoardEvent
from bench.contract.readings import Identity, Snapshot
from bench.contract.table import Fault
from bench.errors import NoBoard
from bench.events import Listener, ignore
from bench.keeping import Keeper, recording
from bench.keeping import open_records as open_records
from bench.keeping import report_html as report_html
from bench.link import Board, BoardUrl, InProcessLink, Link, open_link, parse_board_url
from bench.profiles import load_profile, load_scenario
from bench.profiles.model import Profile, Scenario
from bench.records.ids import new_record_id
from bench.results import Run
from bench.safety import GuardedBoard
from bench.safety.way_in import HOW_IT_ENDED, claimed
from bench.safety.way_out import finish
from bench.sequences import (
    Heard,
    Nobody,
    Operator,
    Question,
    Typed,
    choose,
    gently,
    run_inspection,
    run_power,
    run_walk,
    run_wiggle,
)
from bench.sequences.again import what_again
from bench.sequences.operator import Answer, is_yes
from bench.virtual_time import run_virtual

T = TypeVar("T")

STANDARD_SCENARIO = "healthy-tandem"  # what ``sim:`` alone plays
AnyProfile = str | Path | Profile


def run(url: str, main: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run ``main`` on the loop that suits the board at ``url``: virtual time for a simulated one in process."""
    if parse_board_url(url).scheme == "sim":
        return run_virtual(main())
    return asyncio.run(main())


# --- sessions ---


@asynccontextmanager
async def connect(
    url: str,
    *,
    record: str | Path | None = None,
    tell: Listener = ignore,
    notice: Callable[[str], None] = lambda _: None,
    operator: Operator | None = None,
    answers: Mapping[str, Answer] | None = None,
) -> AsyncIterator["Session"]:
    """A session with the board at ``url``, which is off and let go of again on every way out.

    Args:
        url: a board URL; ``sim:`` and ``sim:SCENARIO`` play a simulated board in process.
        record: database that keeps the runs, a file or URL; None keeps none.
        tell: gets every event of a run, in order.
        notice: gets one-line remarks that stop nothing.
        operator: answers questions that ``answers`` does not; without one, what depends on a
            safety question is not tested.
        answers: to the operator's questions, by key.

    Raises:
        InputError: the URL or scenario is wrong.
        NoBoard: nothing answers.
        NotOurBoard: something else answers.
        RecordError: the database can't be used.
    """
    where = parse_board_url(url)
    scenario = load_scenario(where.path or STANDARD_SCENARIO) if where.scheme == "sim" else None
    async with recording(record, notice) as store:
        board = Board(_simulated(where, scenario) if scenario else open_link(where))
        identity = await board.open()
        person = operator or (Simulated(scenario) if scenario else Nobody())
        try:
            yield Session(where, board, identity, store, tell, notice, person, dict(answers or {}))
        finally:
            await finish(board.close())


def _simulated(where: BoardUrl, scenario: Scenario) -> Link:
    from firmware_sim.simulator import Simulator

    return InProcessLink(where.text, Simulator(scenario), asyncio.get_running_loop().time)


class Simulated:
    """The operator beside a simulated trailer: the scenario's answers, and yes to whatever it leaves open.

    Nobody can stand too near a trailer that is not there.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._answers = scenario.answers
        self._scenario = scenario

    async def ask(self, question: Question) -> Answer | None:
        """The scenario's answer, a stroke as it was built, or yes."""
        return self._answers.get(question.key, self._strokes().get(question.key, True))

    def _strokes(self) -> dict[str, str]:
        """What somebody with a rule would read at each wheel end."""
        scenario = self._scenario
        if scenario.air is None or scenario.profile.air is None:
            return {}
        from firmware_sim.air.as_built import strokes_m

        built_m = strokes_m(scenario.profile.air, scenario.air, scenario.seed)
        moved_m = {fault.place: fault.value or 0.0 for fault in scenario.air.faults if fault.kind == "stroke"}
        return {f"stroke-{name}": f"{metres * 1000:.0f} mm" for name, metres in (built_m | moved_m).items()}


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What a board says of itself: what it finds wrong, and its readings with everything off."""

    faults: tuple[str, ...]
    supply_v: float
    board_c: float
    ambient_c: float

    @property
    def passed(self) -> bool:
        """Whether the board found nothing wrong with itself."""
        return not self.faults


@dataclass(frozen=True, slots=True)
class Session:
    """One board, for any number of runs one after the other.

    Attributes:
        identity: who the board is.
    """

    _where: BoardUrl
    _board: Board
    identity: Identity
    _store: Keeper
    _tell: Listener
    _notice: Callable[[str], None]
    _operator: Operator
    _answers: dict[str, Answer] = field(default_factory=dict)

    async def inspect(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        unit_number: str | None = None,
        vin: str | None = None,
        operator_name: str | None = None,
    ) -> Run:
        """Test what is plugged in.

        Args:
            profile: what that is: a name, a file, or a loaded profile.
            only: names of the steps to do, all when None.
            unit_number: for the record, like the next two.
            vin: vehicle identification number.
            operator_name: who tests.

        Raises:
            InputError: profile, step or answer is wrong; nothing was switched.
            BenchError: the run could not go on; outputs are off and the record is closed.
        """
        choose(only)  # a wrong name is refused before the board is touched
        async with self._guarded(profile) as (guard, loaded):
            return await run_inspection(
                guard,
                loaded,
                only=only,
                keep=self._store.keep,
                **self._surroundings(),
                unit_number=unit_number,
                vin=vin,
                operator_name=operator_name,
            )

    async def retest(
        self,
        before: Run,
        profile: AnyProfile,
        *,
        closed: Collection[tuple[int, int | None]] = (),
        operator_name: str | None = None,
    ) -> Run:
        """Test again what a run found, and what its repair could have touched.

        Args:
            before: the run, whole.
            profile: as it was then.
            closed: step and finding numbers that were closed since.
            operator_name: who tests.

        Raises:
            InputError: nothing is left to test again.
            BenchError: as ``inspect``.
        """
        async with self._guarded(profile) as (guard, loaded):
            again = what_again(before, loaded, closed)
            return await run_inspection(
                guard,
                loaded,
                only=again.steps,
                circuits=again.circuits,
                keep=self._store.keep,
                **self._surroundings(),
                command="retest",
                unit_number=before.unit_number,
                vin=before.vin,
                operator_name=operator_name,
            )

    async def walk(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        seconds: float = 10.0,
        rounds: int | None = 1,
        unit_number: str | None = None,
        vin: str | None = None,
        operator_name: str | None = None,
    ) -> Run:
        """Light each circuit in turn while somebody walks round and looks.

        Args:
            profile: as for ``inspect``, and so are the last three.
            only: names of the circuits to light, all when None.
            seconds: how long each stays lit.
            rounds: how many; None goes on until stopped.
            unit_number: for the record.
            vin: vehicle identification number.
            operator_name: who walks.

        Raises:
            InputError, BenchError: as ``inspect``.
        """
        async with self._guarded(profile) as (guard, loaded):
            return await run_walk(
                guard,
                loaded,
                only=only,
                seconds=seconds,
                rounds=rounds,
                **self._surroundings(),
                unit_number=unit_number,
                vin=vin,
                operator_name=operator_name,
            )

    async def wiggle(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        seconds: float | None = 60.0,
        lit: bool = False,
        typed: Typed | None = None,
        unit_number: str | None = None,
        vin: str | None = None,
        operator_name: str | None = None,
    ) -> Run:
        """Watch circuits for openings and shorts while somebody moves the wire.

        Args:
            profile: as for ``inspect``, and so are the last three.
            only: names of the circuits, all when None; a single one is probed, several are lit.
            seconds: how long; None until stopped.
            lit: keep a single circuit lit, too.
            typed: lines that name places; an empty one ends the run.
            unit_number: for the record.
            vin: vehicle identification number.
            operator_name: who moves the wire.

        Raises:
            InputError, BenchError: as ``inspect``.
        """
        heard = Heard()
        gentle = gently(_loaded(profile), only)
        async with self._guarded(gentle, heard.take) as (guard, loaded):
            return await run_wiggle(
                guard,
                loaded,
                heard=heard,
                only=only,
                seconds=seconds,
                lit=lit,
                typed=typed,
                **self._surroundings(),
                unit_number=unit_number,
                vin=vin,
                operator_name=operator_name,
            )

    async def power(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str],
        seconds: float | None = None,
        flash_per_min: float | None = None,
        typed: Typed | None = None,
        unit_number: str | None = None,
        vin: str | None = None,
        operator_name: str | None = None,
    ) -> Run:
        """Keep circuits lit until released.

        Args:
            profile: as for ``inspect``, and so are the last three.
            only: names of the circuits.
            seconds: how long at most; None until released or stopped.
            flash_per_min: makes turn signals among them flash, 60 to 120 a minute.
            typed: an empty line releases.
            unit_number: for the record.
            vin: vehicle identification number.
            operator_name: who stands by.

        Raises:
            InputError, BenchError: as ``inspect``.
        """
        async with self._guarded(profile) as (guard, loaded):
            return await run_power(
                guard,
                loaded,
                only=only,
                seconds=seconds,
                flash_per_min=flash_per_min,
                typed=typed,
                **self._surroundings(),
                unit_number=unit_number,
                vin=vin,
                operator_name=operator_name,
            )

    async def identify(self) -> Identity:
        """Who the board is, asked again; switches nothing."""
        return await self._board.open()

    async def snapshot(self) -> Snapshot:
        """Everything the board measures, at one instant; switches nothing."""
        return await self._board.snapshot()

    async def self_test(self) -> SelfTest:
        """Let the board test memory, converter and temperature, with nothing switched on.

        Raises:
            BoardHeld: another controller is using it.
        """
        async with claimed(self._board, self._notice):
            await self._board.self_test()
            seen = await self._board.snapshot()
        wrong = (seen.faults | seen.causes) & ~HOW_IT_ENDED
        return SelfTest(_names(wrong), seen.supply_v, seen.board_c, seen.ambient_c)

    def _surroundings(self) -> dict[str, Any]:
        """What every run is given by its session."""
        now = _now()
        return {
            "store": self._store,
            "run_id": new_record_id(now),
            "now": lambda: now,
            "board_url": self._where.text,
            "answers": self._answers,
            "operator": self._operator,
            "tell": self._tell,
        }

    @asynccontextmanager
    async def _guarded(
        self, profile: AnyProfile, on_event: Callable[[BoardEvent], None] = lambda _: None
    ) -> AsyncIterator[tuple[GuardedBoard, Profile]]:
        loaded = _loaded(profile)
        self._store.profile = loaded
        acknowledged = await self._acknowledged()
        guard = GuardedBoard(self._board, loaded, notice=self._notice, on_event=on_event, acknowledged=acknowledged)
        async with guard:
            yield guard, loaded

    async def _acknowledged(self) -> Fault:
        """Faults that the board still holds, whose cause is over, and that the operator says are understood."""
        seen = await self._board.snapshot()
        over = seen.faults & ~seen.causes & ~HOW_IT_ENDED
        if not over:
            return Fault(0)
        question = Question(
            "fault-understood", f"The board holds a fault: {', '.join(_names(over))}. Is its cause gone?"
        )
        answer = self._answers.get(question.key)
        return over if is_yes(await self._operator.ask(question) if answer is None else answer) else Fault(0)


def _loaded(profile: AnyProfile) -> Profile:
    return profile if isinstance(profile, Profile) else load_profile(profile)


def _names(faults: Fault) -> tuple[str, ...]:
    return tuple(str(fault.name).lower().replace("_", " ") for fault in faults)


def _now() -> datetime:
    return datetime.now().astimezone().replace(microsecond=0)


# --- the simulator behind real ports ---


@dataclass(frozen=True, slots=True)
class SimulatorPorts:
    """On which ports a simulated board is played; None and False for not at all, port 0 for any free one."""

    serial: bool = False
    tcp: int | None = None
    modbus_rtu: bool = False
    modbus_tcp: int | None = None


async def play(
    scenario: str | Path,
    ports: SimulatorPorts,
    ready: Callable[[list[str]], None],
    *,
    speed: float = 1.0,
    baud: int | None = None,
    seed: int | None = None,
) -> None:
    """Play a simulated board on real ports until cancelled.

    Args:
        scenario: name or file.
        ports: where.
        ready: gets the board URLs once everything is open.
        speed: board seconds in a second.
        baud: paces pseudo-terminals like a line of that speed; None as fast as they go.
        seed: instead of the scenario's own.

    Raises:
        InputError: the scenario is wrong.
        NoBoard: a port can't be opened.
    """
    from firmware_sim.servers import PTY, ServeOptions, serve
    from firmware_sim.simulator import Simulator

    played = load_scenario(scenario)
    simulator = Simulator(played if seed is None else replace(played, seed=seed))
    options = ServeOptions(
        tcp=ports.tcp,
        modbus_tcp=ports.modbus_tcp,
        serial=PTY if ports.serial else None,
        modbus_rtu=PTY if ports.modbus_rtu else None,
        speed=speed,
        baud=baud,
    )
    try:
        await serve(simulator, options, lambda endpoints: ready(endpoints.urls()))
    except OSError as error:
        raise NoBoard(f"the port can't be opened: {error}; choose another, or end what holds it") from error

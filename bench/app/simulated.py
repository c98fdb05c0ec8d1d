"""Simulated boards: in process for ``sim:`` URLs, behind real ports for everybody else."""

import asyncio
import errno
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench.contract.table import MAX_CHANNELS
from bench.errors import InputError, NoBoard
from bench.link import Board, BoardUrl, InProcessLink, JoinedBoard, Link
from bench.link.inprocess import Registers
from bench.profiles import load_scenario
from bench.profiles.model import Scenario
from bench.sequences import Operator, Question
from bench.sequences.operator import Answer, is_yes

if TYPE_CHECKING:
    from firmware_sim.joined import JoinedSimulator
    from firmware_sim.simulator import Simulator

STANDARD_SCENARIO = "healthy-tandem"  # what ``sim:`` alone plays

# --- in process ---


def played_by(where: BoardUrl) -> Scenario | None:
    """The scenario that a ``sim:`` URL plays; None for a board that is real or at least behind a real port.

    Raises:
        InputError: the scenario is wrong.
    """
    return load_scenario(where.path or STANDARD_SCENARIO) if where.scheme == "sim" else None


def _needs_several(scenario: Scenario) -> bool:
    return max(scenario.profile.channel_of_pin.values(), default=1) > MAX_CHANNELS


def simulated(scenario: Scenario) -> "Simulator | JoinedSimulator":
    """A board that lives in this process; several, joined, where the profile needs more channels than one has."""
    from firmware_sim.joined import JoinedSimulator
    from firmware_sim.simulator import Simulator

    return JoinedSimulator(scenario) if _needs_several(scenario) else Simulator(scenario)


def board_of(where: BoardUrl, simulator: "Simulator | JoinedSimulator") -> Board | JoinedBoard:
    """The board, or the boards as one, on this loop's time from now on."""
    from firmware_sim.joined import JoinedSimulator

    if isinstance(simulator, JoinedSimulator):
        return JoinedBoard([Board(_link_to(where, each)) for each in simulator.boards])
    return Board(_link_to(where, simulator))


def _link_to(where: BoardUrl, registers: Registers) -> Link:
    loop = asyncio.get_running_loop()
    begun_s = loop.time()
    return InProcessLink(where.text, registers, lambda: loop.time() - begun_s)


def simulated_link(where: BoardUrl, scenario: Scenario) -> Link:
    """A link to a board that lives in this process and that nobody else need know.

    Raises:
        InputError: the scenario is wired to several boards, which no single link leads to.
    """
    from firmware_sim.joined import JoinedSimulator

    board = simulated(scenario)
    if isinstance(board, JoinedSimulator):
        raise InputError(f"board {where.text!r}: its profile is wired to several boards; this is for a single one")
    return _link_to(where, board)


class Simulated:
    """The operator beside a simulated trailer: the scenario's answers, and yes to whatever it leaves open.

    Nobody can stand too near a trailer that is not there. A yes to a question about the sense lead moves it.

    Args:
        scenario: what is played.
        board: the simulated board whose leads this operator clips.
        answers: come before the scenario's.
        otherwise: a person who answers in place of the scenario.
    """

    def __init__(
        self,
        scenario: Scenario,
        board: "Simulator | JoinedSimulator",
        answers: Mapping[str, Answer] | None = None,
        otherwise: Operator | None = None,
    ) -> None:
        self._answers = dict(scenario.answers if otherwise is None else {}) | dict(answers or {})
        self._scenario = scenario
        self._board = board
        self._otherwise = otherwise

    async def ask(self, question: Question) -> Answer | None:
        """The scenario's answer, a stroke as it was built, or yes."""
        answer = await self._answer(question)
        if question.node and is_yes(answer):
            self._board.clip_sense(question.node)
        return answer

    async def _answer(self, question: Question) -> Answer | None:
        if question.key not in self._answers and self._otherwise is not None:
            return await self._otherwise.ask(question)
        if question.key.startswith("cable-") and self._scenario.cable is None:
            return False  # a trailer is plugged in
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


# --- behind real ports ---


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
    if _needs_several(played):
        raise InputError(f"{scenario}: its profile is wired to several boards, which are played in process only")
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
        raise _cannot_open(error) from error


def _cannot_open(error: OSError) -> NoBoard:
    where, why = error.filename or "the port", (error.strerror or str(error)).lower()
    todo = "choose one above 1023" if error.errno == errno.EACCES else "choose another, or end what holds it"
    return NoBoard(f"{where} can't be opened: {why}; {todo}")

"""What may be asked of a bench over the broker, and how it gets to the guarded board.

A command is checked in the publisher's thread (`signing.py`) and carried out on the session's loop through
the same door as everything else: the guarded board asks the safety rules, and their words are the answer.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime

from pydantic import ValidationError

from bench.contract.readings import Snapshot
from bench.errors import BenchError
from bench.mqtt.messages import AnswerMessage, CommandMessage
from bench.mqtt.publisher import Publisher
from bench.mqtt.signing import Gate, Refused
from bench.safety import GuardedBoard
from bench.safety.hand import Hand
from bench.safety.setup import Setup

COMMANDS = ("stop", "off", "light")
BUSY = frozenset({"inspect", "retest"})
LONGEST_PAYLOAD = 2048


class Commander:
    """Takes commands while a run is on; goes along with the session as its companion.

    Args:
        key: of this bench.
        bench: its name.
        now: wall clock, aware.

    Attributes:
        command: what kind of run is on; while an inspection measures, nothing else may be lit.
    """

    hand: Hand | None = None
    command = ""

    def __init__(self, key: bytes, bench: str, now: Callable[[], datetime]) -> None:
        self._gate = Gate(key, bench, now)
        self._bench = bench
        self._now = now
        self._publisher: Publisher | None = None
        self._guard: GuardedBoard | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    def answers_through(self, publisher: Publisher) -> None:
        """Where answers go."""
        self._publisher = publisher

    # --- companion of the session, on its loop ---

    def opened(self, guard: GuardedBoard) -> None:
        """A run has begun."""
        self._guard, self._loop = guard, asyncio.get_running_loop()

    def closed(self) -> None:
        """It is over: nothing asked from now on is carried out."""
        self._guard = None
        for task in self._tasks:
            task.cancel()

    def saw(self, snapshot: Snapshot) -> None:
        """Nothing to do with it."""

    # --- in the publisher's thread ---

    def heard(self, payload: bytes, retained: bool) -> None:
        """A command has come; what is not good is refused at once."""
        try:
            if len(payload) > LONGEST_PAYLOAD:
                raise Refused("it is too long")
            message = CommandMessage.model_validate_json(payload)
        except (ValidationError, Refused):
            return  # without a nonce there is nothing to answer
        try:
            if retained:
                raise Refused("a retained command is not taken")
            self._gate.check(message)
            loop = self._loop
            if loop is None or self._guard is None:
                raise Refused("no run is on")
            loop.call_soon_threadsafe(self._begin, message)
        except (Refused, RuntimeError) as why:
            self._answer(message.nonce, done=False, text=str(why))

    # --- on the session's loop ---

    def _begin(self, message: CommandMessage) -> None:
        task = asyncio.get_running_loop().create_task(self._carry_out(message), name="mqtt command")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _carry_out(self, message: CommandMessage) -> None:
        guard = self._guard
        if guard is None:
            self._answer(message.nonce, done=False, text="the run is over")
            return
        try:
            await self._do(guard, message)
        except (BenchError, Refused) as why:
            self._answer(message.nonce, done=False, text=str(why))
        else:
            self._answer(message.nonce, done=True, text=f"{message.command} was carried out")

    async def _do(self, guard: GuardedBoard, message: CommandMessage) -> None:
        if message.command == "stop":
            await guard.stop("asked for over MQTT")
        elif message.command == "off":
            await guard.off()
        else:
            await guard.drive(self._channel(guard.setup, message.circuit))

    def _channel(self, setup: Setup, name: str | None) -> int:
        if self.command in BUSY:
            raise Refused(f"the {self.command} run measures: only stop and off are taken")
        channels = {circuit: channel for channel, circuit in setup.circuits.items()}
        if name not in channels:
            raise Refused(f"there is no circuit {name!r}: the circuits are {', '.join(channels)}")
        return channels[name]

    def _answer(self, nonce: str, *, done: bool, text: str) -> None:
        if self._publisher is not None:
            sent = self._now().isoformat(timespec="milliseconds")
            message = AnswerMessage(bench=self._bench, sent=sent, nonce=nonce, done=done, text=text)
            self._publisher.put("answer", message)

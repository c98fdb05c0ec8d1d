"""A simulated board behind real ports in a thread of its own, with a wire to it that can be spoiled."""

import asyncio
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any, Self, TypeVar

from bench.contract.readings import Snapshot, read_snapshot
from bench.contract.table import COMMAND, SNAPSHOT, ChannelState, CommandCode, Refusal
from bench.profiles import load_scenario
from firmware_sim.servers import Endpoints, ServeOptions, serve
from firmware_sim.simulator import Simulator

T = TypeVar("T")
LOOPBACK = "127.0.0.1"
NOTHING_ON = {ChannelState.OFF, ChannelState.HELD_OFF}
Spoil = Callable[[bytes], bytes]


class LoopThread:
    """An event loop in a thread of its own, in which things can be started and asked for."""

    def __init__(self) -> None:
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()))

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(5)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(5)
        assert not self._thread.is_alive()

    async def _live(self) -> None:
        self._loop, self._over, self._tasks = asyncio.get_running_loop(), asyncio.Event(), asyncio.TaskGroup()
        async with self._tasks:
            self._ready.set()
            await self._over.wait()
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                task.cancel()

    def start(self, work: Coroutine[Any, Any, Any]) -> None:
        """Let something go on until the end."""
        self._loop.call_soon_threadsafe(lambda: self._tasks.create_task(work))

    def call(self, work: Coroutine[Any, Any, T]) -> T:
        """Do something and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)


class ServedBoard(LoopThread):
    """The board, its ports, and what may be done to it while a command uses it."""

    def __init__(self, scenario: str = "healthy-tandem", kind: type[Simulator] = Simulator) -> None:
        super().__init__()
        self.simulator = kind(load_scenario(scenario))
        self.channels = 8
        self.endpoints = Endpoints()

    def __enter__(self) -> Self:
        super().__enter__()
        ready = threading.Event()

        def note(endpoints: Endpoints) -> None:
            self.endpoints = endpoints
            ready.set()

        self.start(serve(self.simulator, ServeOptions(tcp=0, modbus_tcp=0), note))
        assert ready.wait(5)
        return self

    @property
    def tcp(self) -> str:
        return "tcp://{}:{}".format(*(self.endpoints.tcp or ("", 0)))

    def modbus(self, unit: int = 1) -> str:
        return "modbus-tcp://{}:{}?unit={}".format(*(self.endpoints.modbus_tcp or ("", 0)), unit)

    @contextmanager
    def spoiled(self, spoil: Spoil) -> Iterator[str]:
        """URL of the line port through a wire on which ``spoil`` changes every reply."""
        with listening(self, lambda reader, writer: self._wire(reader, writer, spoil)) as where:
            yield f"tcp://{where}"

    async def _wire(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, spoil: Spoil) -> None:
        board_reader, board_writer = await asyncio.open_connection(*(self.endpoints.tcp or ("", 0)))

        async def carry(source: asyncio.StreamReader, sink: asyncio.StreamWriter, change: Spoil) -> None:
            while octets := await source.read(4096):
                sink.write(change(octets))
                await sink.drain()
            sink.close()

        try:
            async with asyncio.TaskGroup() as ways:
                ways.create_task(carry(reader, board_writer, bytes))
                ways.create_task(carry(board_reader, writer, spoil))
        finally:
            writer.close()
            board_writer.close()

    async def _snapshot(self) -> Snapshot:
        _, *registers = self.simulator.read_registers(SNAPSHOT.start(), SNAPSHOT.length(self.channels))
        return read_snapshot(registers, self.channels)

    def snapshot(self) -> Snapshot:
        """What the board measures now, asked behind the command's back."""
        return self.call(self._snapshot())

    @property
    def on(self) -> list[int]:
        """Channels that are fed."""
        return [n for n, channel in enumerate(self.snapshot().channels, 1) if channel.state not in NOTHING_ON]

    def driven(self) -> bool:
        """Whether anything is fed; for use inside the board's thread."""
        _, *registers = self.simulator.read_registers(SNAPSHOT.start(), SNAPSHOT.length(self.channels))
        states = (channel.state for channel in read_snapshot(registers, self.channels).channels)
        return any(state not in NOTHING_ON for state in states)

    def be_held(self, key: int = 999) -> None:
        """Be another controller, which holds the board and keeps its watchdog fed."""
        sequences = count(1)

        async def give(code: CommandCode) -> None:
            values = COMMAND.pack((next(sequences), key, code, 0, 0, 0))
            assert self.simulator.write_registers(COMMAND.start() + 1, values) is Refusal.NONE

        async def feed() -> None:
            while True:
                await give(CommandCode.KICK)
                await asyncio.sleep(0.05)

        self.call(give(CommandCode.CLAIM))
        self.call(give(CommandCode.KICK))
        self.start(feed())


Answer = Callable[[bytes], bytes | None]


@contextmanager
def something_else(answer: Answer) -> Iterator[str]:
    """``HOST:PORT`` of a server that is not a board and answers as told; None says nothing."""

    async def serve_one(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while octets := await reader.read(4096):
                writer.write(answer(octets) or b"")
        finally:
            writer.close()

    with LoopThread() as thread, listening(thread, serve_one) as where:
        yield where


Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Coroutine[Any, Any, None]]


@contextmanager
def listening(thread: LoopThread, handler: Handler) -> Iterator[str]:
    """``HOST:PORT`` where ``handler`` is called for every connection."""
    server = thread.call(asyncio.start_server(handler, LOOPBACK, 0))

    async def close() -> None:
        server.close()

    try:
        yield "{}:{}".format(*server.sockets[0].getsockname())
    finally:
        thread.call(close())

"""A checked line over a serial port or TCP: one request out, its own reply back.

Every line carries a tag that the board echoes, so a reply with another tag is a late one and is
dropped. After any error the line is drained until it is silent, the half-read reply is forgotten,
and a line feed ends whatever the board may have heard half of.
"""

import asyncio

from bench.contract import line
from bench.contract.line import Garbage, LineReader
from bench.errors import GarbledReply, LinkError, NoBoard, NotOurBoard
from bench.link.url import BoardUrl
from bench.link.wire import BITS_PER_BYTE, BackOff, Streams, close_streams, open_streams

INTRODUCTIONS = 3
OPENING_ANSWER_S = 1.0  # for a board to begin its first answer; some restart when their port is opened
ANSWER_S = 0.4  # for any later one: one reply may get lost without the board's watchdog running out
GAP_S = 0.25  # for the next bytes of an answer that has begun
QUIET_S = 0.05  # a line silent for so long has nothing more to say
LONGEST_DRAIN_S = 2.0
FIRST_TAG = 0x8000  # tags below are sequence numbers of commands
CHUNK = 4096


class LineWire:
    """One connection at a time to the board at ``url``. Not for two callers at once."""

    def __init__(self, url: BoardUrl) -> None:
        self._url = url
        self._byte_s = BITS_PER_BYTE / url.baud if url.path else 0.0
        self._reader = LineReader()
        self._back_off = BackOff()
        self._streams: Streams | None = None
        self._in_step = False
        self._heard = b""
        self._tag = FIRST_TAG

    @property
    def is_connected(self) -> bool:
        """Whether there is a connection, as far as anyone knows."""
        return self._streams is not None

    def next_tag(self) -> int:
        """A tag for a line that is no command."""
        self._tag = self._tag + 1 if self._tag < line.LARGEST_TAG else FIRST_TAG
        return self._tag

    async def connect(self) -> None:
        """Open the wire, turn checking on and see that a board answers.

        Raises:
            NoBoard: the wire cannot be opened, or nothing on it answers.
            NotOurBoard: something answers, and says that it is another device.
        """
        await self._back_off.wait()
        try:
            self._streams = await open_streams(self._url)
            await self._introduce()
        except BaseException:
            self._back_off.failed()
            await self.disconnect()
            raise
        self._back_off.succeeded()

    async def disconnect(self) -> None:
        """Let go of the wire, if there is one."""
        streams, self._streams = self._streams, None
        self._in_step = False
        if streams is not None:
            await close_streams(streams)

    async def converse(self, tag: int, text: str) -> bytes:
        """Say one line and return the payload of its reply.

        Raises:
            LinkError: the line is out of step; it gets into step before the next one.
        """
        if not self._in_step:
            await self._get_in_step()
        self._in_step = False
        payload = await self._exchange(tag, text)
        self._in_step = True
        return payload

    async def _exchange(self, tag: int, text: str, answer_s: float = ANSWER_S) -> bytes:
        request = line.checked_line(tag, text)
        self._write(request)
        patience_s = answer_s + self._byte_s * len(request)
        end_s = _now_s() + patience_s + GAP_S + self._byte_s * line.LONGEST_REPLY
        while _now_s() < end_s:
            octets = await self._receive(patience_s)
            if octets is None:
                raise self._silence(patience_s)
            for found in self._reader.feed(octets):
                if isinstance(found, Garbage):
                    raise GarbledReply(f"{self._url.text}: this is no reply", found.received)
                if found.tag == tag:
                    return found.payload
            patience_s = GAP_S
        raise GarbledReply(f"{self._url.text}: the reply never ends")

    def _silence(self, patience_s: float) -> LinkError:
        if self._reader.is_empty:
            return NoBoard(f"{self._url.text}: no answer within {patience_s:.2g} s; check cable and power")
        return GarbledReply(f"{self._url.text}: the reply was cut off")

    # --- staying in step ---

    def lose_step(self) -> None:
        """Something about the last reply was wrong: start afresh before the next line."""
        self._in_step = False

    async def _introduce(self) -> None:
        answer = await self._first_answer()
        if not answer.startswith(b"UMBILICAL,"):
            who = answer[:60].decode("ascii", "replace")
            raise NotOurBoard(f"{self._url.text}: this is {who!r}, not a board of this contract")
        await self._forget_errors()

    async def _first_answer(self) -> bytes:
        """The answer to the first checked line, whether or not checking was on before."""
        self._heard = b""
        for _ in range(INTRODUCTIONS):
            await self._drain()
            self._write(line.bare_line(line.short_form(line.CHECK_ON)))
            try:
                return await self._exchange(self.next_tag(), line.WHO_ARE_YOU, OPENING_ANSWER_S)
            except LinkError:
                if not self.is_connected:
                    raise
        raise NoBoard(f"{self._url.text}: {self._no_valid_answer()}")

    def _no_valid_answer(self) -> str:
        heard = f"only {self._heard[-24:]!r}" if self._heard else "only silence"
        if self._url.host:
            return f"no valid answer, {heard}; check that this is the port of a board's line protocol"
        return f"no valid answer at {self._url.baud} baud, {heard}; check baud=, the cable and that the board is on"

    async def _get_in_step(self) -> None:
        await self._drain()
        await self._forget_errors()

    async def _forget_errors(self) -> None:
        """Errors queued earlier would be taken for the next command's."""
        await self._exchange(self.next_tag(), line.FORGET_ERRORS)
        self._in_step = True

    async def _drain(self) -> None:
        end_s = _now_s() + LONGEST_DRAIN_S
        while _now_s() < end_s and await self._receive(QUIET_S + 4 * self._byte_s) is not None:
            pass
        self._reader.reset()
        self._write(b"\n")

    # --- bytes ---

    def _write(self, octets: bytes) -> None:
        if self._streams is None:
            raise NoBoard(f"{self._url.text}: the connection is closed")
        self._streams[1].write(octets)

    async def _receive(self, patience_s: float) -> bytes | None:
        """The next bytes, or None when none come in time."""
        if self._streams is None:
            raise NoBoard(f"{self._url.text}: the connection is closed")
        try:
            async with asyncio.timeout(patience_s):
                octets = await self._streams[0].read(CHUNK)
        except TimeoutError:
            return None
        except OSError:
            octets = b""
        if not octets:
            await self.disconnect()
            raise NoBoard(f"{self._url.text}: the connection broke; check the cable and that the board is on")
        self._heard = (self._heard + octets)[-64:]
        return octets


def _now_s() -> float:
    return asyncio.get_running_loop().time()

"""The guarded board: the only door to outputs.

    async with GuardedBoard(board, profile) as guard:
        await guard.drive(3)

What may be asked of a board, each through the rules. How the board is kept meanwhile, and left, is in ``kept.py``.
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Sequence
from math import inf
from typing import Any, Literal

from bench.contract.readings import AirCapture, ChannelCorrection, CommonCorrection, FarSocket, Snapshot
from bench.contract.table import Return, Valve
from bench.errors import LinkError
from bench.safety.air_guard import LINES
from bench.safety.interlock import Stage
from bench.safety.kept import KeptBoard
from bench.safety.permit import Air, Drive, JoinFar, Probe, Pulse, Reference, Regulate, Request, Switch, Wiggle
from bench.safety.shorts import shows_short

SHOT_TRIES = 50
SHOT_PAUSE_S = 0.002


class GuardedBoard(KeptBoard):
    """One session on one board with one profile: its way in, its way out, and every command between.

    Commands raise ``Denied`` when a rule refuses, ``BoardRefused`` when the board does,
    ``BoardFault`` once it has turned everything off, ``LinkError`` when it can't be reached.
    """

    async def drive(self, channel: int, level: float = 1.0) -> None:
        """Soft-start ``channel`` and keep it on."""
        await self._request(Drive(channel, level), lambda: self._board.drive(channel, level))

    async def probe(self, channel: int, time_s: float = 0.005) -> Snapshot:
        """Probe one pin; the snapshot latched at its end. A short is remembered."""
        shot = await self._shoot(Probe(channel, time_s), lambda: self._board.probe(channel, time_s), time_s)
        self._remember_short(channel, shot, self.identity.probe_ohm)
        return shot

    async def keep_probing(self, channel: int) -> None:
        """Probe one pin until ``off``: nothing is latched, the board's monitor watches it."""
        await self._request(Probe(channel, 0.0), lambda: self._board.probe(channel, 0.0))

    async def pulse(self, channel: int, time_s: float = 0.004) -> Snapshot:
        """Cold pulse on one pin; the snapshot latched at its end. A short is remembered."""
        shot = await self._shoot(Pulse(channel, time_s), lambda: self._board.pulse(channel, time_s), time_s)
        self._remember_short(channel, shot, self.identity.pulse_ohm)
        return shot

    async def wiggle(self, channel: int) -> None:
        """Exercise a wire until ``off``."""
        await self._request(Wiggle(channel), lambda: self._board.wiggle(channel))

    async def returns(self, returns: Return) -> None:
        """Close these return switches and open the others."""
        await self._request(Switch(returns), lambda: self._board.returns(returns))

    async def reference(self, on: bool) -> None:
        """Connect the reference resistor, or disconnect it."""
        if on:
            await self._request(Reference(), lambda: self._board.reference(True))
        else:
            await self._send(self._board.reference(False))

    async def join_far(self, pins: int) -> None:
        """Join exactly these pins of the second socket; 0 opens them."""
        await self._request(JoinFar(pins), lambda: self._board.join_far(pins))

    async def far_socket(self) -> FarSocket:
        """The second socket's pins, now and when the last shot was latched."""
        self._ending.check()
        return await self._board.far_socket()

    async def off(self, channels: Iterable[int] | None = None) -> None:
        """Turn channels off, all by default, and clear their trips. Always allowed."""
        await self._send(self._board.off(channels))

    async def arm_capture(self, channel: int, rate_hz: int, samples: int) -> None:
        """Record ``channel`` from its next switch-on."""
        await self._send(self._board.arm_capture(channel, rate_hz, samples))

    async def reset_extremes(self) -> None:
        """Start new minima and maxima."""
        await self._send(self._board.reset_extremes())

    async def corrections(self) -> tuple[list[ChannelCorrection], CommonCorrection]:
        """What the board keeps: of each channel, and of the rest."""
        channels = range(1, self.identity.channels + 1)
        return [await self._board.correction(n) for n in channels], await self._board.common_correction()

    async def calibrate(self, channels: Sequence[ChannelCorrection], common: CommonCorrection) -> None:
        """Everything off and disarmed for good, then let the board keep these corrections."""
        await self.safe()
        for number, correction in enumerate(channels, start=1):
            await self._send(self._board.keep_correction(number, correction))
        await self._send(self._board.keep_common_correction(common))

    async def self_test(self) -> None:
        """Let the board check itself; a failure latches a fault, which ends the session."""
        await self._send(self._board.self_test())

    # --- air ---

    async def enter(self, stage: Stage, at_most_s: float = inf) -> None:
        """Move the air to ``stage`` for at most so long, and no longer than the interlock's table says.

        Raises:
            Denied, AirTripped: a condition is not met, or the stage does not follow the one before.
        """
        if stage not in (Stage.SAFE, Stage.RELEASE):  # these two let air out, which is no request
            await self._permitted(Air(stage))
        await self.air.enter(stage, at_most_s)

    async def regulate(self, line: Literal["supply", "service"], pressure_pa: float) -> None:
        """Set a line's electronic regulator."""
        await self._request(Regulate(line, pressure_pa), lambda: self._board.regulate(LINES.index(line), pressure_pa))

    async def record_air(self, inputs: Iterable[int], rate_hz: int, samples: int) -> None:
        """Let the board record so many samples of each of these analogue inputs, from now on."""
        await self._send(self._board.record_air(inputs, rate_hz, samples))

    async def air_capture(self) -> AirCapture:
        """What the board has recorded of analogue inputs so far."""
        self._ending.check()
        return await self._board.air_capture()

    async def moved_s(self, valve: Valve, energised: bool) -> float | None:
        """Board clock at which a valve was last energised, or let go, by the board's own log."""
        await self.read_events()
        return self._watch.moved_s.get((valve, int(energised)))

    async def _shoot(self, request: Request, send: Callable[[], Coroutine[Any, Any, None]], time_s: float) -> Snapshot:
        before = (await self.fresh()).shot_sequence
        began_s = asyncio.get_running_loop().time()
        await self._request(request, send)
        passed_s = asyncio.get_running_loop().time() - began_s
        await asyncio.sleep(max(self._watch.pace.loop_s(time_s) - passed_s, 0.0))  # a guess; the board's word decides
        for _ in range(SHOT_TRIES):
            shot = await self._board.shot()
            if shot.sequence != before:
                self._watch.changed()  # the feed is open again
                return shot
            await self.wait(SHOT_PAUSE_S)
        raise LinkError("the board took no shot at the end of its probe or pulse: restart the board")

    def _remember_short(self, channel: int, shot: Snapshot, fed_through_ohm: float) -> None:
        short = shows_short(self.setup, self.identity, shot, channel, fed_through_ohm)
        if short:
            self._watch.shorted.add(channel)
        elif short is False:
            self._watch.shorted.discard(channel)

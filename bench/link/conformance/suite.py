"""The suite: which checks there are, and how they are put to a board."""

import asyncio
from collections.abc import Awaitable, Callable, Collection

from bench.contract.table import Capability, CommandCode, Refusal
from bench.errors import BenchError, BoardHeld, InputError, LinkError
from bench.link.base import Link
from bench.link.conformance import commands, faults, feeding, hand, identity
from bench.link.conformance.check import (
    LEVELS,
    Check,
    CheckResult,
    Conformance,
    DummyLoad,
    Level,
    Outcome,
    Unmet,
    Untestable,
)
from bench.link.conformance.rig import Rig, nobody

K = Capability
REGISTERS = ("sim", "modbus-rtu", "modbus-tcp")  # links that can say what the line protocol can't
OFF_WITHIN_S = 5.0

# fmt: off
CHECKS: tuple[Check, ...] = (
    Check("identity", "3 identity", "basic", "magic 0x554D, contract 1, 1..16 channels", identity.whose),
    Check("parts", "3 identity", "basic", "each capability has its part, accuracies are stated", identity.parts),
    Check("identity-constant", "3 identity", "basic", "the same at every read", identity.constant),
    Check("latching", "3", "basic", "a new snapshot at every read, its sequence one more", identity.latching),
    Check("short-read", "3", "basic", "the first registers of a block may be read alone", identity.head_alone),
    Check("clock", "2", "basic", "uptime counts microseconds, within 2 %", identity.clock),
    Check("illegal-address", "3, 10", "basic", "no register 50: exception 2", identity.nowhere, wires=REGISTERS),
    Check("at-rest", "1, 3", "basic", "all channels off, readings possible, no current", identity.readings_at_rest),
    Check("extremes-rows", "3 extremes", "basic", "lowest not above highest", identity.extremes, K.WIGGLE_MONITOR),
    Check("self-test", "4", "basic", "SELF_TEST passes with everything off", identity.self_test),
    Check("claiming", "4", "basic", "one key holds the board, SAFE is for anyone", commands.claiming),
    Check("key-zero", "4", "basic", "CLAIM with key 0: BAD_VALUE", commands.key_zero, wires=REGISTERS),
    Check("sequence-zero", "4", "basic", "sequence 0: BAD_VALUE", commands.sequence_zero, wires=REGISTERS),
    Check("once", "4", "basic", "the same command again is carried out once", commands.once),
    Check("result", "3, 4", "basic", "the snapshot holds the last command's sequence and result", commands.noted),
    Check("ranges", "4", "basic", "arguments out of range: BAD_VALUE", commands.ranges),
    Check("unknown-command", "4", "basic", "code 99: UNKNOWN_COMMAND", commands.unknown_command, wires=REGISTERS),
    Check("refusal-order", "4", "basic", "NO_WATCHDOG, then NOT_ARMED, then NO_LIMITS", commands.order,
          K.WATCHDOG | K.CURRENT_LIMIT),
    Check("incapable", "1, 4", "basic", "what is lacking: NOT_CAPABLE", commands.incapable),
    Check("board-settings", "5", "basic", "ranges kept, a bad write changes nothing", commands.board_settings),
    Check("channel-settings", "5", "basic", "ranges kept, a bad write changes nothing", commands.channel_settings,
          K.CURRENT_LIMIT),
    Check("arming", "4, 6", "basic", "ARM arms, SAFE disarms and keeps claim and watchdog", commands.arming),
    Check("calibration", "3 calibration", "basic", "written only while disarmed", commands.calibration, K.CALIBRATION),
    Check("watchdog", "4, 7", "basic", "HOST_SILENT when its time is up, within a tick", faults.watchdog, K.WATCHDOG),
    Check("only-kick", "4", "basic", "nothing but KICK feeds the watchdog", faults.reads_do_not_feed, K.WATCHDOG),
    Check("silence-frees", "4, 6", "basic", "a silent controller loses the claim", faults.silence_frees, K.WATCHDOG),
    Check("clearing", "4, 7", "basic", "CLEAR takes what was read and is over", faults.clearing, K.WATCHDOG),
    Check("events", "9", "basic", "kept until acknowledged, positions never repeat", faults.events_stay),
    Check("events-overflow", "9", "basic", "a full FIFO drops the oldest and counts it", faults.overflow),
    Check("restart", "4, 6", "basic", "safe, disarmed, settings lost, RESTARTED", faults.restarting),
    Check("probe", "4, 9", "load", "the resistor through the probe; open again in time", feeding.probing, K.PROBE),
    Check("pulse", "4, 9", "load", "the resistor through the pulse; open in time", feeding.pulsing, K.COLD_PULSE),
    Check("reference", "4", "load", "the reference resistor as stated", feeding.reference, K.REFERENCE_RESISTOR),
    Check("drive", "4, 8", "load", "the resistor's current as stated", feeding.driving, K.CURRENT_LIMIT),
    Check("one-instant", "3", "load", "values of a snapshot are of one instant", feeding.of_one_instant,
          K.CURRENT_LIMIT),
    Check("soft-start", "8, 9", "load", "the first plateau holds, the capture is in time", feeding.soft_start,
          K.CURRENT_LIMIT | K.CAPTURE),
    Check("overload", "8", "load", "LIMIT_TIME within a few ticks, latched until OFF", feeding.overload,
          K.CURRENT_LIMIT),
    Check("energy", "8", "load", "ENERGY at 0.05 A2s", feeding.energy, K.CURRENT_LIMIT),
    Check("retries", "8", "load", "each after its pause, then TRIES", feeding.retries, K.CURRENT_LIMIT),
    Check("rms", "8", "load", "RMS when the minute's share is used", feeding.rolling_rms, K.CURRENT_LIMIT),
    Check("extremes", "9", "load", "hold what happened since EXTREMES", feeding.extremes,
          K.CURRENT_LIMIT | K.WIGGLE_MONITOR),
    Check("under-output", "4, 5", "load", "no settings and no self test under an output", feeding.under_an_output,
          K.CURRENT_LIMIT),
    Check("silence-off", "2, 7", "load", "everything off within a tick of the fault", feeding.silence,
          K.CURRENT_LIMIT | K.WATCHDOG),
    Check("emergency-stop", "7", "hand", "off within a tick, FAULT_LATCHED until cleared", hand.emergency_stop,
          K.CURRENT_LIMIT),
)
# fmt: on
NAMES = tuple(check.name for check in CHECKS)


async def run_conformance(
    link: Link,
    wire: str,
    *,
    levels: Collection[Level] = LEVELS[:1],
    only: Collection[str] | None = None,
    load: DummyLoad | None = None,
    ask: Callable[[str], Awaitable[bool]] = nobody,
    tell: Callable[[CheckResult], None] = lambda _: None,
) -> Conformance:
    """Hold a board to the contract.

    Args:
        link: opened and closed here.
        wire: scheme of the board's URL.
        levels: which checks; those of other levels are left out.
        only: names of the checks, all of the levels when None.
        load: what is plugged in.
        ask: asks a person to do something; False when nobody does.
        tell: gets each result as it comes.

    Raises:
        InputError: a check's name is unknown.
        BenchError: no board of this contract can be reached, or another controller holds it.
    """
    for name in only or ():
        if name not in NAMES:
            raise InputError(f"there is no check {name!r}: the checks are {', '.join(NAMES)}")
    chosen = [c for c in CHECKS if c.level in levels and (only is None or c.name in only)]
    rig = Rig(link, wire, load, ask)
    await link.open()
    try:
        await _meet(rig)
        results = []
        for check in chosen:
            results.append(await _put_to_the_test(rig, check))
            tell(results[-1])
        return Conformance(rig.identity, tuple(results))
    finally:
        await _leave_off(rig)
        await link.close()


async def _meet(rig: Rig) -> None:
    await rig.meet()
    if await rig.command(CommandCode.CLAIM) is Refusal.HELD_BY_ANOTHER:
        raise BoardHeld("another controller holds this board: stop it or wait until its watchdog has run out")


async def _put_to_the_test(rig: Rig, check: Check) -> CheckResult:
    def result(outcome: Outcome, seen: str) -> CheckResult:
        return CheckResult(check.name, check.clause, check.level, outcome, check.expected, seen)

    if missing := check.needs & ~rig.identity.capabilities:
        return result("not-claimed", f"the board has no {_words(missing)}")
    if check.wires and rig.wire not in check.wires:
        return result("not-claimed", f"{rig.wire}: has no way to say it")
    try:
        await rig.claim()
        seen = await check.perform(rig)
        return result("pass", seen)
    except Untestable as why:
        return result("not-tested", str(why))
    except (Unmet, LinkError, ValueError) as why:
        return result("fail", str(why))
    finally:
        await _leave_off(rig)


async def _leave_off(rig: Rig) -> None:
    """Everything off and the board let go, however this ends."""
    leaving = asyncio.ensure_future(_let_go(rig))
    try:
        await asyncio.shield(leaving)
    except asyncio.CancelledError:
        await asyncio.wait({leaving})
        raise


async def _let_go(rig: Rig) -> None:
    try:
        async with asyncio.timeout(OFF_WITHIN_S):
            await rig.let_go()
    except (BenchError, TimeoutError):
        return  # the next check says so, and the board's watchdog turns everything off


def _words(capabilities: Capability) -> str:
    return ", ".join(str(each.name).lower().replace("_", " ") for each in capabilities)

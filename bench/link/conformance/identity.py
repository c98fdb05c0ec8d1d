"""Checks of who the board is, of its readings at rest, and of how blocks are read."""

import asyncio
from itertools import pairwise

from bench.contract.fields import Block, Field
from bench.contract.readings import read_extremes
from bench.contract.table import (
    CONTRACT_MAGIC,
    CONTRACT_MAJOR,
    EXTREMES,
    IDENTITY,
    MAX_CHANNELS,
    SNAPSHOT,
    Capability,
    ChannelState,
    CommandCode,
    Fault,
    Mode,
)
from bench.errors import LinkError, NotOurBoard
from bench.link.conformance.check import Unmet, require
from bench.link.conformance.rig import Rig, head_of

CLOCK_RUNS_S = 1.0
CLOCK_ERROR = 0.02
NOWHERE = Block("nowhere", 99, 50, header=(Field("nothing", "u16", "1", 1, "Not a register of any board."),))
PLAUSIBLE = {"supply_v": (0.0, 36.0), "board_c": (-40.0, 125.0), "ambient_c": (-40.0, 85.0)}
OFF = (ChannelState.OFF, ChannelState.HELD_OFF)
_PARTS = (
    (Capability.PROBE, "probe_ohm", 100.0, 10_000.0),
    (Capability.COLD_PULSE, "pulse_ohm", 1.0, 100.0),
    (Capability.REFERENCE_RESISTOR, "reference_ohm", 0.1, 65.0),
    (Capability.CURRENT_LIMIT, "largest_current_a", 1.0, 65.0),
    (Capability.CAPTURE, "capture_rate_hz", 100, 65_535),
    (Capability.CAPTURE, "capture_samples", 2, 4096),
    (Capability.AIR, "valves", 1, 4),
    (Capability.AIR, "air_inputs", 1, 6),
)


async def whose(rig: Rig) -> str:
    """Magic, version, channels."""
    magic, major, minor, channels = await rig.link.read(head_of(IDENTITY, 4))
    require(magic == CONTRACT_MAGIC, f"magic is {magic:#06x}")
    require(major == CONTRACT_MAJOR, f"contract {major}.{minor}")
    require(1 <= channels <= MAX_CHANNELS, f"{channels} channels")
    return f"contract {major}.{minor}, {channels} channels"


async def parts(rig: Rig) -> str:
    """What a capability is worth without its part."""
    identity = rig.identity
    for capability, name, low, high in _PARTS:
        value = getattr(identity, name)
        require(not rig.can(capability) or low <= value <= high, f"{capability.name} with {name} {value:g}")
    require(identity.event_depth >= 14, f"an event FIFO of {identity.event_depth}")
    require(bool(identity.serial and identity.firmware), "serial or firmware is empty")
    errors = (identity.current_gain_error, identity.voltage_gain_error)
    require(all(0 < error < 0.2 for error in errors), f"gain errors {errors}")
    return f"{identity.serial}, {identity.firmware}"


async def constant(rig: Rig) -> str:
    """The identity is the same each time."""
    first, second = await rig.identify(), await rig.identify()
    require(first == second == rig.identity, "it changed between reads")
    return "three reads alike"


async def latching(rig: Rig) -> str:
    """Each read of the snapshot is a new one."""
    seen = [await rig.snapshot() for _ in range(5)]
    steps = [(after.sequence - before.sequence) & 0xFFFF for before, after in pairwise(seen)]
    require(steps == [1] * 4, f"sequence went on by {steps}")
    clocks = [each.uptime_us for each in seen]
    require(clocks == sorted(clocks), f"uptime went back: {clocks}")
    return f"sequence {seen[0].sequence}..{seen[-1].sequence}"


async def clock(rig: Rig) -> str:
    """Uptime counts microseconds."""
    loop = asyncio.get_running_loop()
    before, begun_s = await rig.snapshot(), loop.time()
    await asyncio.sleep(CLOCK_RUNS_S)
    after, ended_s = await rig.snapshot(), loop.time()
    rate = (after.uptime_s - before.uptime_s) / (ended_s - begun_s)
    require(abs(rate - 1) <= CLOCK_ERROR, f"{rate:.3f} board seconds in a second")
    return f"{rate:.4f} board seconds in a second"


async def readings_at_rest(rig: Rig) -> str:
    """Nothing is on and what is measured is possible."""
    seen = await rig.snapshot()
    for name, (low, high) in PLAUSIBLE.items():
        value = getattr(seen, name)
        require(low <= value <= high, f"{name} is {value:g}")
    states = {channel.state.name for channel in seen.channels if channel.state not in OFF}
    require(not states, f"channels are {', '.join(sorted(states))}")
    limit_a = max(4 * rig.identity.current_offset_error_a, 0.02)
    worst = max((abs(channel.current_a) for channel in seen.channels), default=0.0)
    require(worst <= limit_a, f"{worst:.3f} A with everything off, more than four times the offset it states")
    return f"supply {seen.supply_v:.2f} V, {worst * 1000:.0f} mA at most"


async def extremes(rig: Rig) -> str:
    """Lowest is not above highest."""
    rows = read_extremes(await rig.link.read(EXTREMES, rig.channels), rig.channels)
    bad = [n for n, row in enumerate(rows, 1) if row.lowest_v > row.highest_v or row.lowest_a > row.highest_a]
    require(not bad, f"lowest above highest on channels {bad}")
    return f"{len(rows)} rows"


async def nowhere(rig: Rig) -> str:
    """No register stands between the blocks."""
    try:
        values = await rig.link.read(NOWHERE)
    except NotOurBoard:
        return "register 50: illegal address"
    except LinkError as error:
        raise Unmet(f"register 50: {error}") from error
    raise Unmet(f"register 50 is there and reads {values}")


async def head_alone(rig: Rig) -> str:
    """The beginning of a block may be read alone."""
    sequence, *_ = await rig.link.read(head_of(SNAPSHOT, 2))
    after = await rig.snapshot()
    require(after.sequence == (sequence + 1) & 0xFFFF, f"a short read had {sequence}, the next {after.sequence}")
    return f"sequence {sequence}, then {after.sequence}"


async def self_test(rig: Rig) -> str:
    """SELF_TEST passes with everything off."""
    await rig.must(CommandCode.SELF_TEST)
    seen = await rig.wait(0.02)
    require(Fault.SELF_TEST not in seen.faults | seen.causes, "SELF_TEST is latched")
    require(Mode.ARMED not in seen.mode, "it armed the board")
    return "passed"

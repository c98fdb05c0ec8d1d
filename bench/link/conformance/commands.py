"""Checks of commands and settings with nothing fed: who may, in which order refusals come, what is kept."""

from bench.contract.table import (
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CHANNEL_SETTINGS,
    Capability,
    CommandCode,
    Fault,
    Mode,
    Refusal,
)
from bench.link.conformance.check import require
from bench.link.conformance.rig import KEY, OTHER_KEY, Rig

C, R = CommandCode, Refusal
NEEDS: dict[Capability, tuple[CommandCode, tuple[int, ...]]] = {
    Capability.PROBE: (C.PROBE, (1, 5)),
    Capability.COLD_PULSE: (C.PULSE, (1, 3)),
    Capability.WIGGLE_MONITOR: (C.WIGGLE, (1,)),
    Capability.CAPTURE: (C.CAPTURE, (1, 1000, 100)),
    Capability.RETURN_SWITCHES: (C.RETURNS, (3,)),
    Capability.REFERENCE_RESISTOR: (C.REFERENCE, (1,)),
    Capability.AIR: (C.VALVE, (0, 1, 100)),
    Capability.REGULATOR: (C.REGULATE, (0, 1000)),
}


async def claiming(rig: Rig) -> str:
    """One controller at a time, and SAFE for anyone."""
    await rig.refused(R.HELD_BY_ANOTHER, C.CLAIM, key=OTHER_KEY)
    await rig.refused(R.HELD_BY_ANOTHER, C.KICK, key=OTHER_KEY)
    require(not await rig.command(C.SAFE, key=OTHER_KEY), "SAFE was refused to a stranger")
    require(not await rig.command(C.CLAIM, key=KEY), "the same key could not claim again")
    await rig.must(C.RELEASE)
    await rig.refused(R.NOT_CLAIMED, C.KICK)
    seen = await rig.snapshot()
    require(not seen.mode & (Mode.CLAIMED | Mode.WATCHDOG_RUNNING), f"after RELEASE the mode is {seen.mode!r}")
    return "another key: HELD_BY_ANOTHER, SAFE carried out; after RELEASE: NOT_CLAIMED"


async def key_zero(rig: Rig) -> str:
    """Key 0 is nobody's."""
    return await rig.refused(R.BAD_VALUE, C.CLAIM, key=0)


async def sequence_zero(rig: Rig) -> str:
    """Sequence 0 is no sequence."""
    refusal = await rig.command(C.KICK, sequence=0)
    require(refusal is R.BAD_VALUE, f"KICK with sequence 0: {refusal.name}")
    return "BAD_VALUE"


async def once(rig: Rig) -> str:
    """The same command written again is not carried out again."""
    number = rig.next_sequence()
    require(not await rig.command(C.RELEASE, sequence=number), "RELEASE was refused")
    again = await rig.command(C.RELEASE, sequence=number)
    require(not again, f"the same RELEASE again: {again.name}, as if it were a new one")
    await rig.refused(R.NOT_CLAIMED, C.RELEASE)
    return "again: the first answer; under a new sequence: NOT_CLAIMED"


async def noted(rig: Rig) -> str:
    """The snapshot says what became of the last command."""
    number = rig.next_sequence()
    await rig.command(C.CLEAR, int(Fault.BOARD_HOT), sequence=number)
    seen = await rig.snapshot()
    noted_as = (seen.command_sequence, seen.command_result)
    require(noted_as == (number, R.FAULT_UNREAD), f"sequence and result are {noted_as}, not {(number, 14)}")
    return f"sequence {number}, result FAULT_UNREAD"


async def ranges(rig: Rig) -> str:
    """Arguments out of range."""
    beyond = rig.channels + 1
    for command in ((C.DRIVE, 0, 1000), (C.DRIVE, beyond, 1000), (C.DRIVE, 1, 0), (C.DRIVE, 1, 1001)):
        await rig.refused(R.BAD_VALUE, *command)
    if beyond <= 16:
        await rig.refused(R.BAD_VALUE, C.PROBE, beyond, 5)
    return "DRIVE of channel 0, of one too many, at level 0 and 1001: BAD_VALUE"


async def unknown_command(rig: Rig) -> str:
    """Code 99."""
    refusal = await rig.command(99)  # type: ignore[arg-type]  # no command has this code: that is the point
    require(refusal is R.UNKNOWN_COMMAND, f"code 99: {refusal.name}")
    return "UNKNOWN_COMMAND"


async def order(rig: Rig) -> str:
    """The first thing that is missing is the reason."""
    await rig.must(C.RELEASE)
    await rig.must(C.CLAIM)
    drive = (C.DRIVE, 1, 1000)
    no_watchdog = await rig.refused(R.NO_WATCHDOG, *drive)
    await rig.refused(R.NO_WATCHDOG, C.ARM)
    await rig.must(C.KICK)
    not_armed = await rig.refused(R.NOT_ARMED, *drive)
    await rig.set_channel(1, limit=0)
    await rig.must(C.ARM)
    no_limits = await rig.refused(R.NO_LIMITS, *drive)
    return "; ".join((no_watchdog, not_armed, no_limits))


async def incapable(rig: Rig) -> str:
    """What the board lacks it refuses with NOT_CAPABLE."""
    lacking = [command for capability, command in NEEDS.items() if not rig.can(capability)]
    await rig.must(C.ARM)
    for code, arguments in lacking:
        await rig.refused(R.NOT_CAPABLE, code, *arguments)
    return f"NOT_CAPABLE: {', '.join(code.name for code, _ in lacking) or 'nothing is lacking'}"


async def board_settings(rig: Rig) -> str:
    """Ranges of the board's settings; a bad write keeps the old ones."""
    require(not await rig.set_board(watchdog_time=50), "a watchdog of 50 ms was refused")
    require(not await rig.set_board(watchdog_time=1234), "a watchdog of 1234 ms was refused")
    kept = await rig.link.read(BOARD_SETTINGS)
    for changed in ({"watchdog_time": 49}, {"watchdog_time": 2001}, {"supply_nominal": 13_000}):
        refusal = await rig.set_board(**changed)
        require(refusal is R.BAD_VALUE, f"{changed}: {refusal.name}")
    require(await rig.link.read(BOARD_SETTINGS) == kept, "a refused write changed the settings")
    return "50..2000 ms, 12 or 24 V; bad ones: BAD_VALUE, the old ones stay"


async def channel_settings(rig: Rig) -> str:
    """Ranges of a channel's settings, and that values must go together."""
    largest = round(rig.identity.largest_current_a * 1000)
    require(not await rig.set_channel(1), "the standard settings were refused")
    kept = await rig.link.read(CHANNEL_SETTINGS)
    bad = (
        {"limit": largest + 1}, {"start_limit": 999}, {"start_limit": min(15_001, largest + 1)}, {"start_time": 0},
        {"limit_time": 0}, {"energy": 0}, {"retries": 1, "retry_pause": 99}, {"rms_limit": 0},
        {"wiggle_limit": 999}, {"wiggle_time": 21}, {"wiggle_period": 9}, {"rms_limit": 1000},
    )  # fmt: skip
    for changed in bad:
        refusal = await rig.set_channel(1, **changed)
        require(refusal is R.BAD_VALUE, f"{changed}: {refusal.name}")
    require(await rig.link.read(CHANNEL_SETTINGS) == kept, "a refused write changed the settings")
    require(not await rig.set_channel(1, limit=0), "taking the settings away was refused")
    return f"{len(bad)} bad writes: BAD_VALUE, the old settings stay"


async def arming(rig: Rig) -> str:
    """ARM, SAFE and what the mode says."""
    before = await rig.snapshot()
    await rig.must(C.ARM)
    armed = await rig.snapshot()
    await rig.must(C.SAFE)
    safe = await rig.snapshot()
    states = [bool(seen.mode & Mode.ARMED) for seen in (before, armed, safe)]
    require(states == [False, True, False], f"armed before, after ARM, after SAFE: {states}")
    require(Mode.CLAIMED in safe.mode and Mode.WATCHDOG_RUNNING in safe.mode, "SAFE took the claim or the watchdog")
    return "armed by ARM, disarmed by SAFE; claim and watchdog stay"


async def calibration(rig: Rig) -> str:
    """Corrections can be read, and are written only while disarmed."""
    common, channel = await rig.link.read(CALIBRATION_COMMON), await rig.link.read(CALIBRATION)
    await rig.must(C.ARM)
    refusal = await rig.set(CALIBRATION, CALIBRATION.unpack(channel))
    await rig.must(C.SAFE)
    require(refusal is R.OUTPUT_ON, f"written while armed: {refusal.name}")
    refusal = await rig.set(CALIBRATION_COMMON, (*CALIBRATION_COMMON.unpack(common)[:-1], "no date"))
    require(refusal is R.BAD_VALUE, f"a date that is none: {refusal.name}")
    require(not await rig.set(CALIBRATION, CALIBRATION.unpack(channel)), "the same corrections were refused")
    return "armed: OUTPUT_ON; no date: BAD_VALUE"

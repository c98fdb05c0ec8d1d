"""Checks of the watchdog, of faults, of events, and of a restart, with nothing fed."""

import asyncio

from bench.contract.readings import Snapshot
from bench.contract.table import (
    BOARD_SETTINGS,
    CommandCode,
    EventKind,
    Fault,
    Mode,
    Refusal,
)
from bench.errors import LinkError
from bench.link.conformance.check import Unmet, Untestable, require
from bench.link.conformance.rig import KEY, OTHER_KEY, Rig, fault_set, the

C, R = CommandCode, Refusal
WATCHDOG_MS = 200
SLACK_US = 1000  # one tick
FIFO_ROUNDS = 400
LONGEST_RESTART_S, RESTART_LOOK_S = 10.0, 0.05


async def watchdog(rig: Rig) -> str:
    """Silence ends at the time set."""
    require(not await rig.set_board(watchdog_time=WATCHDOG_MS), f"{WATCHDOG_MS} ms was refused")
    await rig.must(C.ARM)
    before = await rig.snapshot()
    await rig.must(C.KICK)
    after = await rig.snapshot()
    silent = await rig.wait(2 * WATCHDOG_MS / 1000, kicking=False)
    require(Fault.HOST_SILENT in silent.faults, f"faults are {silent.faults!r}")
    require(not silent.mode & (Mode.ARMED | Mode.WATCHDOG_RUNNING), f"the mode is {silent.mode!r}")
    event = fault_set((await rig.page()).events, Fault.HOST_SILENT)
    due_us = (before.uptime_us + WATCHDOG_MS * 1000, after.uptime_us + WATCHDOG_MS * 1000)
    late_us = max(event.uptime_us - due_us[1], due_us[0] - event.uptime_us)
    require(late_us <= SLACK_US, f"{late_us / 1000:.1f} ms off")
    await rig.must(C.CLAIM)
    return f"{WATCHDOG_MS} ms, to {(due_us[1] - due_us[0]) / 1000:.1f} ms of what could be seen"


async def silence_frees(rig: Rig) -> str:
    """A silent controller loses the board to the next."""
    require(not await rig.set_board(watchdog_time=WATCHDOG_MS), f"{WATCHDOG_MS} ms was refused")
    await rig.must(C.KICK)
    await rig.wait(2 * WATCHDOG_MS / 1000, kicking=False)
    refusal = await rig.command(C.CLAIM, key=OTHER_KEY)
    require(not refusal, f"CLAIM with another key: {refusal.name}")
    await rig.command(C.RELEASE, key=OTHER_KEY)
    return "another key could claim"


async def reads_do_not_feed(rig: Rig) -> str:
    """Only KICK feeds the watchdog."""
    require(not await rig.set_board(watchdog_time=WATCHDOG_MS), f"{WATCHDOG_MS} ms was refused")
    await rig.must(C.KICK)
    for _ in range(8):
        await rig.wait(WATCHDOG_MS / 4000, kicking=False)
        await rig.command(C.EXTREMES)
    seen = await rig.snapshot()
    require(Fault.HOST_SILENT in seen.faults, "reads and other commands kept the watchdog fed")
    return "HOST_SILENT in spite of reads and EXTREMES"


async def clearing(rig: Rig) -> str:
    """CLEAR takes what was read and is over."""
    require(not await rig.set_board(watchdog_time=WATCHDOG_MS), f"{WATCHDOG_MS} ms was refused")
    await rig.must(C.KICK)
    await rig.wait(2 * WATCHDOG_MS / 1000, kicking=False)
    await rig.snapshot()
    await rig.refused(R.CAUSE_PRESENT, C.CLEAR, int(Fault.HOST_SILENT))
    await rig.must(C.KICK)
    await rig.refused(R.FAULT_LATCHED, C.ARM)
    await rig.refused(R.FAULT_UNREAD, C.CLEAR, int(Fault.HOST_SILENT | Fault.BOARD_HOT))
    await rig.must(C.CLEAR, int(Fault.HOST_SILENT))
    await rig.must(C.ARM)
    the(await rig.events(), EventKind.FAULT_CLEARED, value=int(Fault.HOST_SILENT))
    return "silent: CAUSE_PRESENT; fed: FAULT_LATCHED until CLEAR; one too many: FAULT_UNREAD"


async def events_stay(rig: Rig) -> str:
    """Reading forgets nothing, acknowledging does."""
    await rig.must(C.ARM)
    await rig.must(C.SAFE)
    first, again = await rig.page(), await rig.page()
    require(first.events == again.events, "reading twice gave other events")
    armed = the(first.events, EventKind.ARMED)
    the(first.events, EventKind.DISARMED)
    positions = [event.position for event in first.events]
    require(positions == list(range(positions[0], positions[0] + len(positions))), f"positions {positions}")
    head = (await rig.snapshot()).events_head
    await rig.refused(R.BAD_VALUE, C.ACKNOWLEDGE, head + 1)
    await rig.must(C.ACKNOWLEDGE, armed.position + 1)
    left = (await rig.page()).events
    require(all(event.position > armed.position for event in left), "an acknowledged event is still there")
    await rig.must(C.ACKNOWLEDGE, armed.position)
    return f"events {positions[0]}..{positions[-1]}, head {head}"


async def overflow(rig: Rig) -> str:
    """A full FIFO drops the oldest and counts it."""
    depth, before = rig.identity.event_depth, await rig.page()
    if depth > 2 * FIFO_ROUNDS:
        raise Untestable(f"a FIFO of {depth} takes too long to fill")
    for _ in range(depth // 2 + 4):
        await rig.must(C.ARM)
        await rig.must(C.SAFE)
        await rig.must(C.KICK)
    page, head = await rig.page(), (await rig.snapshot()).events_head
    lost = page.lost - before.lost
    require(lost > 0, f"{depth + 8} events into a FIFO of {depth}, and none is lost")
    require(page.events[0].position == head - depth, f"oldest {page.events[0].position}, head {head}, depth {depth}")
    return f"{lost} lost, the newest {depth} are there"


async def restarting(rig: Rig) -> str:
    """A restart comes up safe, disarmed, without settings, and says so."""
    await rig.must(C.ARM)
    before = await rig.snapshot()
    await _restart(rig)
    seen = await _started_anew(rig, before)
    require((seen.boots - before.boots) & 0xFFFF == 1, f"boots went from {before.boots} to {seen.boots}")
    require(Fault.RESTARTED in seen.faults, f"faults are {seen.faults!r}")
    require(not seen.mode & (Mode.ARMED | Mode.CLAIMED | Mode.WATCHDOG_RUNNING), f"the mode is {seen.mode!r}")
    kept = BOARD_SETTINGS.unpack(await rig.link.read(BOARD_SETTINGS))
    require(kept[-1] == 0, f"the settings are still there: {kept}")
    the((await rig.page()).events, EventKind.RESTARTED, value=seen.boots)
    return f"boots {seen.boots}, RESTARTED latched, settings and claim gone"


async def _restart(rig: Rig) -> None:
    """Once: a board that has started anew knows nothing of the command any more."""
    try:
        refusal = await rig.link.command(rig.next_sequence(), KEY, C.RESTART, ())
    except LinkError:
        return
    require(not refusal, f"RESTART was refused: {refusal.name}")


async def _started_anew(rig: Rig, before: Snapshot) -> Snapshot:
    """The first snapshot of the next start; a board that restarts may answer nothing for a while."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + LONGEST_RESTART_S
    while loop.time() < end_s:
        await asyncio.sleep(RESTART_LOOK_S)
        try:
            seen = await rig.snapshot()
        except LinkError:
            continue
        if seen.boots != before.boots or seen.uptime_us < before.uptime_us:
            return seen
    raise Unmet(f"no new start within {LONGEST_RESTART_S:g} s")

"""The steps between meeting a board and arming it."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from bench.contract.readings import Event, Identity, Snapshot
from bench.contract.table import DEFAULT_WATCHDOG_S, WATCHDOG_RANGE_S, Capability, Fault, Refusal
from bench.errors import BenchError, BoardFault, BoardHeld, BoardRefused, LinkError, PermitDenied
from bench.safety.permit import names, supply_mismatch
from bench.safety.port import BoardPort
from bench.safety.setup import Setup
from bench.safety.way_out import OFF_WITHIN_S, finish, reason

PRESSURE_CEILING_PA = 1_034_000.0  # 150 psi, the least full scale of the contract's pressure inputs
HOW_IT_ENDED = Fault.RESTARTED | Fault.HOST_SILENT  # how the last session ended, not what is wrong now
EXCHANGES_PER_WATCHDOG = 10  # and so that a snapshot that waits for another exchange is not stale yet
HICCUP_S = 0.3  # a busy computer may stand still for so long


def watchdog_for(exchange_s: float, board_s_per_s: float) -> float:
    """Watchdog time for a link on which the longest exchange takes ``exchange_s``.

    ``board_s_per_s`` is 1 but for a simulated board that lives faster; then a hiccup of this
    computer is longer for the board.

    Raises:
        LinkError: no time that the contract allows is long enough.
    """
    wanted_s = EXCHANGES_PER_WATCHDOG * exchange_s * board_s_per_s
    if wanted_s > WATCHDOG_RANGE_S[1]:
        raise LinkError(
            f"one exchange takes {exchange_s * 1000:.0f} ms: too slow to keep the board's watchdog fed; "
            "use a higher baud rate or a better cable"
        )
    return min(max(DEFAULT_WATCHDOG_S, wanted_s, HICCUP_S * board_s_per_s), WATCHDOG_RANGE_S[1])


def check_faults(snapshot: Snapshot, acknowledged: Fault) -> None:
    """Refuse a board with something wrong.

    Raises:
        BoardFault: the cause is there now.
        PermitDenied: a fault is over but nobody has acknowledged it.
    """
    if present := snapshot.causes & ~HOW_IT_ENDED:
        raise BoardFault(present)
    if over := snapshot.faults & ~(HOW_IT_ENDED | acknowledged):
        raise PermitDenied(
            f"the board still holds a fault that is over: {names(over)}; find out why, then acknowledge it"
        )


def check_supply(snapshot: Snapshot, setup: Setup) -> None:
    """Refuse a supply that the profile is not made for.

    Raises:
        PermitDenied: 24 V on a 12 V harness, or the other way round, or far too low.
    """
    if why := supply_mismatch(snapshot.supply_v, setup.nominal_v):
        raise PermitDenied(f"{why}: choose the right profile or supply")


def check_fuses(identity: Identity, setup: Setup) -> None:
    """Refuse a board whose fuses are all there is between a short and wires that bear less.

    Raises:
        PermitDenied: a fuse is larger than the profile's limit.
    """
    fused = identity.capabilities & (Capability.FIXED_FUSE | Capability.CURRENT_LIMIT) == Capability.FIXED_FUSE
    if fused and identity.largest_current_a > setup.protection.limit_a:
        raise PermitDenied(
            f"the board's fuses are {identity.largest_current_a:g} A, but the profile allows its wires "
            f"{setup.protection.limit_a:g} A: fit smaller fuses, and say so in the board map"
        )


@asynccontextmanager
async def claimed(
    board: BoardPort, notice: Callable[[str], None], is_lost: Callable[[], bool] = lambda: False
) -> AsyncIterator[None]:
    """Hold the board's claim.

    Args:
        board: opened.
        notice: is told when the claim could not be given back.
        is_lost: whether the board is known to be out of reach, so that giving back is not even tried.

    Raises:
        BoardHeld: another controller does.
    """
    try:
        await board.claim()
    except BoardRefused as refused:
        if refused.reason is not Refusal.HELD_BY_ANOTHER:
            raise
        raise BoardHeld(
            "another controller holds this board: stop it or wait until its watchdog has run out"
        ) from refused
    except BaseException:
        await finish(_release(board, notice))  # it may have been carried out all the same
        raise
    try:
        yield
    finally:
        if not is_lost():
            await finish(_release(board, notice))


async def _release(board: BoardPort, notice: Callable[[str], None]) -> None:
    try:
        async with asyncio.timeout(OFF_WITHIN_S):
            await board.release()
    except (BenchError, TimeoutError) as error:
        notice(f"the claim was not given back ({reason(error)}); it ends with the board's watchdog")


async def prepare(
    board: BoardPort, identity: Identity, setup: Setup, notice: Callable[[str], None]
) -> tuple[Event, ...]:
    """Clear what the last session left, write each channel's settings.

    Returns:
        The events that nobody had read.
    """
    seen = await board.snapshot()
    silent = Fault.HOST_SILENT in seen.causes  # a session died here: its watchdog stays hungry until it is fed
    if silent:
        await board.kick()
    if seen.faults:
        await board.clear(seen.faults)
        notice(f"the board reported {names(seen.faults)}: read and cleared")
    left = [event async for event in _left(board)]
    for channel in sorted(setup.circuits):
        if channel <= identity.channels:
            if silent:
                await board.kick()
            await board.set_channel(channel, setup.protection)
    return tuple(left)


async def _left(board: BoardPort) -> AsyncIterator[Event]:
    while events := (await board.events()).events:
        for event in events:
            yield event

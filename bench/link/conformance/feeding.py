"""Checks with a dummy load: resistances, soft-start, trips, captures, and everything off in time."""

from bench.contract.readings import Event, Snapshot, read_extremes
from bench.contract.table import (
    EXTREMES,
    Capability,
    ChannelState,
    CommandCode,
    EventKind,
    Fault,
    Mode,
    Refusal,
    Return,
    TripReason,
)
from bench.link.conformance.check import Untestable, require
from bench.link.conformance.rig import BUDGET_MINUTE_S, FULL_LEVEL, OTHER_KEY, Rig, fault_set, the

C, R, S = CommandCode, Refusal, ChannelState
PROBE_MS, PULSE_MS = 5, 4
TICK_US = 1000
SIGMAS = 4.0
CAPTURE_HZ, CAPTURE_MS = 1000, 100
LEAST_LIMIT_MA = 1000
LIMIT_TIME_MS = 100
WATCHDOG_MS = 200
OFF = (S.OFF, S.HELD_OFF)
OVERSHOOT = 1.2  # of a limit, in a sample of the capture: limits within 3 %, gains within a few, and settling
PROBE_OHM_ERROR = 0.01  # of probe and pulse resistor, the contract's 1 % and 2 %


def _divided_ohm(shot: Snapshot, channel: int, through_ohm: float) -> float:
    """Resistance on a pin that is fed through a known one."""
    pin_v = shot.channel(channel).voltage_v
    return pin_v * through_ohm / max(shot.supply_v - pin_v, 1e-3)


async def _shoot(rig: Rig, code: CommandCode, channel: int, ticks: int) -> Snapshot:
    before = await rig.snapshot()
    await rig.must(code, channel, ticks)
    seen = await rig.until(lambda seen: seen.shot_sequence != before.shot_sequence, 0.5)
    require(seen is not None, f"{code.name}: no shot within 0.5 s")
    assert seen is not None  # noqa: S101 - said above, for the type checker
    after = await rig.snapshot()
    require(Mode.SHOT_RUNNING not in after.mode, "SHOT_RUNNING is still set")
    require(after.channel(channel).state is S.OFF, f"the channel is {after.channel(channel).state.name} after it")
    return await rig.shot()


async def probing(rig: Rig) -> str:
    """The probe sees the resistor, and opens by itself in time."""
    load, identity = rig.load, rig.identity
    await rig.arm(load.resistor)
    shot = await _shoot(rig, C.PROBE, load.resistor, PROBE_MS)
    ohm = _divided_ohm(shot, load.resistor, identity.probe_ohm)
    current_a = shot.supply_v / (identity.probe_ohm + load.ohm)
    error_ohm = SIGMAS * (identity.voltage_offset_error_v / current_a + load.ohm * (load.ohm_error + PROBE_OHM_ERROR))
    require(abs(ohm - load.ohm) <= error_ohm, f"{ohm:.2f} ohm, not {load.ohm:g} within {error_ohm:.2f}")
    lasted = _lasted_ms(await rig.events(), load.resistor, S.PROBE)
    require(abs(lasted - PROBE_MS) <= 1, f"it lasted {lasted:.1f} ms, not {PROBE_MS}")
    return f"{ohm:.2f} ohm within {error_ohm:.2f}, {lasted:.1f} ms"


async def pulsing(rig: Rig) -> str:
    """The cold pulse sees the resistor more exactly."""
    load, identity = rig.load, rig.identity
    await rig.arm(load.resistor)
    shot = await _shoot(rig, C.PULSE, load.resistor, PULSE_MS)
    ohm = _divided_ohm(shot, load.resistor, identity.pulse_ohm)
    pin_v = max(shot.channel(load.resistor).voltage_v, 0.1)
    relative = 2 * identity.voltage_offset_error_v / pin_v + load.ohm_error + 2 * PROBE_OHM_ERROR
    error_ohm = SIGMAS * load.ohm * relative
    require(abs(ohm - load.ohm) <= error_ohm, f"{ohm:.2f} ohm, not {load.ohm:g} within {error_ohm:.2f}")
    lasted = _lasted_ms(await rig.events(), load.resistor, S.PULSE)
    require(abs(lasted - PULSE_MS) <= 1, f"it lasted {lasted:.1f} ms, not {PULSE_MS}")
    return f"{ohm:.2f} ohm within {error_ohm:.2f}, {lasted:.1f} ms"


def _lasted_ms(events: list[Event], channel: int, state: ChannelState) -> float:
    begun = the(events, EventKind.CHANNEL_STATE, channel, state)
    after = [event for event in events if event.position > begun.position]
    return (the(after, EventKind.CHANNEL_STATE, channel).uptime_us - begun.uptime_us) / 1000


def _expected_a(rig: Rig, seen: Snapshot) -> tuple[float, float]:
    """Current of the resistor from its voltage, and how far a reading may be from it."""
    load, identity = rig.load, rig.identity
    expected_a = seen.channel(load.resistor).voltage_v / load.ohm
    relative = (identity.current_gain_error**2 + identity.voltage_gain_error**2 + load.ohm_error**2) ** 0.5
    return expected_a, SIGMAS * (relative * expected_a + identity.current_offset_error_a)


async def driving(rig: Rig) -> str:
    """Voltage over current is the resistor, within the accuracy that the board states of itself."""
    load = rig.load
    await rig.arm(load.resistor)
    await rig.drive(load.resistor)
    seen = await rig.wait(0.1)
    await rig.refused(R.BUSY, C.PROBE, load.resistor, PROBE_MS)
    await rig.must(C.OFF, 1 << load.resistor - 1)
    channel = seen.channel(load.resistor)
    expected_a, error_a = _expected_a(rig, seen)
    require(channel.state is S.ON, f"the channel is {channel.state.name}")
    require(abs(channel.current_a - expected_a) <= error_a, f"{channel.current_a:.3f} A, not {expected_a:.3f}")
    require(abs(seen.supply_v - channel.voltage_v) < 1.0, f"{seen.supply_v - channel.voltage_v:.2f} V are lost in it")
    return f"{channel.current_a:.3f} A at {channel.voltage_v:.3f} V, expected {expected_a:.3f} within {error_a:.3f}"


async def of_one_instant(rig: Rig) -> str:
    """While a filament heats up, all values of one snapshot are of one instant."""
    load, identity = rig.load, rig.identity
    await rig.arm(load.lamp)
    await rig.drive(load.lamp)
    worst_a, most_a = 0.0, 0.0
    for _ in range(20):
        seen = await rig.snapshot()
        lamp_a, back_a = seen.channel(load.lamp).current_a, seen.return_pin_a + seen.return_chassis_a
        worst_a = max(worst_a, abs(seen.supply_a - lamp_a))
        if rig.can(Capability.RETURN_SWITCHES):
            worst_a = max(worst_a, abs(back_a - lamp_a))
        most_a = max(most_a, lamp_a)
    allowed_a = SIGMAS * (2 * identity.current_gain_error * most_a + 3 * identity.current_offset_error_a)
    require(most_a > 0.1, f"the lamp takes {most_a:.3f} A")
    require(worst_a <= allowed_a, f"lamp, supply and returns are {worst_a:.3f} A apart in one snapshot")
    return f"lamp, supply and returns within {worst_a:.3f} A of each other, up to {most_a:.2f} A"


async def soft_start(rig: Rig) -> str:
    """A cold filament is held at the first plateau, then at the limit."""
    load = rig.load
    await rig.arm(load.lamp)
    require(not await rig.set_channel(load.lamp, start_limit=2000, start_time=20), "settings were refused")
    await rig.must(C.CAPTURE, load.lamp, CAPTURE_HZ, CAPTURE_MS)
    await rig.drive(load.lamp)
    require(await rig.until(lambda seen: Mode.CAPTURE_DONE in seen.mode, 1.0) is not None, "the capture never ends")
    dt_s, started_us, samples = await rig.capture()
    ramp = the(await rig.events(), EventKind.CHANNEL_STATE, load.lamp, S.RAMP)
    require(abs(started_us - ramp.uptime_us) <= TICK_US, f"the capture began {started_us - ramp.uptime_us} us off")
    require(len(samples) == CAPTURE_MS, f"{len(samples)} samples, not {CAPTURE_MS}")
    plateau = [amps for amps, _ in samples[1 : round(0.018 / dt_s)]]
    require(max(plateau) <= 2.0 * OVERSHOOT, f"{max(plateau):.2f} A within the first 18 ms, the limit was 2 A")
    later = max(amps for amps, _ in samples)
    return f"{max(plateau):.2f} A at most in the plateau of 2 A, then {later:.2f} A; sample 0 at the switch-on"


def _limit_ma(rig: Rig, seen: Snapshot) -> int:
    """A limit that the resistor reaches."""
    would_ma = 1000 * seen.supply_v / rig.load.ohm
    if would_ma < 1.1 * LEAST_LIMIT_MA:
        raise Untestable(f"{rig.load.ohm:g} ohm take {would_ma:.0f} mA: no limit of 1 A or more is reached")
    return LEAST_LIMIT_MA


async def _tripped(rig: Rig, channel: int, within_s: float, **changed: int) -> tuple[list[Event], Snapshot]:
    limit_ma = _limit_ma(rig, await rig.snapshot())
    await rig.arm(channel)
    settings = {"start_limit": limit_ma, "start_time": 1, "limit": limit_ma, "wiggle_limit": 0, "wiggle_time": 0}
    refusal = await rig.set_channel(channel, **settings | {"wiggle_period": 0} | changed)
    require(not refusal, f"the settings were refused: {refusal.name}")
    await rig.drive(channel)
    seen = await rig.until(lambda seen: seen.channel(channel).state is S.TRIPPED, within_s)
    require(seen is not None, f"no trip within {within_s:g} s")
    return await rig.events(), await rig.snapshot()


def _trip(events: list[Event], channel: int, reason: TripReason) -> float:
    """Milliseconds from the switch-on to a trip, which must be for one reason."""
    ramp = the(events, EventKind.CHANNEL_STATE, channel, S.RAMP)
    trip = the(events, EventKind.TRIP, channel)
    require(trip.value == reason, f"it tripped with reason {trip.value}, not {reason.value} ({reason.name})")
    return (trip.uptime_us - ramp.uptime_us) / 1000


async def overload(rig: Rig) -> str:
    """At the limit for limit_time: LIMIT_TIME, latched until OFF."""
    channel = rig.load.resistor
    events, seen = await _tripped(rig, channel, 1.0, limit_time=LIMIT_TIME_MS)
    after_ms = _trip(events, channel, TripReason.LIMIT_TIME)
    require(abs(after_ms - LIMIT_TIME_MS) <= 3, f"tripped after {after_ms:.1f} ms, not {LIMIT_TIME_MS}")
    require(seen.channel(channel).trips == 1, f"trips says {seen.channel(channel).trips}")
    await rig.refused(R.CHANNEL_TRIPPED, C.DRIVE, channel, FULL_LEVEL)
    await rig.must(C.OFF, 1 << channel - 1)
    cleared = (await rig.snapshot()).channel(channel)
    require((cleared.state, cleared.trips) == (S.OFF, 0), f"after OFF: {cleared.state.name}, trips {cleared.trips}")
    return f"LIMIT_TIME after {after_ms:.1f} ms; CHANNEL_TRIPPED until OFF"


async def energy(rig: Rig) -> str:
    """The energy of a try: ENERGY at 1 A after 50 ms for 0.05 A2s."""
    events, _ = await _tripped(rig, rig.load.resistor, 1.0, energy=5, limit_time=1000)
    after_ms = _trip(events, rig.load.resistor, TripReason.ENERGY)
    require(45 <= after_ms <= 56, f"tripped after {after_ms:.1f} ms, not 50")
    return f"ENERGY after {after_ms:.1f} ms"


async def rolling_rms(rig: Rig) -> str:
    """The rolling minute: RMS when the sum of I2t reaches rms_limit2 times 60 s."""
    load = rig.load
    rms_ma = 200
    seen = await rig.snapshot()
    due_ms = 60 * rms_ma**2 / (1000 * seen.supply_v / load.ohm) ** 2 * 1000
    limit_ma = round(2000 * seen.supply_v / load.ohm) + LEAST_LIMIT_MA
    events, _ = await _tripped(
        rig, load.resistor, due_ms / 1000 + 2.0, limit=limit_ma, start_limit=limit_ma, rms_limit=rms_ma
    )
    after_ms = _trip(events, load.resistor, TripReason.RMS)
    # What earlier checks put into the same minute counts, too.
    require(0.3 * due_ms <= after_ms <= 1.1 * due_ms, f"tripped after {after_ms:.0f} ms, not {due_ms:.0f} or less")
    await rig.must(C.OFF, 1 << load.resistor - 1)
    await rig.refused(R.BUDGET_USED, C.DRIVE, load.resistor, FULL_LEVEL)
    return f"RMS after {after_ms:.0f} ms, at most {due_ms:.0f} expected; then BUDGET_USED"


async def retries(rig: Rig) -> str:
    """Retries: each after its pause, then TRIES; with the lamp, because a channel has three full tries a minute."""
    channel = rig.load.lamp
    events, _ = await _tripped(rig, channel, BUDGET_MINUTE_S, limit_time=20, retries=1, retry_pause=150)
    trips = [event for event in events if event.kind is EventKind.TRIP and event.index == channel]
    reasons = [event.value for event in trips]
    wanted = [TripReason.LIMIT_TIME, TripReason.LIMIT_TIME, TripReason.TRIES]
    require(reasons == wanted, f"trips with reasons {reasons}, not {[reason.value for reason in wanted]}")
    retry = the(events, EventKind.CHANNEL_STATE, channel, S.RETRY)
    again = the([e for e in events if e.position > retry.position], EventKind.CHANNEL_STATE, channel, S.RAMP)
    pause_ms = (again.uptime_us - retry.uptime_us) / 1000
    require(abs(pause_ms - 150) <= 1, f"a pause of {pause_ms:.1f} ms, not 150")
    return f"two tries, {pause_ms:.0f} ms apart, then TRIES"


async def silence(rig: Rig) -> str:
    """A silent host turns a channel off within a tick."""
    channel = rig.load.resistor
    await rig.arm(channel)
    require(not await rig.set_board(watchdog_time=WATCHDOG_MS), f"{WATCHDOG_MS} ms was refused")
    await rig.must(C.KICK)
    await rig.drive(channel)
    seen = await rig.wait(2 * WATCHDOG_MS / 1000, kicking=False)
    events = (await rig.page()).events
    delay_us = (
        the(events, EventKind.CHANNEL_STATE, channel, S.HELD_OFF).uptime_us
        - fault_set(events, Fault.HOST_SILENT).uptime_us
    )
    require(0 <= delay_us <= TICK_US, f"off {delay_us / 1000:.1f} ms after the fault")
    require(abs(seen.channel(channel).current_a) < 0.1, f"{seen.channel(channel).current_a:.2f} A still flow")
    require(not rig.can(Capability.RETURN_SWITCHES) or seen.returns is Return.NONE, "the returns are still closed")
    return f"off {delay_us / 1000:.1f} ms after the fault, returns open"


async def under_an_output(rig: Rig) -> str:
    """Settings are not changed under an output, and there is no self test then."""
    channel = rig.load.resistor
    await rig.arm(channel)
    await rig.drive(channel)
    refusals = (await rig.set_channel(channel), await rig.set_board(), await rig.command(C.SELF_TEST))
    require(refusals == (R.OUTPUT_ON, R.OUTPUT_ON, R.BUSY), f"answers were {[each.name for each in refusals]}")
    require(not await rig.command(C.SAFE, key=OTHER_KEY), "SAFE was refused to a stranger")
    seen = await rig.wait(0.02)
    require(seen.channel(channel).state in OFF, f"after SAFE the channel is {seen.channel(channel).state.name}")
    return "settings: OUTPUT_ON, SELF_TEST: BUSY; SAFE turns it off"


async def extremes(rig: Rig) -> str:
    """Extremes hold what happened since they were reset."""
    channel = rig.load.resistor
    await rig.arm(channel)
    await rig.must(C.EXTREMES)
    await rig.drive(channel)
    lit = await rig.wait(0.05)
    await rig.must(C.OFF, 1 << channel - 1)
    await rig.wait(0.02)
    row = read_extremes(await rig.link.read(EXTREMES, rig.channels), rig.channels)[channel - 1]
    lit_v = lit.channel(channel).voltage_v
    require(row.lowest_v < 0.5 < lit_v - 0.5 < row.highest_v, f"{row.lowest_v:.2f}..{row.highest_v:.2f} V")
    return f"{row.lowest_v:.2f}..{row.highest_v:.2f} V, {row.lowest_a:.2f}..{row.highest_a:.2f} A"


async def reference(rig: Rig) -> str:
    """The reference resistor, within the accuracy that the board states."""
    identity = rig.identity
    await rig.arm()
    await rig.must(C.REFERENCE, 1)
    seen = await rig.wait(0.05)
    await rig.must(C.REFERENCE, 0)
    expected_a = seen.supply_v / identity.reference_ohm
    relative = (identity.current_gain_error**2 + identity.voltage_gain_error**2) ** 0.5
    error_a = SIGMAS * (relative * expected_a + identity.current_offset_error_a)
    require(Mode.REFERENCE_ON in seen.mode, "REFERENCE_ON is not set")
    require(abs(seen.reference_a - expected_a) <= error_a, f"{seen.reference_a:.3f} A, not {expected_a:.3f}")
    return f"{seen.reference_a:.3f} A, expected {expected_a:.3f} within {error_a:.3f}"

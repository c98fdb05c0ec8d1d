"""Every fault that can be injected shows where it should, comes and goes when it should, and names its place."""

from collections.abc import Callable
from itertools import pairwise
from random import Random

import pytest

from bench.contract.table import Return
from bench.errors import InputError
from bench.profiles.model import ControlUnit, InjectedFault, InjectedKind, Profile, pin_node
from firmware_sim.plant import build_plant
from firmware_sim.plant.timeline import Timeline
from firmware_sim.port import Truth
from tests.firmware_sim.plant.small import PROBE, drive, hold, load, positions, profile, scenario, settle
from tools.random_harness import random_profile

TRAILER = random_profile(Random(11), lamp_mix="filament")
STOP, LEFT, TAIL, ABS = 3, 2, 5, 6  # board channels
Fault = InjectedFault


def readings(*faults: InjectedFault, feeds: int = STOP, after_s: float = 4.0) -> Truth:
    return settle(scenario(TRAILER, *faults), {feeds: drive(15.0)}, after_s=after_s)


def amps(seen: Truth, channel: int) -> float:
    return seen.pin_a[channel - 1]


def volts(seen: Truth, channel: int) -> float:
    return seen.pin_v[channel - 1]


SOUND = readings()
STOP_WIRE, STOP_DROP, LEFT_WIRE = (
    "nose.stop--mid.stop",
    "rear.stop--rear-left.stop.end",
    "nose.left-turn--mid.left-turn",
)
LEFT_GROUND = "rear-left.wire-end==rear-left.ground"

VISIBLE: dict[str, tuple[list[InjectedFault], int, Callable[[Truth, Truth], bool]]] = {
    "open": ([Fault("open", STOP_WIRE)], STOP, lambda now, _: amps(now, STOP) < 0.01),
    "open in a pin": ([Fault("open", "pin.4")], STOP, lambda now, _: amps(now, STOP) < 0.01),
    "open at a lamp": (
        [Fault("open", "left-stop-lamp")], STOP, lambda now, sound: 0.4 < amps(now, STOP) / amps(sound, STOP) < 0.6,
    ),
    "short-to-ground": ([Fault("short-to-ground", STOP_WIRE)], STOP, lambda now, _: now.limiting[STOP - 1]),
    "overload": ([Fault("overload", STOP_WIRE)], STOP, lambda now, _: now.limiting[STOP - 1] and volts(now, STOP) > 9),
    "overload at a lamp": (
        [Fault("overload", "left-stop-lamp", ohm=6.0)], STOP,
        lambda now, sound: 1.7 < amps(now, STOP) - amps(sound, STOP) < 2.3,
    ),
    "cross-connection": (
        [Fault("cross-connection", STOP_WIRE, other=LEFT_WIRE)], STOP,
        lambda now, sound: abs(volts(now, LEFT) - volts(now, STOP)) < 0.5 and amps(now, STOP) > amps(sound, STOP) + 1,
    ),
    "back-feed": (
        [Fault("back-feed", STOP_WIRE, other=LEFT_WIRE)], STOP,
        lambda now, sound: 0.6 < volts(now, STOP) - volts(now, LEFT) < 1.5 and amps(now, STOP) > amps(sound, STOP) + 1,
    ),
    "high-resistance": (
        [Fault("high-resistance", STOP_WIRE, ohm=1.0)], STOP,
        lambda now, sound: 0.7 < amps(now, STOP) / amps(sound, STOP) < 0.92,
    ),
    "lamp-out": (
        [Fault("lamp-out", "left-stop-lamp")], STOP, lambda now, sound: 0.4 < amps(now, STOP) / amps(sound, STOP) < 0.6,
    ),
    "wrong-load": (
        [Fault("wrong-load", "left-stop-lamp", factor=2.0)], STOP,
        lambda now, sound: 1.3 < amps(now, STOP) / amps(sound, STOP) < 1.6,
    ),
    "ground-open": (
        # the lost ground finds its way through the lamps that share it: back-feed
        [Fault("ground-open", LEFT_GROUND)], STOP,
        lambda now, sound: volts(now, LEFT) > volts(sound, LEFT) + 1 and amps(now, STOP) < 0.9 * amps(sound, STOP),
    ),
    "ground-high-resistance": (
        [Fault("ground-high-resistance", LEFT_GROUND, ohm=0.5)], STOP,
        lambda now, sound: 0.2 < volts(now, LEFT) - volts(sound, LEFT) < 1.2,
    ),
    "short-to-supply": (
        [Fault("short-to-supply", LEFT_WIRE, volts=12.0, ohm=0.05)], STOP, lambda now, _: volts(now, LEFT) > 11,
    ),
    "intermittent": ([Fault("intermittent", STOP_WIRE, chatter_hz=1e-6)], STOP, lambda now, _: amps(now, STOP) < 0.01),
    "intermittent short": (
        [Fault("intermittent", STOP_WIRE, of="short-to-ground", chatter_hz=1e-6)], STOP,
        lambda now, _: now.limiting[STOP - 1],
    ),
    "abs-supply": (
        # constant power: the lower voltage behind the resistance takes more current
        [Fault("abs-supply", "abs-unit", ohm=3.0)], ABS, lambda now, sound: amps(now, ABS) > 1.03 * amps(sound, ABS),
    ),
    "low-supply": ([Fault("low-supply", "supply")], STOP, lambda now, _: now.supply_v < 10.3),
}  # fmt: skip


@pytest.mark.parametrize("case", VISIBLE)
def test_a_fault_shows(case: str) -> None:
    faults, channel, shows = VISIBLE[case]
    sound = SOUND if channel == STOP else readings(feeds=channel)

    assert not shows(sound, sound)
    assert shows(readings(*faults, feeds=channel), sound)


def test_every_kind_of_fault_is_covered_here() -> None:
    kinds = {fault.kind for faults, _, _ in VISIBLE.values() for fault in faults}

    assert kinds | {"abs-lamp", "abs-code", "board-fault"} == set(InjectedKind.__args__)  # type: ignore[attr-defined]


def test_faults_add_up() -> None:
    both = readings(Fault("lamp-out", "left-stop-lamp"), Fault("high-resistance", STOP_WIRE, ohm=2.0))
    out = readings(Fault("lamp-out", "left-stop-lamp"))

    assert amps(both, STOP) < 0.9 * amps(out, STOP)


def test_two_faults_on_one_wire_keep_their_order() -> None:
    """A short behind an open does not show; before it, it does."""
    behind = readings(Fault("open", STOP_WIRE, position=0.3), Fault("short-to-ground", STOP_WIRE, position=0.7))
    before = readings(Fault("open", STOP_WIRE, position=0.7), Fault("short-to-ground", STOP_WIRE, position=0.3))

    assert amps(behind, STOP) < 0.01
    assert before.limiting[STOP - 1]


def test_a_short_is_where_it_is_along_the_wire() -> None:
    """Voltage at the limit tells the resistance to it: proportional to the distance."""
    near, far = (volts(readings(Fault("short-to-ground", STOP_WIRE, position=at)), STOP) for at in (0.1, 0.9))
    wire = next(segment for segment in TRAILER.segments if segment.name == STOP_WIRE)

    assert far - near == pytest.approx(15.0 * 0.8 * wire.resistance_ohm, rel=0.02)


def test_a_fault_begins_and_ends_on_time() -> None:
    plant = build_plant(scenario(TRAILER, Fault("open", STOP_WIRE, at_s=10.0, until_s=12.5)))
    before = hold(plant, positions(TRAILER, {STOP: drive()}), 9.0)

    while plant.quiet_until_s() < 10.0:
        plant.advance(plant.quiet_until_s())
    assert plant.quiet_until_s() == 10.0
    plant.advance(10.0)
    during = plant.truth()
    plant.advance(12.4999)
    late = plant.truth()
    plant.advance(30.0)

    assert amps(before, STOP) > 3
    assert amps(during, STOP) < 0.01
    assert amps(late, STOP) < 0.01
    assert amps(plant.truth(), STOP) == pytest.approx(amps(before, STOP), rel=1e-4)


def test_chatter_is_told_ahead_to_the_last_digit() -> None:
    plant = build_plant(scenario(TRAILER, Fault("intermittent", STOP_WIRE, chatter_hz=3.0, at_s=1.0)))
    plant.switch(positions(TRAILER, {STOP: drive(15.0)}))
    plant.advance(0.999)
    changes = []
    while plant.time_s < 6.0:
        before = amps(plant.truth(), STOP) > 0.5
        plant.advance(max(plant.quiet_until_s(), plant.time_s + 1e-4))
        if (amps(plant.truth(), STOP) > 0.5) != before:
            changes.append(plant.time_s)
    expected = Timeline(1.0, None, 3.0, Random("1 fault 0"))
    times: list[float] = []
    while expected.next_s < 6.0:
        times.append(expected.next_s)
        expected.advance(expected.next_s)

    assert len(changes) > 10
    assert changes == pytest.approx(times[: len(changes)], abs=1.1e-4)


def test_chatter_keeps_its_mean_rate() -> None:
    line = Timeline(0.0, None, 5.0, Random("rate"))
    line.advance(2000.0)

    assert line.begun == pytest.approx(10_000, rel=0.03)


def test_an_intermittent_ground_under_current_is_quiet_between_its_transitions() -> None:
    plant = build_plant(scenario(TRAILER, Fault("intermittent", LEFT_GROUND, of="ground-open", chatter_hz=0.2)))
    plant.switch(positions(TRAILER, {}))
    plant.advance(0.1)

    assert plant.quiet_until_s() == Timeline(0.0, None, 0.2, Random("1 fault 0")).next_s


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("open", "no-such-wire"), "'no-such-wire', which is not one of: .*nose.stop--mid.stop"),
        (Fault("lamp-out", STOP_WIRE), "not one of: .*left-stop-lamp"),
        (Fault("short-to-ground", "nowhere"), "not one of: .*chassis"),
        (Fault("cross-connection", STOP_WIRE), "needs a second place in 'other'"),
        (Fault("cross-connection", STOP_WIRE, other="nowhere"), "'nowhere', which is not one of"),
        (Fault("abs-code", "abs-unit"), "code of digits 1 to 9"),
        (Fault("abs-code", "left-stop-lamp", code="2-3"), "only a control unit blinks codes"),
        (Fault("board-fault", "tired"), "is not one of: emergency-stop, hot"),
        (Fault("board-fault", "stuck-current"), "is not one of"),
        (Fault("intermittent", STOP_WIRE, of="intermittent"), "'of' must name what comes and goes"),
    ],
    ids=str,
)
def test_a_place_that_does_not_exist_is_refused_with_those_that_do(fault: InjectedFault, says: str) -> None:
    with pytest.raises(InputError, match=says):
        build_plant(scenario(TRAILER, fault))


def test_board_faults_reach_the_board_and_not_the_harness() -> None:
    plant = build_plant(
        scenario(
            TRAILER,
            Fault("board-fault", "emergency-stop", at_s=1.0, until_s=2.0),
            Fault("board-fault", "hot", at_s=3.0),
            Fault("board-fault", "restart", at_s=4.0, until_s=4.1),
            Fault("board-fault", "hung", at_s=5.0),
            Fault("board-fault", "stuck-current:3", at_s=6.0),
        )
    )
    seen = []
    for second in range(8):
        plant.advance(second + 0.5)
        seen.append(plant.board_conditions())

    assert [one.emergency_stop for one in seen] == [False, True, False, False, False, False, False, False]
    assert [one.board_c > 90 for one in seen] == [False] * 3 + [True] * 5
    assert [one.restarts for one in seen] == [0, 0, 0, 0, 1, 1, 1, 1]
    assert [one.hung for one in seen] == [False] * 5 + [True] * 3
    assert seen[-1].stuck == {"current:3"}
    assert seen[0].ambient_c == 20.0


# --- the control unit ---

UNIT = ControlUnit(power_w=3.6, lockout_v=8.0, lamp_a=0.1)
BLINK_S, DIGIT_GAP_S, CODE_GAP_S = 0.35, 1.4, 4.0


def abs_profile() -> Profile:
    return profile(loads=[load(UNIT, pin_node(2), pin_node(1), "abs-unit")])


def lamp_changes(*faults: InjectedFault, key_starts: int = 1, for_s: float = 40.0) -> list[tuple[float, bool]]:
    """Times after the last start at which the supply current stepped by the lamp's, and to which state."""
    plant = build_plant(scenario(abs_profile(), *faults))
    for _ in range(key_starts - 1):
        hold(plant, positions(2, {1: drive()}), 0.5)
        hold(plant, positions(2, {}), 0.5)
    start_s = plant.time_s
    plant.switch(positions(2, {1: drive()}))
    changes, lit = [], None
    while plant.time_s < start_s + for_s:
        seen = plant.truth()
        now = seen.pin_a[0] - 3.6 / seen.pin_v[0] > 0.05
        settled = plant.time_s > start_s + 0.3  # after the start burst
        if settled and now != lit:
            changes.append((plant.time_s - start_s, now))
            lit = now
        plant.advance(plant.time_s + 0.02)
    return changes


def test_a_sound_unit_lights_its_lamp_for_a_bulb_check_and_puts_it_out() -> None:
    """The check itself is 49 CFR 571.121 S5.2.3.3; its length is an assumption, no rule sets it."""
    assert lamp_changes() == [(pytest.approx(0.3, abs=0.1), True), (pytest.approx(2.5, abs=0.03), False)]


def test_a_dead_lamp_never_lights() -> None:
    assert [lit for _, lit in lamp_changes(Fault("abs-lamp", "abs-unit"))] == [False]


def test_a_stored_code_keeps_the_lamp_lit() -> None:
    """Lit means fault: NHTSA interpretation 11186 of S5.2.3.3."""
    assert [lit for _, lit in lamp_changes(Fault("abs-code", "abs-unit", code="2-3"))] == [True]


def test_three_quick_starts_make_the_unit_blink_its_code() -> None:
    changes = lamp_changes(Fault("abs-code", "abs-unit", code="2-3"), key_starts=3, for_s=60.0)
    lit_s = [at_s for at_s, lit in changes if lit][:-1]  # the last one stays
    gaps = [after - before for before, after in pairwise(lit_s)]
    groups = [1]
    for gap in gaps:
        if gap > 1.5 * 2 * BLINK_S:
            groups.append(1)
        else:
            groups[-1] += 1

    assert groups == [2, 3] * 3
    assert changes[-1][1]


def test_the_unit_starts_with_a_burst() -> None:
    plant = build_plant(scenario(abs_profile()))
    burst = hold(plant, positions(2, {1: drive()}), 0.1)
    settled = hold(plant, positions(2, {1: drive()}), 4.9)

    assert burst.pin_a[0] - 0.1 == pytest.approx(1.6 * settled.pin_a[0], rel=0.02)


def test_behind_the_probe_the_unit_never_runs_but_its_capacitor_charges() -> None:
    """First-order: V (1 - exp(-t / RC)) with the leak and the pull-down across the capacitor."""
    plant = build_plant(scenario(abs_profile(), supply_ohm=0.0))
    early = hold(plant, positions(2, {1: PROBE}), 0.005)
    across_ohm = 1 / (1 / 20_000 + 1 / 100_000)
    tau_s = 470e-6 / (1 / 1000 + 1 / across_ohm)
    end_v = 12.8 * across_ohm / (1000 + across_ohm)
    later = hold(plant, positions(2, {1: PROBE}), 0.295)

    assert early.pin_v[0] == pytest.approx(end_v * (1 - 2.718281828 ** (-0.005 / tau_s)), rel=0.01)
    assert later.pin_v[0] == pytest.approx(end_v * (1 - 2.718281828 ** (-0.3 / tau_s)), rel=0.005)


def test_held_on_the_probe_the_unit_hiccups_below_its_lock_out() -> None:
    plant = build_plant(scenario(abs_profile()))
    plant.switch(positions(2, {1: PROBE}))
    plant.advance(2.0)
    _, seen_v = plant.advance(4.0, 1, samples=2000)

    assert 8.0 < max(seen_v) < 9.0
    assert min(seen_v) < 7.53


def test_a_starved_unit_starts_over_and_over() -> None:
    """10 ohm cannot carry the burst: P > V^2 / 4R = 4.1 W."""
    plant = build_plant(scenario(abs_profile(), Fault("abs-supply", "abs-unit")))
    plant.switch(positions(2, {1: drive()}))
    plant.advance(1.0)
    seen_a, _ = plant.advance(2.0, 1, samples=1000)

    assert sum(current < 0.05 for current in seen_a) > 500
    assert 3 <= sum(before < 0.3 <= after for before, after in pairwise(seen_a)) <= 12


def test_an_under_voltage_stops_the_unit() -> None:
    what = abs_profile()
    low = settle(scenario(what, supply_v=7.9), {1: drive()})
    enough = settle(scenario(what, supply_v=8.2), {1: drive()})

    assert low.pin_a[0] < 0.001
    assert enough.pin_a[0] > 0.4


def test_returns_open_leaves_the_unit_without_current() -> None:
    seen = settle(scenario(abs_profile()), {1: drive()}, Return.NONE)

    assert abs(seen.pin_a[0]) < 0.001

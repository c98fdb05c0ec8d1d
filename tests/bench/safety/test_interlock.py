"""The interlock's table by cases, and what no sequence of events may ever energise."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI, AirInput, AirSystem
from bench.safety.air_guard import AirGuard, AirTripped
from bench.safety.interlock import (
    MARKS,
    TABLE,
    Acknowledgement,
    AirSeen,
    Pressures,
    Stage,
    State,
    Thresholds,
    denied,
    falls_to,
    fault_of,
    made_safe,
    may_regulate,
)
from bench.virtual_time import run_virtual
from tests.bench.safety.test_permit import CALM

ALL_SAID = Acknowledgement(True, True, True, True)
FULL = Pressures(supply_pa=100 * PA_PER_PSI, service_pa=0.0)
EMPTY = Pressures(supply_pa=0.0, service_pa=0.0)
FILLS = {Valve.SUPPLY_FILL, Valve.SERVICE_FILL}
LIMITS = Thresholds()


def seen(stage: Stage, pressures: Pressures = FULL, *, now_s: float = 100.0, held: float = 0.0, **state) -> AirSeen:
    return AirSeen(State(stage, 90.0, **{"said": ALL_SAID, "said_s": 50.0, **state}), pressures, now_s, held)


ALLOWED = [
    (Stage.ARMED, seen(Stage.SAFE, EMPTY)),
    (Stage.CHARGE, seen(Stage.ARMED, EMPTY)),
    (Stage.HOLD, seen(Stage.CHARGE)),
    (Stage.APPLY, seen(Stage.HOLD)),
    (Stage.APPLIED, seen(Stage.APPLY)),
    (Stage.MEASURED, seen(Stage.APPLY)),
    (Stage.TIMED, seen(Stage.HOLD)),
    (Stage.RELEASE, seen(Stage.APPLIED)),
    (Stage.HOLD, seen(Stage.RELEASE)),
    (Stage.EMERGENCY, seen(Stage.HOLD, springs_s=60.0)),
    (Stage.SAFE, seen(Stage.APPLY)),
]


@pytest.mark.parametrize(("stage", "given_"), ALLOWED, ids=lambda each: str(each) if isinstance(each, Stage) else "")
def test_a_stage_is_entered_when_all_it_wants_is_there(stage: Stage, given_: AirSeen):
    assert denied(stage, given_) is None


REFUSED = [
    (Stage.ARMED, seen(Stage.SAFE, EMPTY, said=replace(ALL_SAID, chocks=False)), "chocked"),
    (Stage.ARMED, seen(Stage.SAFE, EMPTY, said=replace(ALL_SAID, glad_hands=False)), "glad hands"),
    (Stage.ARMED, seen(Stage.SAFE, EMPTY, said=replace(ALL_SAID, clear_applying=False)), "brakes that apply"),
    (Stage.ARMED, seen(Stage.SAFE, EMPTY, said=replace(ALL_SAID, clear_releasing=False)), "brakes that release"),
    (Stage.ARMED, seen(Stage.SAFE, EMPTY, now_s=700.0), "older than 10 min"),
    (Stage.ARMED, seen(Stage.SAFE, FULL), "open to the air"),
    (Stage.ARMED, seen(Stage.SAFE, replace(EMPTY, implausible="input 1 out of range")), "out of range"),
    (Stage.ARMED, seen(Stage.SAFE, Pressures()), "no supply pressure"),
    (Stage.CHARGE, seen(Stage.SAFE, EMPTY), "does not follow"),
    (Stage.CHARGE, seen(Stage.ARMED, EMPTY, held=0.26), "nobody holds"),
    (Stage.CHARGE, seen(Stage.HOLD, Pressures(121 * PA_PER_PSI, 0.0)), "above 120.0 psi"),
    (Stage.APPLY, seen(Stage.HOLD, Pressures(85 * PA_PER_PSI, 0.0)), "more than 85.0 psi"),
    (Stage.APPLY, seen(Stage.HOLD, held=0.26), "nobody holds"),
    (Stage.APPLY, seen(Stage.CHARGE), "does not follow"),
    (Stage.HOLD, seen(Stage.RELEASE, Pressures(90 * PA_PER_PSI, 3 * PA_PER_PSI)), "still holds 3.0 psi"),
    (Stage.EMERGENCY, seen(Stage.HOLD), "springs"),
    (Stage.CHARGE, seen(Stage.HOLD, fault="the link was silent"), "made safe"),
]


@pytest.mark.parametrize(("stage", "given_", "why"), REFUSED)
def test_a_stage_is_refused_with_the_reason(stage: Stage, given_: AirSeen, why: str):
    assert why in (denied(stage, given_) or "")


FAULTS = [
    (seen(Stage.CHARGE, Pressures(136 * PA_PER_PSI, 0.0)), 0.0, "more than 135.0 psi"),
    (seen(Stage.HOLD), 0.3, "silent for 300 ms"),
    (seen(Stage.HOLD, replace(FULL, implausible="unplugged")), 0.0, "unplugged"),
    (seen(Stage.HOLD, replace(FULL, supply_rate=0.6 * PA_PER_PSI)), 0.0, "rises with its valve shut"),
    (seen(Stage.APPLIED, replace(FULL, service_rate=0.6 * PA_PER_PSI)), 0.0, "service fill valve passes"),
    (seen(Stage.CHARGE, Pressures(50 * PA_PER_PSI, 0.0, 0.1 * PA_PER_PSI), now_s=121.0), 0.0, "open hose"),
    (seen(Stage.CHARGE, Pressures(95 * PA_PER_PSI, 0.0), until_s=99.0), 0.0, "took too long"),
    (seen(Stage.RELEASE, Pressures(95 * PA_PER_PSI, 9 * PA_PER_PSI), until_s=99.0), 0.0, "exhaust stays shut"),
    (seen(Stage.CHARGE, Pressures(0.0, 30 * PA_PER_PSI)), 0.0, "swapped"),
    (seen(Stage.CHARGE, Pressures(60 * PA_PER_PSI, 30 * PA_PER_PSI)), 0.0, "service fill valve passes"),
]


@pytest.mark.parametrize(("given_", "silent_s", "why"), FAULTS)
def test_each_fault_is_named(given_: AirSeen, silent_s: float, why: str):
    assert why in (fault_of(given_, silent_s) or "")


def test_pressures_that_were_not_read_for_half_a_second_are_a_fault_though_the_board_answers():
    assert "too slow for air" in (fault_of(seen(Stage.HOLD), 0.0, 0.51) or "")
    assert fault_of(seen(Stage.HOLD), 0.0, 0.49) is None


def test_an_open_hose_is_not_called_out_while_the_pressure_still_rises_or_before_its_time():
    rising = Pressures(50 * PA_PER_PSI, 0.0, 0.3 * PA_PER_PSI)
    early = Pressures(50 * PA_PER_PSI, 0.0, 0.1 * PA_PER_PSI)

    assert fault_of(seen(Stage.CHARGE, rising, now_s=121.0)) is None
    assert fault_of(seen(Stage.CHARGE, early, now_s=119.0)) is None


@pytest.mark.parametrize("stage", [Stage.CHARGE, Stage.APPLY, Stage.APPLIED, Stage.TIMED, Stage.MEASURED])
def test_what_is_held_falls_when_nobody_holds_it(stage: Stage):
    assert falls_to(seen(stage, held=0.2)) is None
    fallen = falls_to(seen(stage, held=0.26))
    assert fallen is not None
    assert Valve.SERVICE_FILL not in TABLE[fallen[0]].energises
    assert Valve.SUPPLY_FILL not in TABLE[fallen[0]].energises


def test_a_restart_is_never_automatic():
    after = made_safe(seen(Stage.APPLY).state, "the link was silent", 100.0)

    assert after.said.missing is not None
    for stage in set(Stage) - {Stage.SAFE}:
        assert denied(stage, AirSeen(replace(after, said=ALL_SAID, said_s=100.0), EMPTY, 101.0, 0.0)) is not None
    assert may_regulate(0.0, AirSeen(after, EMPTY, 101.0)) is not None


def test_every_threshold_says_how_well_it_is_founded():
    assert set(MARKS) == {name for name in dir(LIMITS) if name.endswith(("_s", "_pa"))}


# --- no sequence of events ---

AIR = AirSystem("semitrailer", 0.05, (), (AirInput(1, "supply"), AirInput(2, "service")), valves=True, check_valve=True)


@dataclass
class Bench:
    """An air guard with valves that obey, driven by arbitrary events; checks at each movement."""

    guard: AirGuard = field(init=False)
    energised: set[Valve] = field(default_factory=set)
    now_s: float = 10.0
    psi: tuple[float, float] = (0.0, 0.0)
    silent: bool = False

    def __post_init__(self) -> None:
        self.guard = AirGuard(AIR, self.move)
        self.note()

    async def move(self, valve: Valve, energise: bool, longest_s: float) -> None:
        if energise:
            state = self.guard.state
            assert valve in TABLE[state.stage].energises
            assert 0 < longest_s <= 600
            assert state.fault is None
            assert state.said.missing is None or state.stage in (Stage.HOLD, Stage.RELEASE)
            if valve in FILLS:
                assert self.guard.seen.held_ago_s <= LIMITS.lease_s
                assert self.now_s - state.said_s <= LIMITS.acknowledged_for_s
            self.energised.add(valve)
        else:
            self.energised.discard(valve)
        await asyncio.sleep(0.002)

    def note(self) -> None:
        raw = (round(self.psi[0] * PA_PER_PSI), round(self.psi[1] * PA_PER_PSI), 0, 0, 0, 0)
        self.guard.note(replace(CALM, uptime_us=round(self.now_s * 1e6), air=raw))

    async def look(self) -> None:
        self.note()
        await self.guard.look()

    async def wait(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
        self.now_s += seconds
        await self.look()

    async def enter(self, stage: Stage) -> None:
        self.note()
        try:
            await self.guard.enter(stage, 60.0)
        except AirTripped:
            return


Event = Callable[[Bench], object]
FLAGS = st.builds(Acknowledgement, *[st.sampled_from([True, True, True, False])] * 4)
EVENTS = st.one_of(
    st.sampled_from(list(Stage)).map(lambda stage: lambda bench: bench.enter(stage)),
    st.sampled_from([0.05, 0.2, 0.3, 5.0, 700.0]).map(lambda seconds: lambda bench: bench.wait(seconds)),
    FLAGS.map(lambda said: lambda bench: bench.guard.acknowledge(said)),
    st.just(lambda bench: bench.guard.hold()),
    st.just(lambda bench: bench.guard.confirm_springs()),
    st.tuples(st.sampled_from([0.0, 50.0, 95.0, 130.0, 140.0, 400.0]), st.sampled_from([0.0, 1.0, 90.0])).map(
        lambda psi: lambda bench: setattr(bench, "psi", psi)
    ),
)
BEGINNINGS: tuple[tuple[Event, ...], ...] = (
    (),
    (
        lambda bench: bench.guard.acknowledge(ALL_SAID),
        lambda bench: bench.enter(Stage.ARMED),
        lambda bench: bench.guard.hold(),
        lambda bench: bench.enter(Stage.CHARGE),
        lambda bench: setattr(bench, "psi", (95.0, 0.0)),
        lambda bench: bench.enter(Stage.HOLD),
        lambda bench: bench.guard.hold(),
        lambda bench: bench.enter(Stage.APPLY),
    ),
)


async def play(events: tuple[Event, ...]) -> Bench:
    bench = Bench()
    for event in events:
        doing = event(bench)
        if asyncio.iscoroutine(doing):
            await doing
        await bench.look()
        assert bench.energised <= TABLE[bench.guard.state.stage].energises
    return bench


def test_the_usual_course_really_energises():
    bench = run_virtual(play(BEGINNINGS[1]))

    assert bench.guard.state.stage is Stage.APPLY
    assert bench.energised == TABLE[Stage.APPLY].energises


@settings(max_examples=150, deadline=None)
@given(beginning=st.sampled_from(BEGINNINGS), events=st.lists(EVENTS, max_size=15))
def test_no_sequence_of_events_energises_a_valve_outside_the_table(beginning, events):
    bench = run_virtual(play((*beginning, *events)))

    if bench.guard.state.fault:
        assert bench.energised == set()


def test_a_lease_that_nobody_refreshes_releases_the_brakes():
    async def main() -> Bench:
        bench = await play(BEGINNINGS[1])
        await bench.wait(0.15)
        await bench.wait(0.15)
        return bench

    bench = run_virtual(main())

    assert bench.guard.state.stage is Stage.RELEASE
    assert bench.energised == {Valve.SUPPLY_EXHAUST}
    with pytest.raises(AirTripped, match="nobody held"):
        bench.guard.check()

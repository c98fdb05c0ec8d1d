"""Every rule by a table of cases, and what no combination of facts may ever permit."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.contract.readings import ChannelReading, Snapshot
from bench.contract.table import Capability, ChannelState, Fault, Mode, Return
from bench.safety.interlock import Stage
from bench.safety.permit import (
    RULES,
    Air,
    Capacity,
    Drive,
    JoinFar,
    Probe,
    Pulse,
    Reference,
    Request,
    Seen,
    Switch,
    Wiggle,
    permit,
)
from bench.safety.setup import Setup
from tests.bench.safety.fake_board import small_profile

EVERYTHING = Capability(0x7FF) | Capability.FAR_SOCKET
SETUP = Setup.of(small_profile())
STOP, TAIL, TURN, NOBODYS = 1, 2, 3, 7
SMALL = Capacity(return_a=6.0)
H24 = "12.8 V but the profile is for 24 V"
READY = Mode.ARMED | Mode.WATCHDOG_RUNNING | Mode.CLAIMED
OFF = ChannelReading(ChannelState.OFF, 0.0, 0.0, 0, 0)
ON = ChannelReading(ChannelState.ON, 12.6, 4.2, 0, 0)

CALM = Snapshot(
    sequence=1, uptime_us=60_000_000, mode=READY, faults=Fault(0), causes=Fault(0), boots=1, command_sequence=0,
    command_result=0, events_head=0, shot_sequence=0, supply_v=12.8, supply_a=0.0, reference_a=0.0, ambient_c=20.0,
    board_c=30.0, returns=Return.BOTH, return_pin_a=0.0, return_chassis_a=0.0, chassis_sense_v=0.0, ground_pin_v=0.0,
    valves=0, air=(0,) * 6, channels=(OFF,) * 8,
)  # fmt: skip
FUSED = Capability.FIXED_FUSE | Capability.WATCHDOG
SEEN = Seen(setup=SETUP, snapshot=CALM, age_s=0.01, capabilities=EVERYTHING)


def now(**changes: object) -> Seen:
    return replace(SEEN, snapshot=replace(CALM, **changes))


def states(**by_channel: ChannelReading) -> tuple[ChannelReading, ...]:
    names = {"stop": STOP, "tail": TAIL, "turn": TURN}
    rows = [OFF] * 8
    for name, reading in by_channel.items():
        rows[names[name] - 1] = reading
    return tuple(rows)


@dataclass(frozen=True)
class Case:
    request: Request
    seen: Seen
    rule: str | None
    says: str = ""


CASES = (
    Case(Drive(STOP), SEEN, None),
    Case(Probe(STOP, 0.005), SEEN, None),
    Case(Pulse(STOP, 0.004), SEEN, None),
    Case(Wiggle(STOP), SEEN, None),
    Case(Switch(Return.PIN), SEEN, None),
    Case(Reference(), SEEN, None),
    Case(Drive(STOP), replace(SEEN, stopped="operator"), "stopped", "operator"),
    Case(Drive(STOP), replace(SEEN, snapshot=None), "stale", "unknown"),
    Case(Drive(STOP), replace(SEEN, age_s=0.51), "stale", "0.5 s"),
    Case(Drive(STOP), replace(SEEN, age_s=0.49), None),
    Case(Drive(STOP), now(faults=Fault.EMERGENCY_STOP), "emergency-stop"),
    Case(Switch(Return.BOTH), now(causes=Fault.EMERGENCY_STOP), "emergency-stop"),
    Case(Probe(STOP, 0.005), now(faults=Fault.BOARD_HOT), "fault", "board hot"),
    Case(Probe(STOP, 0.005), now(causes=Fault.SUPPLY_LOW), "fault", "supply low"),
    Case(Drive(STOP), now(mode=Mode.WATCHDOG_RUNNING), "not-armed", "not armed"),
    Case(Drive(STOP), now(mode=Mode.ARMED), "not-armed", "watchdog"),
    Case(Drive(STOP), replace(now(mode=Mode.ARMED), capabilities=EVERYTHING & ~Capability.WATCHDOG), None),
    Case(Drive(STOP), replace(SEEN, capabilities=Capability.PROBE), "not-capable", "current limit"),
    Case(Probe(STOP, 0.005), replace(SEEN, capabilities=Capability.WATCHDOG), "not-capable", "probe"),
    Case(Pulse(STOP, 0.004), replace(SEEN, capabilities=Capability.PROBE), "not-capable", "cold pulse"),
    Case(Switch(Return.PIN), replace(SEEN, capabilities=Capability.PROBE), "not-capable", "return switches"),
    Case(Reference(), replace(SEEN, capabilities=Capability.PROBE), "not-capable", "reference resistor"),
    Case(Drive(STOP), replace(SEEN, capabilities=FUSED), None),
    Case(Wiggle(STOP), replace(SEEN, capabilities=FUSED), "not-capable", "current limit"),
    Case(
        Drive(TAIL),
        replace(now(channels=states(stop=replace(OFF, state=ChannelState.ON, current_a=1.0))), capabilities=FUSED),
        "one-by-one",
        "one output at a time",
    ),
    Case(Air(Stage.APPLY), SEEN, "interlock", "no air system"),
    Case(Air(Stage.APPLY), replace(SEEN, capabilities=EVERYTHING & ~Capability.AIR), "not-capable", "air"),
    Case(Drive(STOP), now(supply_v=25.6), "supply", "25.6 V but the profile is for 12 V"),
    Case(Drive(STOP), now(supply_v=8.9), "supply"),
    Case(Drive(STOP), replace(SEEN, setup=replace(SETUP, nominal_v=24)), "supply", H24),
    Case(Drive(NOBODYS), SEEN, "not-in-profile", "channel 7"),
    Case(Probe(NOBODYS, 0.005), SEEN, "not-in-profile"),
    Case(Drive(TURN), now(channels=(OFF, OFF)), "not-in-profile"),
    Case(Drive(STOP), now(channels=states(stop=replace(OFF, state=ChannelState.TRIPPED))), "tripped", "turn it off"),
    Case(Wiggle(STOP), now(channels=states(stop=replace(OFF, state=ChannelState.TRIPPED))), "tripped"),
    Case(Drive(TAIL), now(channels=states(stop=replace(OFF, state=ChannelState.TRIPPED))), None),
    Case(Drive(STOP), replace(SEEN, shorted=frozenset({STOP})), "shorted", "only wiggle"),
    Case(Wiggle(STOP), replace(SEEN, shorted=frozenset({STOP})), None),
    Case(Probe(STOP, 0.005), replace(SEEN, shorted=frozenset({STOP})), None),
    Case(Drive(TAIL), replace(SEEN, shorted=frozenset({STOP})), None),
    Case(Drive(STOP), now(returns=Return.NONE), "returns-open"),
    Case(Wiggle(STOP), now(returns=Return.NONE), "returns-open"),
    Case(Probe(STOP, 0.005), now(returns=Return.NONE), None),
    Case(Switch(Return.NONE), now(channels=states(stop=ON)), "returns-needed"),
    Case(Switch(Return.PIN), now(channels=states(stop=ON)), None),
    Case(Switch(Return.NONE), SEEN, None),
    Case(JoinFar(3), now(channels=states(stop=ON)), "driven-far"),
    Case(JoinFar(3), SEEN, None),
    Case(JoinFar(0), now(channels=states(stop=ON)), None),
    Case(JoinFar(3), replace(SEEN, capabilities=EVERYTHING & ~Capability.FAR_SOCKET), "not-capable", "far socket"),
    Case(Drive(TAIL), replace(now(channels=states(stop=ON)), capacity=Capacity(outputs=1)), "too-many", "1 output"),
    Case(Drive(STOP), replace(now(channels=states(stop=ON)), capacity=Capacity(outputs=1)), None),
    Case(Drive(TURN), replace(now(channels=states(stop=ON)), capacity=Capacity(supply_a=6.0)), "over-supply", "6.3 A"),
    Case(Drive(TURN), replace(now(channels=states(stop=ON), returns=Return.PIN), capacity=SMALL), "over-return"),
    Case(Drive(TURN), replace(now(channels=states(stop=ON)), capacity=SMALL), None),
    Case(Switch(Return.PIN), replace(now(channels=states(stop=ON, turn=ON)), capacity=SMALL), "over-return"),
    Case(Pulse(STOP, 0.004), replace(SEEN, lit_at_s=55.1), "void", "5 s"),
    Case(Pulse(STOP, 0.004), replace(SEEN, lit_at_s=55.0), None),
    Case(Drive(STOP), replace(SEEN, lit_at_s=59.9), None),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{type(case.request).__name__}-{case.rule or 'permitted'}")
def test_each_case_is_decided_by_its_rule(case: Case):
    denial = permit(case.request, case.seen)

    assert (denial.rule if denial else None) == case.rule
    if denial:
        assert case.says in denial.why
        assert "\n" not in denial.why
        assert denial.dangerous == (case.rule != "void")


def test_every_rule_has_a_case():
    assert {rule.name for rule in RULES} | {"stopped", "stale"} == {case.rule for case in CASES if case.rule}


REQUESTS = st.one_of(
    st.builds(Drive, st.integers(1, 8)),
    st.builds(Probe, st.integers(1, 8), st.just(0.005)),
    st.builds(Pulse, st.integers(1, 8), st.just(0.004)),
    st.builds(Wiggle, st.integers(1, 8)),
    st.builds(Switch, st.sampled_from(list(Return))),
    st.just(Reference()),
    st.builds(Air, st.sampled_from(["supply", "service"])),
)
READINGS = st.builds(
    ChannelReading,
    state=st.sampled_from(list(ChannelState)),
    voltage_v=st.floats(0, 32),
    current_a=st.floats(-1, 20),
    trips=st.integers(0, 3),
    changes=st.just(0),
)
SNAPSHOTS = st.builds(
    replace,
    st.just(CALM),
    mode=st.integers(0, 0x7F).map(Mode),
    faults=st.integers(0, 0x1FF).map(Fault),
    causes=st.integers(0, 0x1FF).map(Fault),
    supply_v=st.floats(0, 40),
    returns=st.sampled_from(list(Return)),
    channels=st.tuples(*[READINGS] * 8),
)
ANYTHING = st.builds(
    Seen,
    setup=st.sampled_from([SETUP, replace(SETUP, nominal_v=24)]),
    snapshot=st.one_of(st.none(), SNAPSHOTS),
    age_s=st.floats(0, 2),
    capabilities=st.integers(0, 0x3FFF).map(Capability),
    stopped=st.one_of(st.none(), st.just("operator")),
    shorted=st.frozensets(st.integers(1, 8)),
    lit_at_s=st.one_of(st.none(), st.floats(0, 60)),
)


@dataclass(frozen=True)
class Never:
    """What must never be permitted."""

    what: str
    holds: Callable[[Request, Snapshot], bool]


NEVER = (
    Never("with a fault", lambda _, now: bool(now.faults)),
    Never("with the cause of a fault", lambda _, now: bool(now.causes)),
    Never("unarmed", lambda _, now: Mode.ARMED not in now.mode),
    Never("air without an interlock", lambda ask, _: isinstance(ask, Air)),
    Never("driving without a return", lambda ask, now: isinstance(ask, Drive | Wiggle) and now.returns is Return.NONE),
)


@pytest.mark.parametrize("never", NEVER, ids=lambda never: never.what)
@given(request_=REQUESTS, seen=ANYTHING)
def test_whatever_else_is_true_it_is_never_permitted(never: Never, request_: Request, seen: Seen):
    if seen.snapshot is None or never.holds(request_, seen.snapshot):
        assert permit(request_, seen) is not None


@given(request_=REQUESTS, seen=ANYTHING)
def test_nothing_is_permitted_after_a_stop_or_on_old_knowledge(request_: Request, seen: Seen):
    if seen.stopped is not None or seen.age_s > 0.5:
        assert permit(request_, seen) is not None


@given(channel=st.integers(1, 8), seen=ANYTHING)
def test_a_short_is_never_driven(channel: int, seen: Seen):
    assert permit(Drive(channel), replace(seen, shorted=seen.shorted | {channel})) is not None

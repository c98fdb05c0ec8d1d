"""The air part of an inspection on the simulator, in virtual time: sound, leaking, and with whatever may be wrong."""

import asyncio
from dataclasses import replace
from functools import cache

import pytest

from bench.cli.ask import Yes
from bench.contract.readings import read_events
from bench.contract.table import (
    DEFAULT_WATCHDOG_S,
    EVENTS,
    EVENTS_PER_READ,
    Capability,
    CommandCode,
    EventKind,
    Valve,
)
from bench.errors import InputError, LinkError, NoBoard
from bench.profiles import load_scenario
from bench.profiles.air_model import PA_PER_PSI, AirFault, AirFaultKind, AirScenario, WheelEnd
from bench.profiles.model import Scenario
from bench.results import Verdict
from bench.safety import Stage
from bench.sequences import STEPS, Nobody
from bench.sequences.air.rig import applying, ready
from bench.sequences.air.stroke import stroke_m
from bench.sequences.inspection import Inspection
from bench.sequences.steps import DIAGNOSIS, Step
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import YES, Session, inspect, inspect_in, on_simulator

STROKES = {f"stroke-{axle}-{side}": "1 1/2 in" for axle in ("front", "rear") for side in ("left", "right")}
SAID = YES | {
    "chocks-set": True, "glad-hands-seated": True, "clear-of-brakes": True, "clear-to-release": True,
    "springs-may-apply": True,
} | STROKES  # fmt: skip
LEAKS = ["supply-leak", "service-leak", "air-safe"]
FIRST = ["air-sensors", "charge", "supply-leak", "service-leak", "air-safe"]


def trailer(*faults: AirFault, **changes: object) -> Scenario:
    """A tandem with charged reservoirs and these faults."""
    air = replace(AirScenario(start_pa=95 * PA_PER_PSI), faults=faults, **changes)
    return replace(load_scenario("healthy-tandem"), air=air)


def leak(place: str, psi_per_min: float) -> AirFault:
    return AirFault("leak", place, psi_per_min=psi_per_min)


@cache
def sound() -> Session:
    return inspect("healthy-air", answers=SAID)


def moved(session: Session) -> int:
    return sum(code is CommandCode.VALVE for code, _ in session.board.commands)


def of_its(session: Session) -> list[Step]:
    """The steps of the profile that these sessions do: the diagnosis has tests of its own."""
    mine = (step for step in STEPS if step.belongs(session.scenario.profile) and not step.on_demand)
    return [step for step in mine if step.name != DIAGNOSIS]


def ends_safe(session: Session) -> bool:
    seen = session.board.after(3.0)
    return seen.valves == 0 and max(seen.air[0], seen.air[1]) < 5 * PA_PER_PSI


# --- sound ---


def test_a_sound_trailer_passes_electrically_and_with_air_within_twenty_five_minutes():
    session = sound()

    assert session.run.findings == ()
    assert session.run.verdict is Verdict.PASS
    done = [step.step for step in session.run.steps]
    wanted = [step.name for step in STEPS if step.air and step.belongs(session.scenario.profile)]
    assert [name for name in done if name in wanted] == wanted
    assert session.run.duration_s < 25 * 60
    assert ends_safe(session)


def test_pressures_are_recorded_with_the_fit_and_the_limit():
    trace = sound().step("supply-leak").traces[0]

    assert set(trace.columns) == {"supply_pa", "fit_pa", "limit_pa"}
    assert len(trace.columns["supply_pa"]) == len(trace.columns["fit_pa"]) > 300


def test_the_end_says_that_the_reservoir_is_still_charged_and_how_to_drain_it():
    said = sound().step("air-safe").reason or ""

    assert "still charged" in said
    assert "drain" in said
    held = next(value for value in sound().step("air-safe").values if value.name.startswith("reservoir"))
    assert 70 * PA_PER_PSI < (held.value or 0.0) < 100 * PA_PER_PSI


def test_cautions_come_before_the_first_air_step_and_before_the_breakaway():
    first, breakaway = sound().step("air-sensors"), sound().step("emergency")

    assert any("Chock" in text for text in first.cautions)
    assert any("push rods" in text for text in first.cautions)
    assert any("spring" in text for text in breakaway.cautions)


def test_modulators_are_counted_by_the_steps_of_the_supply():
    values = {value.name: value.value for value in sound().step("modulators").values}

    assert values["modulators that let air out"] == 2
    # 0.2 to 1.0 psi a pulse: what a chamber's air is in a full reservoir
    assert all(0.2 < values[f"step of the supply, pulse {n}"] / PA_PER_PSI < 1.0 for n in (1, 2))


def test_an_electrical_bench_leaves_air_out_with_one_remark_and_still_passes():
    session = inspect("healthy-tandem")

    assert [step.step for step in session.run.steps] == [step.name for step in of_its(session) if not step.air]
    assert session.run.verdict is Verdict.PASS
    assert sum("no air" in notice for notice in session.notices) == 1


def test_a_bench_with_sensors_but_no_valves_looks_at_the_sensors_and_says_what_it_did_not():
    session = inspect("healthy-air", lacks=Capability.AIR, only=["air-sensors", "charge"], answers=SAID)

    assert session.step("air-sensors").verdict is Verdict.PASS
    assert session.step("charge").verdict is Verdict.NOT_TESTED
    assert "no air" in (session.step("charge").reason or "")


# --- leaks ---

PLACES = [
    ("supply-glad-hand", 15.0, "leak-supply", {"supply line and its glad hand", "spring brake seal"}),
    ("reservoir-drain", 4.0, "leak-supply",
     {"reservoir and its drain", "supply line and its glad hand", "spring brake seal"}),
    ("relay-inlet-seat", 4.0, "leak-supply", {"relay valve, inlet seat"}),
    ("diaphragm-1", 5.0, "leak-supply", {"brake chamber diaphragm", "relay valve, exhaust seat"}),
    ("service-hose", 30.0, "leak-service", {"service line and its glad hand", "relay valve, control side"}),
]  # fmt: skip


@pytest.mark.parametrize(("place", "psi_per_min", "kind", "named"), PLACES, ids=[row[0] for row in PLACES])
def test_a_leak_is_found_at_its_place_or_in_the_named_set(place: str, psi_per_min: float, kind: str, named: set[str]):
    session = inspect(trailer(leak(place, psi_per_min)), only=LEAKS, answers=SAID)

    (finding,) = session.run.findings
    assert finding.kind == kind
    assert {where.name for where in (finding.where, *(each.where for each in finding.alternatives)) if where} == named
    assert finding.source
    assert session.run.verdict is Verdict.FAIL
    assert ends_safe(session)


# --- volume ---


def metering(*faults: AirFault, **changes: object) -> Scenario:
    """A bench whose fill path has a known conductance."""
    whole = trailer(*faults, **changes)
    assert whole.profile.air
    return replace(whole, profile=replace(whole.profile, air=replace(whole.profile.air, fill_c=4e-8)))


@pytest.mark.parametrize("psi_per_min", [0.0, 4.0])
def test_the_volume_is_metered_within_its_interval_and_a_leak_can_then_be_told_in_litres(psi_per_min: float):
    faults = (leak("reservoir-drain", psi_per_min),) if psi_per_min else ()
    session = inspect(
        metering(*faults, start_pa=0.0), only=["charge", "volume", "supply-leak"],
        answers=SAID | {"reservoirs-drained": True},
    )  # fmt: skip
    works = session.board.simulator.air._dynamics.works
    true_l = 1000 * sum(works.rigid_m3[i] for i in (*range(4), 8, 9))
    told = {value.name: value for value in session.step("volume").values}
    lost = next(value for value in session.step("supply-leak").values if value.unit == "L/min")

    assert told["volume behind the supply coupling"].value == pytest.approx(true_l, rel=0.06)
    # 1 psi/min of 52 L is 3.5 NL/min (gas law, ANR)
    assert lost.value == pytest.approx(3.5 * psi_per_min, abs=2.0)


def test_without_drained_reservoirs_or_a_known_path_there_is_no_volume_and_no_litres():
    undrained = inspect(metering(), only=["charge", "volume", "supply-leak"], answers=SAID)
    unknown = inspect(trailer(), only=["charge", "volume"], answers=SAID)

    assert undrained.step("volume").verdict is Verdict.NOT_TESTED
    assert "drained" in (undrained.step("volume").reason or "")
    assert all(value.unit != "L/min" for value in undrained.step("supply-leak").values)
    assert "conductance" in (unknown.step("volume").reason or "")


# --- brakes ---


def test_slow_brakes_are_found_by_the_chamber_sensor():
    slow = AirFault("slow-application", "service", value=0.06)
    session = inspect(trailer(slow), only=["timing"], answers=SAID)

    (finding,) = session.run.findings
    assert finding.kind == "slow-application"
    assert session.step("timing").verdict is Verdict.FAIL


def test_without_a_chamber_sensor_times_are_not_judged():
    whole = trailer()
    air = whole.profile.air
    assert air is not None
    bare = replace(air, inputs=tuple(each for each in air.inputs if each.quantity != "chamber"))
    session = inspect(replace(whole, profile=replace(whole.profile, air=bare)), only=["timing"], answers=SAID)

    assert session.step("timing").verdict is Verdict.NOT_TESTED
    assert "no chamber sensor" in (session.step("timing").reason or "")


def test_a_long_stroke_and_the_uneven_axle_are_found():
    session = inspect(trailer(), only=["stroke"], answers=SAID | {"stroke-front-left": "2 3/8 in"})

    assert [finding.kind for finding in session.run.findings] == ["over-stroke", "stroke-imbalance"]
    assert session.run.findings[0].where is not None
    assert session.run.findings[0].where.name == "brake, front-left"


def test_a_nonsensical_stroke_is_refused_by_name_and_the_rest_is_judged():
    session = inspect(trailer(), only=["stroke"], answers=SAID | {"stroke-front-left": "about two thumbs"})

    step = session.step("stroke")
    assert "stroke-front-left" in (step.reason or "")
    assert {value.name: value.verdict for value in step.values}["rear-left stroke"] is Verdict.PASS
    assert step.verdict is Verdict.NOT_TESTED
    assert ends_safe(session)


END = WheelEnd("front-left", "front left", 1, "left", "30")


@pytest.mark.parametrize(
    "nonsense", ["about two thumbs", True, -1.0, "9 in", "250 in", "1/0 in", "", "41 psi", float("nan")]
)
def test_what_is_no_stroke_is_refused(nonsense: str | float | bool):
    with pytest.raises(InputError):
        stroke_m(nonsense, END, metric=False)


@pytest.mark.parametrize(
    ("answer", "metric", "metres"),
    [("1 5/8 in", False, 0.041275), ("7/8", False, 0.022225), ("1.5", False, 0.0381), (41, True, 0.041),
     ('1.5"', False, 0.0381), ("41 mm", False, 0.041), (0, True, 0.0)],
)  # fmt: skip
def test_strokes_are_read_as_people_say_them(answer: str | float, metric: bool, metres: float):
    assert stroke_m(answer, END, metric=metric) == pytest.approx(metres)


# --- whatever may be wrong ---

WRONG: list[tuple[AirFaultKind, str, float | None, str, str]] = [
    ("sensor-unplugged", "supply", None, "air-sensors", "supply sensor (input 1) is out of its range"),
    ("sensor-unplugged", "service", None, "air-sensors", "service sensor (input 2) is out of its range"),
    ("sensor-stuck", "supply", None, "air-sensors", "stuck"),
    ("sensors-swapped", "supply", None, "charge", "swapped"),
    ("hose-off", "supply", None, "charge", "open hose"),
    ("regulator-low", "supply", 70 * PA_PER_PSI, "charge", "below 90.0 psi"),
    ("valve-stuck-open", "supply-fill", None, "air-sensors", "fill valve that passes"),
    ("valve-stuck-open", "service-fill", None, "air-sensors", "fill valve that passes"),
    ("valve-stuck-shut", "supply-fill", None, "charge", "valve that does not move"),
    ("valve-stuck-open", "supply-exhaust", None, "charge", "valve that does not move"),
]


@pytest.mark.parametrize(("kind", "place", "value", "step", "why"), WRONG)
def test_what_is_wrong_with_the_bench_is_named_and_nothing_goes_on(kind, place, value, step, why):
    scenario = trailer(AirFault(kind, place, value=value), start_pa=0.0)
    session = inspect(scenario, only=FIRST, answers=SAID)

    assert session.step(step).verdict is Verdict.UNSURE
    assert any(why in finding.explain for finding in session.step(step).findings)
    assert session.step("supply-leak").verdict is Verdict.NOT_TESTED
    assert session.step("service-leak").verdict is Verdict.NOT_TESTED
    assert session.board.after(1.0).valves == 0


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        (AirFault("hose-off", "service"), "open hose"),
        (AirFault("valve-stuck-shut", "service-fill"), "valve that does not move"),
        (AirFault("regulator-low", "service", value=40 * PA_PER_PSI), "regulator set too low"),
    ],
)
def test_a_service_line_that_does_not_come_up_is_named(fault: AirFault, why: str):
    session = inspect(trailer(fault), only=["service-leak", "timing", "air-safe"], answers=SAID)

    assert any(why in finding.explain for finding in session.run.findings)
    assert session.step("timing").verdict is Verdict.NOT_TESTED
    assert ends_safe(session)


def test_a_sensor_unplugged_while_air_is_on_makes_it_safe_and_nothing_starts_again():
    pulled = AirFault("sensor-unplugged", "supply", at_s=45.0)
    session = inspect(trailer(pulled), only=["supply-leak", "service-leak"], answers=SAID)

    assert "out of its range" in (session.step("supply-leak").reason or "")
    assert session.step("service-leak").verdict is Verdict.NOT_TESTED
    assert session.board.after(0.0).valves == 0


# --- people ---


def test_yes_to_everything_never_acknowledges_what_only_people_can_see():
    session = inspect(trailer(), only=["charge", "emergency"], answers=YES, operator=Yes(Nobody()))

    assert session.run.verdict is Verdict.NOT_TESTED
    assert "chocks-set" in (session.step("charge").reason or "")
    assert moved(session) == 0


@pytest.mark.parametrize("key", ["chocks-set", "glad-hands-seated", "clear-of-brakes"])
def test_one_answer_that_is_not_a_plain_yes_keeps_the_air_off(key: str):
    session = inspect(trailer(), only=["charge"], answers=SAID | {key: "maybe"})

    assert key in (session.step("charge").reason or "")
    assert moved(session) == 0


def test_springs_need_a_confirmation_of_their_own():
    session = inspect(trailer(), only=["emergency"], answers=SAID | {"springs-may-apply": False})

    assert "springs-may-apply" in (session.step("emergency").reason or "")
    assert session.step("emergency").verdict is Verdict.NOT_TESTED


# --- the controller is gone ---


def test_a_controller_that_dies_mid_application_leaves_the_service_line_exhausted_within_the_watchdogs_time():
    session = on_simulator(trailer())
    died_s: list[float] = []

    async def performer(guard, profile, **_: object):
        inspection = Inspection(guard, profile, lambda _: None)
        inspection.operator = Answers()
        await ready(inspection)
        async with applying(inspection):
            await guard.wait(2.0)
            assert guard.air.state.stage is Stage.APPLY
            died_s.append((await guard.snapshot()).uptime_s)
            session.board.before_exchange = Dead()
            await asyncio.sleep(10.0)

    with pytest.raises(LinkError):
        run_virtual(inspect_in(session, performer=performer))

    session.board.before_exchange = {}
    session.board.after(1.0)
    page = read_events(
        session.board.read_registers(EVENTS.address, EVENTS.length(EVENTS_PER_READ))[1:], EVENTS_PER_READ
    )
    let_go_s = [
        each.uptime_us * 1e-6
        for each in page.events
        if (each.kind, each.index, each.value) == (EventKind.VALVE, Valve.SERVICE_EXHAUST, 0)
    ]
    assert died_s[0] <= let_go_s[-1] <= died_s[0] + DEFAULT_WATCHDOG_S + 0.01
    seen = session.board.after(2.0)
    assert seen.valves == 0
    assert seen.air[1] < 2 * PA_PER_PSI


class Answers:
    """Yes to all."""

    async def ask(self, _: object) -> bool:
        return True


class Dead(dict):
    """No exchange comes through any more."""

    def get(self, _: int, __: object = None):
        def silence() -> None:
            raise NoBoard("nothing answers")

        return silence

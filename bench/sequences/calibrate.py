"""Calibration: readings of nothing, a meter at the supply, a known resistor; then the board keeps what follows.

Steps: *at rest* (offsets), *meter* (voltage gain), *resistor* (current gain, on one channel after the
other), *stored*. The operator answers with what the meter shows. Nothing is written to the board before
everything is measured, and the record has each correction with its whole budget.
"""

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Unpack

from bench.contract.readings import ChannelCorrection, CommonCorrection, Snapshot
from bench.contract.table import Capability
from bench.electrical.uncertainty import Estimate, Mean, after, current_gain, offset, shared, voltage_gain
from bench.errors import InputError
from bench.events import StepStarted, ignore
from bench.profiles.model import (
    CHASSIS,
    Circuit,
    Connector,
    Load,
    Pin,
    Profile,
    Protection,
    Resistor,
    Segment,
    pin_node,
)
from bench.results import Run, StepResult, Value, Verdict, worst
from bench.safety import GuardedBoard
from bench.sequences.attended import Surroundings
from bench.sequences.ledger import Ledger, new_run
from bench.sequences.operator import Answer, Operator, Prepared, Question, is_yes

READINGS = 40
EVERY_S = 0.012  # a snapshot is the mean of 10 ms: none shares samples with the next
SETTLED_S = 0.3
STEP_V, STEP_A = 0.001, 0.001
NOT_AT_REST_A, NOT_AT_REST_V = 0.3, 0.3
MOST_GAIN = 0.1  # a correction beyond this is a wrong resistor, a wrong meter or a defect
GROUND_PIN = 99
STEPS = ("at-rest", "meter", "resistor", "stored")


@dataclass(frozen=True, slots=True)
class CalibrationPlan:
    """What a board is calibrated against.

    Attributes:
        ohm: the resistor with its leads.
        ohm_limit: relative limits of it, warming included.
        meter_limit: relative limits of the meter at the supply voltage.
        channels: those that the resistor is moved to, counted from 1.
        match: relative limits within which the current measurement of all channels is alike.
        date: of today, YYYY-MM-DD.
    """

    ohm: float = 10.0
    ohm_limit: float = 0.001
    meter_limit: float = 0.0005
    channels: tuple[int, ...] = (1,)
    match: float = 0.005
    date: str = ""


def fixture(plan: CalibrationPlan, nominal_v: int) -> Profile:
    """The resistor, as a profile that has it on every channel it is moved to."""
    pins = tuple(Pin(n, "resistor", False, "", "", 0.0, 0.0, "common-practice") for n in plan.channels)
    ground = Pin(GROUND_PIN, "ground", True, "", "", 0.0, 0.0, "common-practice")
    return Profile(
        name="calibration",
        title="Known resistor for calibration",
        kind="harness",
        connector=Connector("calibration", "Resistor", "none", nominal_v, (*pins, ground), "the operator"),
        nominal_v=nominal_v,
        circuits=tuple(Circuit(f"channel-{n}", f"channel {n}", n, lit=False) for n in plan.channels),
        segments=(Segment("lead", CHASSIS, pin_node(GROUND_PIN), 0.1, 2.5),),
        joints=(),
        loads=tuple(
            Load(f"resistor-{n}", "known resistor", Resistor(plan.ohm), pin_node(n), CHASSIS, f"channel-{n}", 0.01)
            for n in plan.channels
        ),
        limits={},
        channel_of_pin={n: n for n in plan.channels},
        protection=Protection(start_limit_a=3.0, limit_a=5.0, energy_a2s=10.0, rms_limit_a=3.0, wiggle_limit_a=3.0),
        units="metric",
    )


async def run_calibration(
    guard: GuardedBoard, profile: Profile, plan: CalibrationPlan, **around: Unpack[Surroundings]
) -> Run:
    """Calibrate the board that ``guard`` holds.

    Args:
        guard: entered with :func:`fixture`.
        profile: the same.
        plan: what the board is calibrated against.
        around: what the session gives.

    Raises:
        InputError: an answer is no number, or a channel is not there.
        BenchError: as every run.
    """
    run = new_run(
        guard, profile, around["run_id"], around["now"](), around.get("board_url", ""), "calibrate",
        unit_number=around.get("unit_number"), vin=around.get("vin"), operator=around.get("operator_name"),
    )  # fmt: skip
    tell = around.get("tell", ignore)
    ledger = Ledger(run, guard, around["store"], tell)
    person = Prepared(around.get("answers") or {}, around.get("operator"))
    calibration = _Calibration(guard, plan, person)
    step: StepResult | None = None
    try:
        async with guard.interruptible():
            await ledger.begin(STEPS)
            for number, (name, title, perform) in enumerate(calibration.steps(), start=1):
                tell(StepStarted(name, title, number, len(STEPS)))
                started_s = (await guard.snapshot()).uptime_s
                step = StepResult(name, title, Verdict.NOT_TESTED, started_s, 0.0)
                done = await perform()
                ended_s = max((await guard.snapshot()).uptime_s, started_s)
                verdict = Verdict.NOT_TESTED if done.reason else worst(value.verdict for value in done.values)
                await ledger.add(
                    StepResult(name, title, verdict, started_s, ended_s - started_s, done.values, reason=done.reason)
                )
                step = None
                if verdict is not Verdict.PASS:
                    break
            return await ledger.complete()
    except BaseException as error:
        await ledger.cut_short(error, step)
        raise


@dataclass(frozen=True, slots=True)
class _Done:
    """What a step measured, or why it could not."""

    values: tuple[Value, ...] = ()
    reason: str | None = None


class _Calibration:
    """One calibration in progress."""

    def __init__(self, guard: GuardedBoard, plan: CalibrationPlan, person: Operator) -> None:
        self._guard = guard
        self._plan = plan
        self._person = person
        self._current_offsets: list[Estimate] = []
        self._voltage_offsets: list[Estimate] = []
        self._other_offsets: dict[str, Estimate] = {}
        self._gain_v = Estimate("voltage gain", 0.0, "1", ())
        self._gains: dict[int, Estimate] = {}

    def steps(self) -> Sequence[tuple[str, str, Callable[[], Awaitable["_Done"]]]]:
        """Name, title and performer of each."""
        return (
            ("at-rest", "Readings of nothing", self._at_rest),
            ("meter", "Supply beside a meter", self._meter),
            ("resistor", "Current through a known resistor", self._resistor),
            ("stored", "Kept in the board", self._stored),
        )

    async def _readings(self) -> list[Snapshot]:
        seen = [await self._guard.wait(EVERY_S)]
        for _ in range(READINGS - 1):
            seen.append(await self._guard.wait(EVERY_S, since=seen[-1]))
        return seen

    # --- offsets ---

    async def _at_rest(self) -> _Done:
        seen = await self._readings()
        channels = range(1, self._guard.identity.channels + 1)
        for n in channels:
            amps = Mean.of([each.channel(n).current_a for each in seen])
            volts = Mean.of([each.channel(n).voltage_v for each in seen])
            if abs(amps.value) > NOT_AT_REST_A or abs(volts.value) > NOT_AT_REST_V:
                return _Done(reason=f"channel {n} reads {amps.value:.3f} A and {volts.value:.3f} V with everything off")
            self._current_offsets.append(offset(f"current offset, channel {n}", amps, STEP_A, "A"))
            self._voltage_offsets.append(offset(f"voltage offset, channel {n}", volts, STEP_V, "V"))
        for name in ("supply_a", "reference_a", "return_pin_a", "return_chassis_a"):
            mean = Mean.of([getattr(each, name) for each in seen])
            self._other_offsets[name] = offset(f"offset, {_OTHERS[name]}", mean, STEP_A, "A")
        every = (*self._current_offsets, *self._voltage_offsets, *self._other_offsets.values())
        return _Done(tuple(value for estimate in every for value in _values(estimate)))

    # --- voltage gain ---

    async def _meter(self) -> _Done:
        before = await self._readings()
        answer = await self._person.ask(
            Question("meter-v", "Voltage that your meter shows at the board's supply terminals, in V", safety=False)
        )
        if answer is None or answer is True:
            return _Done(reason="nobody read a meter (meter-v)")
        meter_v = _number("meter-v", answer)
        after_it = await self._readings()
        mean = Mean.of([each.supply_v for each in (*before, *after_it)])
        self._gain_v = voltage_gain(mean, meter_v, self._plan.meter_limit * meter_v, STEP_V)
        return _Done((*_values(self._gain_v, MOST_GAIN), Value("meter", meter_v, "V")))

    # --- current gain ---

    async def _resistor(self) -> _Done:
        values: list[Value] = []
        for n in self._plan.channels:
            text = (
                f"Is the resistor of {self._plan.ohm:g} ohm on channel {n}, alone, and nobody near enough to be burnt?"
            )
            if not is_yes(await self._person.ask(Question(f"resistor-on-{n}", text))):
                return _Done(tuple(values), f"not answered with yes (resistor-on-{n}): {text}")
            self._gains[n] = await self._gain_of(n)
            values += _values(self._gains[n], MOST_GAIN)
        if len(self._plan.channels) < self._guard.identity.channels:
            values += _values(self._others())
        return _Done(tuple(values))

    async def _gain_of(self, n: int) -> Estimate:
        guard = self._guard
        await guard.drive(n)
        await guard.wait(SETTLED_S)
        seen = await self._readings()
        await guard.off([n])
        volts = Mean.of(
            [(each.channel(n).voltage_v - self._voltage_offsets[n - 1].value) * self._factor_v for each in seen]
        )
        amps = Mean.of([each.channel(n).current_a - self._current_offsets[n - 1].value for each in seen])
        plan = self._plan
        try:
            return current_gain(
                f"current gain, channel {n}", amps, volts, self._gain_v, plan.ohm, plan.ohm_limit, STEP_A
            )
        except ValueError:
            raise InputError(f"channel {n} reads {amps.value:.3f} A: is the resistor on it, and F1 whole?") from None

    @property
    def _factor_v(self) -> float:
        return 1 + self._gain_v.value

    def _others(self) -> Estimate:
        return shared(list(self._gains.values()), self._plan.match)

    # --- keeping ---

    async def _stored(self) -> _Done:
        guard = self._guard
        if Capability.CALIBRATION not in guard.capabilities:
            return _Done(reason="the board keeps no corrections: they are in this record alone")
        old_channels, old = await guard.corrections()
        others = self._others() if len(self._gains) < guard.identity.channels else None
        channels = [
            self._channel(was, n, self._gains.get(n) or others or self._gains[self._plan.channels[0]])
            for n, was in enumerate(old_channels, start=1)
        ]
        common = self._common(old, others)
        await guard.calibrate(channels, common)
        left = (
            ("current gain, what is left", common.current_gain_error, "1"),
            ("current offset, what is left", common.current_offset_error_a, "A"),
            ("voltage gain, what is left", common.voltage_gain_error, "1"),
            ("voltage offset, what is left", common.voltage_offset_error_v, "V"),
        )
        return _Done(
            tuple(Value(name, value, unit, source=f"standard uncertainty, {common.date}") for name, value, unit in left)
        )

    def _channel(self, old: ChannelCorrection, n: int, gain: Estimate) -> ChannelCorrection:
        amps = after(old.current_offset_a, old.current_gain, self._current_offsets[n - 1].value, gain.value)
        volts = after(old.voltage_offset_v, old.voltage_gain, self._voltage_offsets[n - 1].value, self._gain_v.value)
        return ChannelCorrection(amps[0], amps[1], volts[0], volts[1])

    def _common(self, old: CommonCorrection, others: Estimate | None) -> CommonCorrection:
        gains = list(self._gains.values())
        gain = sum(estimate.value for estimate in gains) / len(gains)
        supply = after(old.supply_voltage_offset_v, old.supply_voltage_gain, 0.0, self._gain_v.value)
        offsets = {
            name: after(was, old.shared_current_gain, self._other_offsets[name].value, gain)
            for name, was in (
                ("supply_a", old.supply_current_offset_a),
                ("reference_a", old.reference_current_offset_a),
                ("return_pin_a", old.return_pin_offset_a),
                ("return_chassis_a", old.return_chassis_offset_a),
            )
        }
        return CommonCorrection(
            supply_voltage_offset_v=supply[0],
            supply_voltage_gain=supply[1],
            supply_current_offset_a=offsets["supply_a"][0],
            reference_current_offset_a=offsets["reference_a"][0],
            return_pin_offset_a=offsets["return_pin_a"][0],
            return_chassis_offset_a=offsets["return_chassis_a"][0],
            shared_current_gain=offsets["supply_a"][1],
            current_gain_error=_stated(max(each.standard for each in (*gains, *([others] if others else [])))),
            current_offset_error_a=_stated(max(each.standard for each in self._current_offsets)),
            voltage_gain_error=_stated(self._gain_v.standard),
            voltage_offset_error_v=_stated(max(each.standard for each in self._voltage_offsets)),
            date=self._plan.date,
        )


_OTHERS = {
    "supply_a": "supply current",
    "reference_a": "reference current",
    "return_pin_a": "ground pin current",
    "return_chassis_a": "chassis clamp current",
}
"""Names of the currents that are no channel's, for people."""


def _stated(standard: float) -> float:
    """As the board can state it: in steps of 0.0001, never less than one."""
    return max(-(-standard // 1e-4), 1) * 1e-4


def _values(estimate: Estimate, most: float | None = None) -> list[Value]:
    """The result with its combined uncertainty, then its budget line by line."""
    sane = most is None or abs(estimate.value) <= most
    source = f"standard uncertainty {estimate.standard:.2g} {'' if estimate.unit == '1' else estimate.unit}".rstrip()
    head = Value(
        estimate.name, estimate.value, estimate.unit, None if most is None else -most, most,
        Verdict.PASS if sane else Verdict.FAIL, source,
    )  # fmt: skip
    lines = [
        Value(f"{estimate.name}: {line.name}", line.standard, estimate.unit, source=line.how)
        for line in estimate.budget
    ]
    return [head, *lines]


def _number(key: str, answer: Answer) -> float:
    try:
        return float(answer)
    except ValueError:
        raise InputError(f"{key}: {answer!r} is not a number; write it as 12.80") from None

"""The ABS unit: its supply, its warning lamp's check, and its blink codes.

The unit is fed alone. Its current says whether it runs; what it does at a low supply says whether it lets go and comes
back; the step of its lamp says whether the lamp lit and went out. Codes are asked for in one of three ways, with the
counts and times of the profile, and read from the same current. Where no step can be seen, because the lamp is fed
from elsewhere, somebody looks at it and taps once a blink.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from typing import Unpack

import numpy as np

from bench.contract.table import Capability, ChannelState
from bench.electrical.blinks import Blinks, Pulse, read_blinks, read_pulses
from bench.electrical.bulb_check import BURST_S, SOURCE, BulbCheck, bulb_check
from bench.electrical.plan import feeds_unit
from bench.errors import InputError
from bench.events import StepStarted, ignore
from bench.profiles.abs_model import AbsCodes, Keying
from bench.profiles.model import Circuit, ControlUnit, Load, Profile
from bench.results import Evidence, Finding, Run, Severity, Trace, Value, Verdict, Where
from bench.safety import GuardedBoard
from bench.sequences.attended import Attended, Surroundings, attend
from bench.sequences.circuits import judge_alone
from bench.sequences.drawing import Drawing
from bench.sequences.inspection import Inspection, reading_of
from bench.sequences.ledger import Ledger
from bench.sequences.settle import MEAN_S
from bench.sequences.values import judged

STEP = "abs"
START_HZ, START_SAMPLES = 1000, 4096
BLINK_HZ = 100
POLL_S = 0.02
STARTED_SHARE = 0.5  # of the drawn current: with less the unit does not run
LOW_V = 9.6  # just above what FHWA-MC-98-008 asks for at the unit
DROP_OUT_SHARE = 0.4  # of nominal: no unit runs on it (assumption)
SETTLES_S = 0.6
RUNS_SHARE = 0.6
UNIT_SIGMAS = 2.0  # tolerances of the profile are two sigma
DONE = "done"


class Taps:
    """Lines typed by whoever looks at the lamp: Enter at each blink, ``done`` at the end."""

    def __init__(self) -> None:
        self.at_s: list[float] = []
        self.over = False

    def put(self, line: str) -> None:
        """Take a line, typed now."""
        if line.strip():
            self.over = line.strip().lower() == DONE
        else:
            self.at_s.append(asyncio.get_running_loop().time())

    def pulses(self) -> list[Pulse]:
        """Blinks at the taps, as long as half of the shortest pause."""
        pauses = np.diff(self.at_s)
        on_s = float(pauses.min()) / 2 if len(pauses) else 0.1
        return [Pulse(at_s, at_s + on_s) for at_s in self.at_s]


async def run_abs(
    guard: GuardedBoard,
    profile: Profile,
    *,
    codes: bool = True,
    taps: Taps | None = None,
    **around: Unpack[Surroundings],
) -> Run:
    """Test the ABS unit of a trailer.

    Args:
        guard: entered, with the same profile.
        profile: with a control unit, and how it is asked for codes.
        codes: ask for blink codes, too.
        taps: of somebody who counts blinks where the current does not show them; None for nobody.
        around: what the session gives.

    Raises:
        InputError: the profile has no control unit.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    circuit, unit = unit_of(profile)
    inspection = Inspection(guard, profile, around.get("tell", ignore), STEP)
    test = _Abs(inspection, circuit, unit, profile.abs_codes if codes else None, taps, step=STEP, title="ABS unit")
    return await attend(inspection, STEP, "ABS unit", test.body, test.unfinished, **around)


def unit_of(profile: Profile) -> tuple[Circuit, Load]:
    """The circuit that feeds a control unit, and the unit.

    Raises:
        InputError: there is none.
    """
    for circuit in profile.circuits:
        if feeds_unit(profile, circuit):
            return circuit, next(each for each in profile.loads_of(circuit.name) if isinstance(each.type, ControlUnit))
    raise InputError(f"profile {profile.name} draws no ABS unit (control_unit): there is nothing to test")


@dataclass
class _Abs(Attended):
    inspection: Inspection
    circuit: Circuit
    unit: Load
    codes: AbsCodes | None
    taps: Taps | None

    @property
    def channel(self) -> int:
        return self.inspection.channel(self.circuit)

    @property
    def lamp_a(self) -> float:
        return self.unit.type.lamp_a if isinstance(self.unit.type, ControlUnit) else 0.0

    async def body(self, ledger: Ledger) -> None:
        """Supply, lamp, codes; everything off; the result into the record."""
        guard = self.inspection.guard
        self.inspection.tell(StepStarted(STEP, "ABS unit", 1, 1))
        self.began_s = (await guard.snapshot()).uptime_s
        runs = await self._start()
        if runs:
            await self._low_supply()
            if self.codes is not None:
                await self._codes(self.codes)
        await guard.off()
        await ledger.add(self.result((await guard.snapshot()).uptime_s))

    # --- supply and lamp ---

    async def _start(self) -> bool:
        """Feed the unit with a recording from power-on; whether it runs."""
        guard = self.inspection.guard
        trace = await self._recorded("power-on", START_HZ, START_SAMPLES / START_HZ)
        seen = await guard.wait(MEAN_S)
        if seen.channel(self.channel).state is ChannelState.TRIPPED:
            self.values.append(judged(f"{self.circuit.name} current", None, "A"))
            self.reasons.append(f"the board switched {self.circuit.name} off by itself: inspect the circuit first")
            return False
        reading = self.inspection.note(reading_of(self.inspection, "drive", (self.circuit,), seen))
        drawn_a = Drawing(self.inspection.measurements()).of(reading).pin_a[self.circuit.pin]
        late_a = trace.columns["current_a"][-START_HZ:]
        mean_a = float(np.mean(late_a)) if late_a else seen.channel(self.channel).current_a
        self.values += judge_alone(self.inspection, self.circuit, reading)
        self.inspection.progress(seen, "fed", self.circuit)
        if mean_a < STARTED_SHARE * drawn_a:
            self._starved(mean_a, drawn_a, seen.channel(self.channel).voltage_v)
            return False
        self._lamp(trace, drawn_a)
        return True

    def _starved(self, mean_a: float, drawn_a: float, pin_v: float) -> None:
        self._find(
            "abs-supply",
            "safety",
            f"The ABS unit does not run: it takes {mean_a:.2f} A of about {drawn_a:.2f} A at {pin_v:.1f} V on the pin.",
            "Measure the voltage at the unit's own plug under load; look for a bad contact, a fuse or a broken wire.",
            [Evidence("current", mean_a, "A"), Evidence("drawn current", drawn_a, "A"), Evidence("pin", pin_v, "V")],
            0.95,
        )

    def _lamp(self, trace: Trace, drawn_a: float) -> None:
        if self.lamp_a <= 0:
            self.values.append(judged("lamp check", None, "s", source="the lamp is fed from elsewhere: look at it"))
            return
        gain = self.inspection.identity.current_gain_error
        share = hypot(self.unit.tolerance / UNIT_SIGMAS, gain)
        check = bulb_check(trace.columns["current_a"], trace.dt_s, unit_a=drawn_a, lamp_a=self.lamp_a, share=share)
        verdicts = {"sound": Verdict.PASS, "unclear": Verdict.UNSURE}
        verdict = verdicts.get(check.how, Verdict.FAIL)
        self.values.append(Value("lamp goes out after", check.out_after_s, "s", verdict=verdict, source=SOURCE))
        self._lamp_finding(check, drawn_a)

    def _lamp_finding(self, check: BulbCheck, drawn_a: float) -> None:
        evidence = [
            Evidence("current after power-on", check.level_a, "A"),
            Evidence("unit without lamp, drawn", drawn_a, "A"),
            Evidence("lamp, drawn", self.lamp_a, "A"),
        ]
        if check.how == "dark":
            self._find(
                "abs-lamp",
                "safety",
                "The ABS warning lamp did not light when power came on.",
                "Look at the lamp while power comes on; check the lamp, its wire and its ground.",
                evidence,
                0.9,
            )
        elif check.how == "stays-lit":
            self._find(
                "abs-code",
                "safety",
                "The ABS warning lamp stays lit: the unit reports a malfunction.",
                "Read the blink code below, or ask the unit in its maker's way.",
                evidence,
                0.9,
            )
        elif check.how == "unclear":
            self.reasons.append("what the lamp did can't be told from the current: look at it")

    async def _low_supply(self) -> None:
        """A supply just sufficient, one that is too low, and back again."""
        guard = self.inspection.guard
        supply_v = (await guard.snapshot()).supply_v
        power_w = self.unit.type.power_w if isinstance(self.unit.type, ControlUnit) else 0.0
        scale = self.inspection.profile.nominal_v / 12
        steps = (
            (f"current at {LOW_V * scale:.1f} V", LOW_V * scale),
            ("current when starved", None),
            ("current after", supply_v),
        )
        for name, volts in steps:
            at_v = DROP_OUT_SHARE * self.inspection.profile.nominal_v if volts is None else volts
            await guard.drive(self.channel, min(at_v / supply_v, 1.0))
            seen = await guard.wait(SETTLES_S)
            current_a = seen.channel(self.channel).current_a
            least_a = RUNS_SHARE * power_w / at_v
            low, high = (None, least_a) if volts is None else (least_a, None)
            self.values.append(
                judged(
                    name, current_a, "A", low=low, high=high, outside=Verdict.UNSURE, source="the unit's drawn power"
                )
            )

    # --- codes ---

    async def _codes(self, codes: AbsCodes) -> None:
        watched = await self._keyed(codes)
        begun = round(_silence_s(codes.keying) / watched.dt_s)
        read = read_blinks(watched.columns["current_a"][begun:], watched.dt_s, digits=codes.digits)
        if read.code is None and self.taps is not None:
            self.reasons.append(f"not read from the current: {read.why}")
            read = await self._tapped(codes, self.taps)
        if read.code is None:
            knows = any(finding.kind == "abs-code" for finding in self.findings)
            self.reasons.append(f"no blink code was read: {read.why}")
            if knows:
                self.values.append(judged("blink code read", None, "1", source=read.why))
            return
        self._told(read, codes)

    def _told(self, read: Blinks, codes: AbsCodes) -> None:
        meaning = codes.meanings.get(read.text)
        means = f"{meaning}." if meaning else "The profile does not say what it means: see the maker's table."
        self.findings = [finding for finding in self.findings if finding.kind != "abs-code"]
        self._find(
            "abs-code",
            "safety",
            f"The ABS unit blinks code {read.text}. {means}",
            "Follow the maker's manual for this code, repair, clear it in the maker's way, and test again.",
            [
                Evidence("repetitions that agree", float(read.repeats), "1"),
                Evidence("step of the lamp", read.step_a, "A"),
                Evidence("blinks", float(len(read.pulses)), "1"),
            ],
            read.confidence,
        )

    async def _keyed(self, codes: AbsCodes) -> Trace:
        """Ask for the codes in the profile's way; the current from the last switching on."""
        guard, keying = self.inspection.guard, codes.keying
        if keying.way == "interrupt-supply":
            for _ in range(keying.count - 1):
                await guard.off([self.channel])
                await guard.wait(keying.off_s)
                await guard.drive(self.channel)
                await guard.wait(keying.on_s)
            await guard.off([self.channel])
            await guard.wait(keying.off_s)
            return await self._recorded("blinks", BLINK_HZ, codes.watch_s)
        stop = self._stop()
        if keying.way == "pulse-stop":
            for _ in range(keying.count):
                await guard.drive(stop)
                await guard.wait(keying.on_s)
                await guard.off([stop])
                await guard.wait(keying.off_s)
            return await self._polled(codes.watch_s)
        await guard.drive(stop)
        for _ in range(keying.count):
            await guard.off([self.channel])
            await guard.wait(keying.off_s)
            await guard.drive(self.channel)
            await guard.wait(keying.on_s)
        return await self._polled(codes.watch_s)

    def _stop(self) -> int:
        """Channel of the stop circuit.

        Raises:
            InputError: the connector's pin table has none.
        """
        pins = {pin.number for pin in self.inspection.profile.connector.pins if "stop" in pin.function.lower()}
        for circuit in self.inspection.profile.circuits:
            if circuit.pin in pins:
                return self.inspection.channel(circuit)
        raise InputError("this way of asking for codes needs the stop circuit, and the profile has none")

    async def _tapped(self, codes: AbsCodes, taps: Taps) -> Blinks:
        """Ask again, and let somebody count."""
        guard = self.inspection.guard
        guard.remark(f"watch the lamp: Enter at each blink, '{DONE}' and Enter when the code has come twice")
        asking = asyncio.create_task(self._keyed(codes))
        try:
            counted = 0
            while not taps.over and not asking.done():
                await asyncio.sleep(POLL_S)
                if len(taps.at_s) != counted:
                    counted = len(taps.at_s)
                    guard.remark(f"{counted} blinks")
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)
        return read_pulses(taps.pulses(), digits=codes.digits)

    # --- recordings ---

    async def _recorded(self, what: str, rate_hz: int, seconds: float) -> Trace:
        """The current from now on, when the circuit is switched on."""
        guard, board = self.inspection.guard, self.inspection.identity
        if not self.inspection.can(Capability.CAPTURE):
            await guard.drive(self.channel)
            return await self._polled(seconds)
        rate_hz = min(rate_hz, board.capture_rate_hz)
        samples = min(round(seconds * rate_hz), board.capture_samples)
        await guard.arm_capture(self.channel, rate_hz, samples)
        await guard.drive(self.channel)
        await guard.wait(samples / rate_hz + MEAN_S)
        capture = await guard.capture()
        return self._kept(what, capture.started_us * 1e-6, capture.dt_s, capture.current_a)

    async def _polled(self, seconds: float) -> Trace:
        """The same by reading again and again, put on an even grid."""
        guard = self.inspection.guard
        seen = await guard.snapshot()
        began_s = seen.uptime_s
        times_s, amps = [began_s], [seen.channel(self.channel).current_a]
        while seen.uptime_s < began_s + seconds:
            seen = await guard.wait(POLL_S, since=seen)
            times_s.append(seen.uptime_s)
            amps.append(seen.channel(self.channel).current_a)
        grid_s = np.arange(began_s, times_s[-1], POLL_S)
        return self._kept("blinks", began_s, POLL_S, np.interp(grid_s, times_s, amps).tolist())

    def _kept(self, what: str, started_s: float, dt_s: float, current_a: Sequence[float]) -> Trace:
        trace = Trace(f"{what} {self.circuit.name}", started_s, dt_s, {"current_a": tuple(current_a)})
        self.traces.append(trace)
        return trace

    def _find(
        self, kind: str, severity: Severity, explain: str, todo: str, evidence: list[Evidence], confidence: float
    ) -> None:
        self.findings.append(
            Finding(
                kind=kind,  # type: ignore[arg-type]
                circuits=(self.circuit.name,),
                pins=(self.circuit.pin,),
                verdict=Verdict.FAIL,
                severity=severity,
                confidence=round(confidence, 3),
                explain=explain,
                next=todo,
                where=Where("component", self.unit.name),
                evidence=tuple(evidence),
                source=None if kind == "abs-supply" else SOURCE,
            )
        )


def _silence_s(keying: Keying) -> float:
    """From a recording's beginning until blinks may come."""
    passed_s = {"interrupt-supply": 0.0, "pulse-stop": keying.off_s, "pulse-supply-with-stop": keying.on_s}
    return max(keying.wait_s - passed_s[keying.way], BURST_S)

"""A loose cable: what it joins, what leaks, and what each conductor resists.

With both ends in the board's two sockets everything is told. On a board with one socket the far end is first left
free, which shows bridges and leaks, and then a shorting cap joins all its pins: conductors are then fed one by one, the
ground conductor takes the current back, and a pin without current is the sense wire to the cap. A cap can't show
crossed pins.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import fmean, median
from typing import Unpack

from bench.contract.readings import FarSocket, Snapshot
from bench.contract.table import FAR_GROUND_BIT, FAR_NEGATIVE_BIT, Capability, Return
from bench.electrical.cable import Conductor, Row, bad, fitted_length_m, listed, most_ohm, topology
from bench.errors import InputError
from bench.events import StepStarted, ignore
from bench.profiles.cable import copper_ohm
from bench.profiles.model import Profile
from bench.results import Run, Size, Trace, Value, Verdict
from bench.safety import GuardedBoard
from bench.sequences.attended import Attended, Surroundings, attend
from bench.sequences.inspection import Inspection
from bench.sequences.lab.insulation import leak_ohm
from bench.sequences.ledger import Ledger
from bench.sequences.operator import Operator, Question, is_yes
from bench.sequences.settle import MEAN_S
from bench.sequences.values import judged

STEP = "cable"
READINGS = 4
PULSES = 6
PULSE_S = 0.010
LEAST_A = 0.02  # of a pulse: less current is none
SETTLES_S = 0.05
LEAST_LEAK_OHM = 1e6  # common practice, no source
CONTACT_OHM = 0.02
CONTACT_SOURCE = "copper of its gauge and length (ASTM B258), and two contacts of 20 milliohm (common practice)"
ONE_SOCKET = "the board has no second socket: crossed pins can't be told, the rest is tested with a shorting cap"

FREE = Question(
    "cable-free", "Is one end of the cable in the board's socket, and the other end free and touching nothing?"
)
CAPPED = Question("cable-cap", "Is the shorting cap on the free end now?", safety=False, node="cap")
UNCAPPED = Question("cable-cap-off", "The cable is done. Is the cap off?", safety=False, lasts=False, node="chassis")
PLUGGED = Question("cable-plugged", "Are both ends of the cable in the board's sockets, and nothing else?")


async def run_cable(
    guard: GuardedBoard,
    profile: Profile,
    *,
    length_m: float | None = None,
    **around: Unpack[Surroundings],
) -> Run:
    """Test a loose cable.

    Args:
        guard: entered, with the same profile.
        profile: of the cable, as ``bench.profiles.cable`` makes it.
        length_m: of its conductors; None to take the length that fits most of them.
        around: what the session gives.

    Raises:
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    if length_m is not None and not 0 < length_m <= 1000:
        raise InputError(f"{length_m:g} m is no length of a cable: give metres, such as 4.6")
    inspection = Inspection(guard, profile, around.get("tell", ignore), STEP)
    test = _Cable(inspection, length_m, step=STEP, title=profile.title)
    return await attend(inspection, "cable", profile.title, test.body, test.unfinished, permit=test.permit, **around)


@dataclass(frozen=True, slots=True)
class _Seen:
    """Means of readings by pin, ground pins as one."""

    near_v: Mapping[int, float]
    far_v: Mapping[int, float]


@dataclass
class _Cable(Attended):
    inspection: Inspection
    length_m: float | None
    person: Operator | None = None
    rows: list[Row] = field(default_factory=list)
    rest: _Seen = field(default_factory=lambda: _Seen({}, {}))

    # --- what is plugged in ---

    @property
    def far(self) -> bool:
        return self.inspection.can(Capability.FAR_SOCKET)

    @property
    def pins(self) -> list[int]:
        """Live pins that the board has a channel for."""
        return [circuit.pin for circuit in self.inspection.reachable()]

    @property
    def ground(self) -> int | None:
        """The first ground pin stands for all."""
        return next(iter(self.inspection.profile.connector.ground_pins), None)

    def channel(self, pin: int) -> int:
        return self.inspection.profile.channel_of_pin[pin]

    def bit(self, pin: int) -> int:
        return FAR_GROUND_BIT if pin == self.ground else 1 << self.channel(pin) - 1

    async def permit(self, inspection: Inspection, operator: Operator) -> str | None:
        """Pulses of an ampere for milliseconds hurt nobody, but what is plugged in must be a cable."""
        self.person = operator
        needs = Capability.PROBE | Capability.COLD_PULSE | Capability.RETURN_SWITCHES
        missing = needs & ~inspection.guard.capabilities
        if missing:
            names = ", ".join(str(each.name).lower().replace("_", " ") for each in missing)
            return f"the board has no {names}"
        question = PLUGGED if self.far else FREE
        answer = await operator.ask(question)
        return None if is_yes(answer) else f"not answered with yes ({question.key}): {question.text}"

    # --- the test ---

    async def body(self, ledger: Ledger) -> None:
        """Map and leaks first, with next to no current; then resistances."""
        inspection = self.inspection
        inspection.tell(StepStarted(STEP, inspection.profile.title, 1, 1))
        if not self.far:
            self.reasons.append(ONE_SOCKET)
        self.began_s = (await inspection.guard.snapshot()).uptime_s
        await inspection.guard.returns(Return.NONE)
        await self._map()
        if self.far:
            await self._resistances_far()
        elif self.person is not None and is_yes(await self.person.ask(CAPPED)):
            await self._resistances_cap()
            await self.person.ask(UNCAPPED)
        else:
            self.reasons.append("nobody put a shorting cap on: opens and resistances are not tested")
            self.values.append(judged("conductors", None, "ohm"))
        await ledger.add(self.result((await inspection.guard.snapshot()).uptime_s))

    async def _mean(self) -> _Seen:
        seen: list[tuple[Snapshot, FarSocket | None]] = []
        for _ in range(READINGS):
            now = await self.inspection.guard.wait(MEAN_S)
            seen.append((now, await self.inspection.guard.far_socket() if self.far else None))
        near = {pin: fmean(now.channel(self.channel(pin)).voltage_v for now, _ in seen) for pin in self.pins}
        sockets = [far for _, far in seen if far is not None]
        far = {pin: fmean(each.voltage_v[self.channel(pin) - 1] for each in sockets) for pin in self.pins if sockets}
        if self.ground is not None:
            near[self.ground] = fmean(now.ground_pin_v for now, _ in seen)
            far |= {self.ground: fmean(each.ground_v for each in sockets)} if sockets else {}
        return _Seen(near, far)

    async def _map(self) -> None:
        guard = self.inspection.guard
        rest = self.rest = await self._mean()
        for pin in self.pins:
            await guard.keep_probing(self.channel(pin))
            seen = await guard.wait(SETTLES_S)
            up = await self._mean()
            await guard.off([self.channel(pin)])
            self.inspection.progress(seen, f"pin {pin} probed")
            self.rows.append(Row(pin, _less(up.near_v, rest.near_v), _less(up.far_v, rest.far_v)))
        self.findings += topology(self.rows)
        self.values += [self._arrival(row) for row in self.rows if row.far_v]
        self.values += [self._leak(row) for row in self.rows]
        self.traces.append(_matrix(self.rows))

    def _arrival(self, row: Row) -> Value:
        on = min(row.arrives - {row.fed} or row.arrives, default=0)
        verdict = Verdict.PASS if row.arrives == {row.fed} else Verdict.FAIL
        name = f"pin {row.fed} arrives on pin"
        return Value(
            name, float(on), "1", row.fed, row.fed, verdict, f"on {listed(row.arrives) if row.arrives else 'none'}"
        )

    def _leak(self, row: Row) -> Value:
        board, fed_v = self.inspection.identity, row.near_v[row.fed]
        pull_down_ohm = board.pull_down_ohm / (2 if row.far_v else 1)
        others = {pin: max(volts, row.far_v.get(pin, 0.0)) for pin, volts in row.near_v.items() if pin != row.fed}
        apart = {pin: volts for pin, volts in others.items() if pin not in row.bridged | row.arrives}
        name = f"leakage of pin {row.fed}"
        if not apart:
            return judged(name, None, "ohm", source="all pins are joined")
        worst_pin = max(apart, key=lambda pin: apart[pin])
        ohm = leak_ohm(fed_v, apart[worst_pin], pull_down_ohm)
        if ohm < LEAST_LEAK_OHM and (worst_pin > row.fed or worst_pin == self.ground):  # each pair once
            text = f"Pin {row.fed} leaks to pin {worst_pin}: {ohm:.0f} ohm."
            self.findings.append(bad("leak", sorted((row.fed, worst_pin)), text, row, Size(ohm, "ohm")))
        return judged(name, ohm, "ohm", low=LEAST_LEAK_OHM, source=f"to pin {worst_pin}; common practice, no source")

    # --- resistances ---

    async def _resistances_far(self) -> None:
        """Each conductor by itself to the negative side at the far end; the ground one takes a sound one's current."""
        guard = self.inspection.guard
        ohms: dict[int, float | None] = {}
        for row in self.rows:
            if row.bridged or len(row.arrives) != 1:
                continue
            end = min(row.arrives)
            await guard.join_far(self.bit(end) | FAR_NEGATIVE_BIT)
            ohms[row.fed] = _ohm(await self._pulses(row.fed, near=row.fed, far=end))
        through = next((row.fed for row in self.rows if row.arrives == {row.fed} and not row.bridged), None)
        if self.ground is not None and through is not None:
            await guard.join_far(self.bit(through) | self.bit(self.ground))
            await guard.returns(Return.PIN)
            ohms[self.ground] = _ohm(
                [(amps, -volts) for amps, volts in await self._pulses(through, near=self.ground, far=self.ground)]
            )
            await guard.returns(Return.NONE)
        await guard.join_far(0)
        self._judge(ohms)

    async def _resistances_cap(self) -> None:
        """Each conductor fed in turn, back by the ground conductor; the cap's voltage on the pins without current."""
        guard = self.inspection.guard
        await guard.returns(Return.PIN)
        ohms: dict[int, float | None] = {}
        grounds: list[float] = []
        for pin in self.pins:
            others = [other for other in self.pins if other != pin]
            shots = [await guard.pulse(self.channel(pin), PULSE_S) for _ in range(PULSES)]
            amps = fmean(shot.channel(self.channel(pin)).current_a for shot in shots)
            volts = {each: fmean(self._near(shot, each) for shot in shots) for each in (pin, *others)}
            cap_v = median(volts[other] for other in others)
            self.inspection.progress(shots[-1], f"pin {pin} pulsed")
            if amps < LEAST_A:
                ohms[pin] = None
                continue
            ohms[pin] = (volts[pin] - cap_v) / amps
            if self.ground is not None:
                grounds.append((cap_v - fmean(self._near(shot, self.ground) for shot in shots)) / amps)
        await guard.returns(Return.NONE)
        if self.ground is not None:
            ohms[self.ground] = median(grounds) if grounds else None
        self._judge(ohms)

    async def _pulses(self, fed: int, *, near: int, far: int) -> list[tuple[float, float]]:
        """Current, and volts from a near pin to a far one, of some pulses on ``fed``."""
        guard, channel, pairs = self.inspection.guard, self.channel(fed), []
        for _ in range(PULSES):
            shot = await guard.pulse(channel, PULSE_S)
            pairs.append(
                (shot.channel(channel).current_a, self._near(shot, near) - self._far(await guard.far_socket(), far))
            )
        self.inspection.progress(shot, f"pin {fed} pulsed")
        return pairs

    def _near(self, shot: Snapshot, pin: int) -> float:
        volts = shot.ground_pin_v if pin == self.ground else shot.channel(self.channel(pin)).voltage_v
        return volts - self.rest.near_v[pin]

    def _far(self, far: FarSocket, pin: int) -> float:
        volts = far.ground_shot_v if pin == self.ground else far.shot_v[self.channel(pin) - 1]
        return volts - self.rest.far_v[pin]

    def _judge(self, ohms: Mapping[int, float | None]) -> None:
        """Values of all conductors; findings of those that are open behind a cap, or resist too much."""
        drawn = {pin.number: pin for pin in self.inspection.profile.connector.pins}
        told = [Conductor(pin, ohm, copper_ohm(drawn[pin], 1.0)) for pin, ohm in ohms.items() if ohm is not None]
        length_m = self.length_m
        if length_m is None:
            length_m = fitted_length_m(told) or 0.0
            self.values.append(Value("length of copper that fits most conductors", length_m, "m"))
            self.reasons.append("no length was given: a cable that is evenly bad would not show")
        for pin, ohm in ohms.items():
            if ohm is None:
                self.values.append(Value(f"conductor of pin {pin}", None, "ohm", verdict=Verdict.FAIL, source="open"))
                self.findings.append(bad("open", [pin], f"The conductor of pin {pin} carries nothing to the far end."))
        for each in told:
            self._judge_one(each, length_m)

    def _judge_one(self, each: Conductor, length_m: float) -> None:
        high = most_ohm(each, length_m, CONTACT_OHM)
        self.values.append(judged(f"conductor of pin {each.pin}", each.ohm, "ohm", high=high, source=CONTACT_SOURCE))
        if each.ohm > high:
            text = f"The conductor of pin {each.pin} has {each.ohm:.3f} ohm; sound is at most {high:.3f} ohm."
            self.findings.append(bad("high resistance", [each.pin], text, None, Size(each.ohm, "ohm")))


def _ohm(pairs: list[tuple[float, float]]) -> float | None:
    """Resistance of pulses; None where next to no current went."""
    amps = fmean(pair[0] for pair in pairs)
    return None if amps < LEAST_A else fmean(pair[1] for pair in pairs) / amps


def _less(volts: Mapping[int, float], rest: Mapping[int, float]) -> dict[int, float]:
    return {pin: seen - rest[pin] for pin, seen in volts.items()}


def _matrix(rows: list[Row]) -> Trace:
    """A sample for each fed pin, a column for each pin read at either end."""
    near = {f"near_{pin}_v": tuple(row.near_v[pin] for row in rows) for pin in (rows[0].near_v if rows else ())}
    far = {f"far_{pin}_v": tuple(row.far_v[pin] for row in rows) for pin in (rows[0].far_v if rows else ())}
    return Trace("pin-to-pin map, a row for each fed pin", 0.0, 1.0, near | far)

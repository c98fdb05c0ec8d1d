"""The wiggle test: circuits are watched while somebody moves the wire, and every change is counted.

How a circuit is watched:

- **probed**: 12 mA through the probe resistor, the voltage judged 1,000 times a second. Nothing is lit. The
  board has one probe, so this is how a single circuit is watched.
- **lit**: soft-started and kept on, the current judged 1,000 times a second. All lit circuits are
  watched at once and without gaps; taking turns with the one probe would look at each of six for a sixth
  of the time, and at a reduced voltage LED lamps take nothing. So this is how several
  are watched. It also sees one lamp of a few fall out, and it is the only way for a circuit whose control
  unit can't be told from an open pin at 12 mA. A short trips the output within 20 ms.
- **exercised**: a shorted wire gets the board's retry pulses (5 A for 5 ms every 100 ms) with the probe
  between them, which neither heat it nor blow anything. One circuit at a time. When its short has
  stayed away for a while, a circuit that is to be lit is soft-started again.

What goes into a fault is added up as I2t, and a circuit that has had its share is left alone.

Changes come from the board's event FIFO with the board's own time stamps. So a link that fails for less than the
watchdog's time loses none; one that fails for longer makes the board switch everything off, which ends the run.
"""

import asyncio
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from math import inf
from typing import Unpack

from bench.contract.readings import Event, Snapshot
from bench.contract.table import Capability, ChannelState, EventKind, TripReason
from bench.electrical.plan import feeds_unit
from bench.errors import LinkError
from bench.events import Changed, StepStarted, ignore
from bench.profiles.model import Circuit, Profile, Protection
from bench.results import Run, StepResult
from bench.safety import Denied, GuardedBoard, Setup
from bench.sequences.attended import Surroundings, attend, chosen
from bench.sequences.conduction import Marks, What
from bench.sequences.inspection import Inspection
from bench.sequences.ledger import Ledger, why
from bench.sequences.settle import MEAN_S, settle
from bench.sequences.typed import Typed
from bench.sequences.wiggle_result import Summary, Watching, conclude

STEP = "wiggle"
LOOK_EVERY_S = 0.1
PAUSE_S = 0.02  # before a link that failed is tried again
CALM_S = 2.0  # a short that stays away so long is over, for now
PULSES_TO_TELL = 3  # a short that is there shows in the first ones
REFER_S = 0.05
REFER_TRIES = 40
DRAWN_FACTOR = 1.05  # other circuits that are lit lower the supply and raise the ground a little
HELD_BACK_S = 0.01  # events are looked at together with those of the next milliseconds
ECHO_US = 3000
CHANGES = frozenset({EventKind.BROKE, EventKind.MADE, EventKind.TRIP, EventKind.CHANNEL_STATE})
LIMIT_FACTOR = 1.5
WARMS_UP_S = 1.0  # a cold lamp at such a limit
UNIT_LOOKS_S = 5.0  # a control unit's own start and lamp check, after which its current is a reference
CONDUCTS_SHARE = 0.90  # of the supply, under the probe; as the board's monitor has it
CONDUCTS_A = 0.060
SHORT_TOLD_S = 0.020  # how long a try lasts that ends because it met a short
MOST_A2S = 600.0
"""What one fault may get in one run: a quarter of what takes 18 AWG copper from 50 to 70 degC if none of it cools."""


class Heard:
    """The board's events between their reading and their use, and how many were overwritten before."""

    def __init__(self) -> None:
        self.lost = 0
        self._events: list[Event] = []
        self._next: int | None = None

    def take(self, event: Event) -> None:
        """Take an event as the session reads it; a gap in the positions is events lost."""
        if self._next is not None:
            self.lost += max(event.position - self._next, 0)
        self._next = event.position + 1
        self._events.append(event)

    def drain(self, until_s: float = inf) -> list[Event]:
        """What has come since the last time and happened before ``until_s`` of the board's clock, oldest first.

        Events that follow each other closely stay together.
        """
        events = self._events
        count = sum(event.uptime_us * 1e-6 <= until_s for event in events)
        while 0 < count < len(events) and events[count].uptime_us - events[count - 1].uptime_us <= ECHO_US:
            count -= 1
        self._events = events[count:]
        return events[:count]


def without_echoes(events: Sequence[Event], units: Collection[int], *, beside: bool = False) -> list[Event]:
    """Events without the answers of a control unit's input capacitor to supply steps that other circuits make.

    When a lamp beside it goes or comes, the capacitor feeds the unit for a millisecond and its pin takes nothing.
    A channel in ``units`` whose opening is as short as that, at the moment another channel changes, did not open; nor
    did it with ``beside``, when a change of another might have made no event.
    """
    echoes: set[int] = set()
    for broke in (event for event in events if event.kind is EventKind.BROKE and event.index in units):
        made = next((e for e in events if e.index == broke.index and e.position > broke.position), None)
        echoed = beside or any(
            event.index not in units and event.kind in CHANGES and abs(event.uptime_us - broke.uptime_us) <= ECHO_US
            for event in events
        )
        if echoed and made is not None and made.uptime_us - broke.uptime_us <= ECHO_US:
            echoes |= {broke.position, made.position}
    return [event for event in events if event.position not in echoes]


def gently(profile: Profile, only: Collection[str] | None = None) -> Profile:
    """The profile with lower current limits, for a watch of the circuits named in ``only``.

    Half as much again as the largest circuit takes: a lamp gets warm in more time, and a short gets less.
    """
    nominal = Setup.of(profile).nominal_a
    largest_a = max(nominal[profile.channel_of_pin[circuit.pin]] for circuit in chosen(profile, only))
    usual = profile.protection
    limit_a = min(max(usual.wiggle_limit_a, LIMIT_FACTOR * largest_a), usual.limit_a)
    longest_s = min(usual.energy_a2s / limit_a**2, WARMS_UP_S)
    return replace(
        profile,
        protection=replace(
            usual, start_limit_a=min(usual.start_limit_a, limit_a), limit_a=limit_a, limit_time_s=longest_s
        ),
    )


async def run_wiggle(
    guard: GuardedBoard,
    profile: Profile,
    *,
    heard: Heard,
    only: Collection[str] | None = None,
    seconds: float | None = 60.0,
    lit: bool = False,
    typed: Typed | None = None,
    most_a2s: float = MOST_A2S,
    **around: Unpack[Surroundings],
) -> Run:
    """Watch circuits for changes while somebody moves the wire.

    Args:
        guard: entered, with the same profile, made ``gently``.
        profile: whose circuits are watched.
        heard: gets the board's events; the guard's ``on_event``.
        only: names of the circuits, all when None.
        seconds: how long, board time; None until stopped.
        lit: keep a single circuit lit instead of probing it.
        typed: lines that name places.
        most_a2s: what may go into one fault.
        around: what the session gives.

    Raises:
        InputError: an unknown circuit; nothing was switched.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    circuits = chosen(profile, only)
    inspection = Inspection(guard, profile, around.get("tell", ignore), STEP)
    wiggle = _Wiggle(
        inspection, [Watching(each, inspection.channel(each)) for each in circuits], heard, seconds, most_a2s
    )
    wiggle.probes = len(circuits) == 1 and not lit and not feeds_unit(profile, circuits[0])
    wiggle.typed = typed or Typed()
    return await attend(inspection, "wiggle", wiggle.title, wiggle.body, wiggle.unfinished, **around)


@dataclass
class _Wiggle:
    inspection: Inspection
    watched: list[Watching]
    heard: Heard
    seconds: float | None
    most_a2s: float
    probes: bool = False
    typed: Typed = field(default_factory=Typed)
    marks: Marks = field(default_factory=Marks)
    referred: dict[int, bool] = field(default_factory=dict)  # which references are of a sound contact
    dropouts: int = 0
    began_s: float | None = None
    now_s: float = 0.0

    # --- the run ---

    @property
    def title(self) -> str:
        names = ", ".join(each.circuit.name for each in self.watched)
        return f"Wiggle test of {names}" if len(self.watched) <= 2 else f"Wiggle test of {len(self.watched)} circuits"

    @property
    def guard(self) -> GuardedBoard:
        return self.inspection.guard

    @property
    def protection(self) -> Protection:
        return self.inspection.profile.protection

    async def body(self, ledger: Ledger) -> None:
        """Feed, watch, switch off, conclude."""
        self.inspection.tell(StepStarted(STEP, self.title, 1, 1))
        seen = await self.guard.snapshot()
        self.began_s = self.now_s = seen.uptime_s
        await self._begin()
        await self._watch()
        await self.guard.off()
        await self.guard.read_events()
        self._hear()
        await ledger.add(self._result())

    def unfinished(self, error: BaseException) -> StepResult | None:
        """What had been seen when the run was cut short."""
        return None if self.began_s is None else self._result(f"cut short: {why(error)}")

    def _result(self, cut_short: str | None = None) -> StepResult:
        began_s = self.began_s or 0.0
        summary = Summary(STEP, self.title, began_s, self.now_s, self.heard.lost, self.dropouts, cut_short)
        return conclude(self.inspection.profile, summary, self.watched, self.marks)

    # --- way in ---

    async def _begin(self) -> None:
        if not self.inspection.can(Capability.WIGGLE_MONITOR):
            for each in self.watched:
                each.ended = "the board has no wiggle monitor"
            return
        for each in self.watched:
            await self._look_for_short(each)
        for each in self.watched:
            if not each.tally.shorted:
                await self._feed(each)
        await self._take_references([each for each in self.watched if each.how != "off"])
        await self.guard.read_events()
        self._hear_trips()

    def _hear_trips(self) -> None:
        """Of what happened before the watch, only outputs that the board switched off count."""
        trips = [event for event in self.heard.drain() if event.kind is EventKind.TRIP]
        for each in self.watched:
            for event in trips:
                if event.index == each.channel:
                    self._hear_one(each, EventKind.TRIP, event.uptime_us * 1e-6, event.value)

    async def _look_for_short(self, each: Watching) -> None:
        """A cold pulse, where it means something; what it can't say, the first trip does."""
        if each.channel > self.inspection.identity.channels:
            each.ended = "the board has no channel for it"
            return
        if not self.inspection.can(Capability.COLD_PULSE) or feeds_unit(self.inspection.profile, each.circuit):
            return
        with suppress(Denied):
            await self.guard.pulse(each.channel)
        if each.channel in self.guard.shorted:
            self._note(each, each.tally.short(self.now_s, self.marks.at(self.now_s)), self.now_s)

    async def _feed(self, each: Watching) -> None:
        if each.ended is not None or (not self.probes and self._too_small(each)):
            return
        try:
            if self.probes:
                await self.guard.keep_probing(each.channel)
            else:
                await self.guard.drive(each.channel)
                await settle(self.guard, [each.channel], longest_s=WARMS_UP_S)  # one inrush at a time
        except Denied as denied:
            each.ended = str(denied)
            return
        each.how = "probed" if self.probes else "lit"
        each.tally.exercised = False

    def _too_small(self, each: Watching) -> bool:
        """Whether the monitor can't tell the circuit's current from none."""
        expected = self.inspection.expectations(float(self.inspection.profile.nominal_v))[each.circuit.name]
        if expected.current_a.low > CONDUCTS_A:
            return False
        each.ended = f"it takes less than {CONDUCTS_A * 1000:.0f} mA, too little to be watched lit: watch it alone"
        return True

    async def _take_references(self, new: list[Watching]) -> None:
        """Let what was just fed settle, then tell the monitor that these are the currents of a sound contact."""
        if not new:
            return
        units = any(feeds_unit(self.inspection.profile, each.circuit) for each in new)
        if lit := [each.channel for each in new if each.how == "lit"]:
            await settle(self.guard, lit, least_s=UNIT_LOOKS_S if units else 0.0, longest_s=UNIT_LOOKS_S)
        seen = await self._refer()
        for each in new:
            each.tally.conducts = self._conducts(each, seen)
        self._pass(seen, [each for each in self.watched if each not in new])

    async def _refer(self) -> Snapshot:
        """Take the present currents as references, if possible at a moment when no contact is open."""
        seen = await self.guard.wait(REFER_S)
        for attempt in range(REFER_TRIES):
            if all(self._as_drawn(seen).values()) or attempt == REFER_TRIES - 1:
                await self.guard.reset_extremes()
                seen = await self.guard.wait(MEAN_S)
                self.referred = self._as_drawn(seen)
                if all(self.referred.values()):
                    break
            seen = await self.guard.wait(REFER_S)
        return seen

    def _as_drawn(self, seen: Snapshot) -> dict[int, bool]:
        """Whether each lit channel takes what the drawing says, with something to spare."""
        expected = self.inspection.expectations(seen.supply_v)
        return {
            each.channel: interval.low / DRAWN_FACTOR
            <= seen.channel(each.channel).current_a
            <= interval.high * DRAWN_FACTOR
            for each in self.watched
            if each.how == "lit" and (interval := expected[each.circuit.name].current_a)
        }

    async def _refer_again(self, seen: Snapshot) -> None:
        """References that were taken while a contact was open are taken again when all are sound."""
        if not all(self.referred.values()) and all((now := self._as_drawn(seen)).values()) and now:
            await self.guard.reset_extremes()
            self.referred = now

    def _pass(self, seen: Snapshot, watched: list[Watching]) -> None:
        """Board time has come to ``seen``; ``watched`` were watched until then."""
        for each in watched:
            each.passed(seen.uptime_s - self.now_s, self.protection)
        self.now_s = seen.uptime_s

    def _conducts(self, each: Watching, seen: Snapshot) -> bool:
        reading = seen.channel(each.channel)
        if each.how == "probed":
            return reading.voltage_v < CONDUCTS_SHARE * seen.supply_v
        return reading.current_a > CONDUCTS_A

    # --- the watch ---

    async def _watch(self) -> None:
        until_s = float("inf") if self.seconds is None else self.now_s + self.seconds
        while self.now_s < until_s and not self.typed.over and self._anything_left():
            try:
                await self._turn(until_s)
            except LinkError:
                # The board goes on and keeps its events; the keeper ends the session when it lasts too long.
                self.dropouts += 1
                await asyncio.sleep(PAUSE_S)

    def _anything_left(self) -> bool:
        return any(each.ended is None for each in self.watched)

    async def _turn(self, until_s: float) -> None:
        seen = await self.guard.wait(min(LOOK_EVERY_S, max(until_s - self.now_s, 0.0)))
        await self.guard.read_events()
        for ago_s, text in self.typed.drain():
            self.marks.place(min(max(seen.uptime_s - ago_s, self.now_s), seen.uptime_s), text)
        self._pass(seen, self.watched)
        self._hear(seen.uptime_s - HELD_BACK_S)
        self._show(seen)
        await self._refer_again(seen)
        for each in self.watched:
            await self._act(each, seen)

    def _hear(self, until_s: float = inf) -> None:
        by_channel = {each.channel: each for each in self.watched}
        units = {each.channel for each in self.watched if feeds_unit(self.inspection.profile, each.circuit)}
        unseen = not all(self.referred.values())  # a neighbour may change without an event
        for event in without_echoes(self.heard.drain(until_s), units, beside=unseen):
            each = by_channel.get(event.index)
            if each is not None and isinstance(event.kind, EventKind):
                self._hear_one(each, event.kind, event.uptime_us * 1e-6, event.value)

    def _hear_one(self, each: Watching, kind: EventKind, board_s: float, value: int) -> None:
        mark = self.marks.at(board_s)
        if kind is EventKind.TRIP:
            each.tripped = TripReason(value)
            each.heat_a2s += _heat_of_try(self.protection, each.tripped)
            if each.tripped is TripReason.SHORT:
                self._note(each, each.tally.short(board_s, mark), board_s)
            return
        if each.how == "exercised" and kind is EventKind.MADE:
            each.confirmed = True
        if each.how != "off":
            self._note(each, each.tally.take(kind, board_s, mark), board_s)

    def _note(self, each: Watching, what: What | None, board_s: float) -> None:
        if what is None:
            return
        each.counts[what] = each.counts.get(what, 0) + 1
        each.changed_s = board_s
        mark = self.marks.at(board_s)
        self.inspection.tell(Changed(STEP, board_s, each.circuit.name, what, each.counts[what], mark))

    def _show(self, seen: Snapshot) -> None:
        fed = [each for each in self.watched if each.how != "off"]
        left = "" if self.seconds is None else f" of {self.seconds:g} s"
        text = f"watched for {max((each.watched_s for each in self.watched), default=0.0):.0f} s{left}"
        only: Circuit | None = fed[0].circuit if len(fed) == 1 else None
        self.inspection.progress(seen, text if only else f"{len(fed)} circuits {text}", only)

    # --- what is done about shorts ---

    async def _act(self, each: Watching, seen: Snapshot) -> None:
        state = seen.channel(each.channel).state if each.channel <= len(seen.channels) else ChannelState.OFF
        if each.ended is not None:
            return
        if each.heat_a2s >= self.most_a2s:
            await self._give_up(each, f"the fault has had {each.heat_a2s:.0f} A²s, its share of one run")
        elif state is ChannelState.TRIPPED:
            await self._after_trip(each, each.tripped)
        elif each.how == "exercised":
            await self._exercise_on(each)
        elif each.how == "off" and each.tally.shorted:
            await self._exercise(each)

    async def _give_up(self, each: Watching, reason: str) -> None:
        await self.guard.off([each.channel])
        each.how, each.ended = "off", reason

    async def _after_trip(self, each: Watching, reason: TripReason | None) -> None:
        """A short is exercised from the next turn on; anything else needs its wire to cool."""
        each.tripped = None
        if reason is TripReason.SHORT:
            await self.guard.off([each.channel])
            each.how = "off"
        else:
            await self._give_up(each, f"the board switched it off: {_words(reason)}")

    async def _exercise(self, each: Watching) -> None:
        if any(other.how in ("exercised", "probed") for other in self.watched):
            return  # there is one probe; its turn comes
        try:
            await self.guard.wiggle(each.channel)
        except Denied as denied:
            each.ended = str(denied)
            return
        each.how, each.tally.exercised, each.confirmed = "exercised", True, False
        each.tally.conducts = None  # a short does; the monitor's first look makes no event
        each.changed_s = self.now_s

    async def _exercise_on(self, each: Watching) -> None:
        calm_s = self.now_s - each.changed_s
        if each.tally.shorted and not each.confirmed and calm_s > PULSES_TO_TELL * self.protection.wiggle_period_s:
            self._note(each, each.tally.clear(self.now_s), self.now_s)  # it had gone before the first pulse
        elif not each.tally.shorted and not self.probes and calm_s > CALM_S:
            await self._light_again(each)

    async def _light_again(self, each: Watching) -> None:
        await self.guard.off([each.channel])
        each.how = "off"
        await self._feed(each)
        if each.how == "lit":
            await self._take_references([each])
            self._note(each, "lit", self.now_s)


def _words(reason: TripReason | None) -> str:
    return reason.name.lower().replace("_", " ") if reason else "unknown reason"


def _heat_of_try(protection: Protection, reason: TripReason) -> float:
    """At most so much I2t has a try let through that ended for ``reason``."""
    at_limit_s = SHORT_TOLD_S if reason is TripReason.SHORT else protection.limit_time_s
    start = protection.start_limit_a**2 * protection.start_time_s
    return start + min(protection.limit_a**2 * at_limit_s, protection.energy_a2s)

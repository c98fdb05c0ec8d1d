"""What can be done with one board, for as long as it is connected.

Every run goes the same way: the profile is read, faults that the board still holds are settled with the
operator, the guarded board opens, and a runner of `bench.sequences` gets it together with what every run is
given (`surroundings`). A new kind of run is one more method with its own few arguments.
"""

from collections.abc import AsyncIterator, Callable, Collection, Mapping
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Protocol, Unpack

from bench.contract.readings import Event as BoardEvent
from bench.contract.readings import Identity, Snapshot
from bench.contract.table import Fault
from bench.electrical import Conclusion
from bench.events import Listener
from bench.judging import Earlier, judge
from bench.keeping import Keeper
from bench.link import Board, BoardUrl, JoinedBoard
from bench.profiles import load_profile, load_sequence
from bench.profiles.cable import cable_profile
from bench.profiles.model import Measurements, Profile
from bench.profiles.sequence_model import Sequence
from bench.records.ids import new_record_id
from bench.results import Run
from bench.safety import GuardedBoard
from bench.safety.hand import Hand
from bench.safety.way_in import HOW_IT_ENDED, claimed
from bench.sequences import (
    Heard,
    Operator,
    Question,
    Typed,
    choose,
    gently,
    run_brakes,
    run_cable,
    run_inspection,
    run_power,
    run_walk,
    run_wiggle,
)
from bench.sequences.abs import Taps, run_abs, unit_of
from bench.sequences.again import what_again
from bench.sequences.attended import Labels, Surroundings, chosen
from bench.sequences.operator import Answer, is_yes
from bench.sequences.scripted import Script, check, run_script, run_sequence
from bench.sequences.skipping import Skip

AnyProfile = str | Path | Profile


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What a board says of itself: what it finds wrong, and its readings with everything off."""

    faults: tuple[str, ...]
    supply_v: float
    board_c: float
    ambient_c: float

    @property
    def passed(self) -> bool:
        """Whether the board found nothing wrong with itself."""
        return not self.faults


class Companion(Protocol):
    """Somebody who goes along with every run: sees each snapshot, may stop it, and may have to hold the control.

    Attributes:
        hand: who must hold the control while air moves something; None for the session itself.
    """

    hand: Hand | None

    def opened(self, guard: GuardedBoard) -> None:
        """A run has begun; its guard can be told to stop."""

    def closed(self) -> None:
        """It is over, and everything is off."""

    def saw(self, snapshot: Snapshot) -> None:
        """The board was read."""


class Alone:
    """Nobody."""

    hand: Hand | None = None

    def opened(self, guard: GuardedBoard) -> None:
        """Nobody looks."""

    def closed(self) -> None:
        """Nobody looks."""

    def saw(self, snapshot: Snapshot) -> None:
        """Nobody looks."""


@dataclass(frozen=True, slots=True)
class Session:
    """One board, for any number of runs one after the other.

    A run's profile is a name, a file or a loaded profile of what is plugged in; its labels (``unit_number``,
    ``vin``, ``operator_name``) stand in the record. Every run raises InputError when profile, name or answer is
    wrong, before anything is switched, and BenchError when it could not go on; outputs are then off and the
    record is closed.

    Attributes:
        identity: who the board is.
    """

    _where: BoardUrl
    _board: Board | JoinedBoard
    identity: Identity
    _store: Keeper
    _tell: Listener
    _notice: Callable[[str], None]
    _operator: Operator
    _answers: dict[str, Answer] = field(default_factory=dict)
    _companion: Companion = field(default_factory=Alone)
    _apart: Executor | None = None

    # --- runs ---

    async def inspect(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        skip: Collection[str] = (),
        skipping: Skip | None = None,
        baseline: Earlier | None = None,
        **labels: Unpack[Labels],
    ) -> Run:
        """Test what is plugged in.

        Args:
            profile: what that is.
            only: names of the steps to do, all when None.
            skip: names of steps to leave out.
            skipping: lets somebody leave out a step while it is done.
            baseline: what an earlier record of the same harness taught.
            labels: for the record.
        """
        choose(only, skip)  # a wrong name is refused before the board is touched
        async with self.guarded(profile) as (guard, loaded):
            return await run_inspection(
                guard,
                loaded,
                only=only,
                skip=skip,
                skipping=skipping,
                conclude=self._concluding(baseline),
                keep=self._store.keep,
                **self.surroundings(labels),
            )

    async def retest(
        self,
        before: Run,
        profile: AnyProfile,
        *,
        closed: Collection[tuple[int, int | None]] = (),
        skipping: Skip | None = None,
        operator_name: str | None = None,
    ) -> Run:
        """Test again what a run found, and what its repair could have touched.

        Args:
            before: the run, whole; its labels are taken over.
            profile: as it was then.
            closed: step and finding numbers that were closed since.
            skipping: as for ``inspect``.
            operator_name: who tests now.

        Raises:
            InputError: nothing is left to test again.
        """
        labels = Labels(unit_number=before.unit_number, vin=before.vin, operator_name=operator_name)
        async with self.guarded(profile) as (guard, loaded):
            again = what_again(before, loaded, closed)
            return await run_inspection(
                guard,
                loaded,
                only=again.steps,
                circuits=again.circuits,
                skipping=skipping,
                conclude=self._concluding(None),
                keep=self._store.keep,
                command="retest",
                **self.surroundings(labels),
            )

    async def walk(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        seconds: float = 10.0,
        rounds: int | None = 1,
        **labels: Unpack[Labels],
    ) -> Run:
        """Light each circuit in turn while somebody walks round and looks.

        Args:
            profile: what is plugged in.
            only: names of the circuits to light, all when None.
            seconds: how long each stays lit.
            rounds: how many; None goes on until stopped.
            labels: for the record.
        """
        known = _loaded(profile)
        chosen(known, only)  # a wrong name is refused before the board is touched
        async with self.guarded(known) as (guard, loaded):
            around = self.surroundings(labels)
            return await run_walk(guard, loaded, only=only, seconds=seconds, rounds=rounds, **around)

    async def wiggle(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str] | None = None,
        seconds: float | None = 60.0,
        lit: bool = False,
        typed: Typed | None = None,
        **labels: Unpack[Labels],
    ) -> Run:
        """Watch circuits for openings and shorts while somebody moves the wire.

        Args:
            profile: what is plugged in.
            only: names of the circuits, all when None; a single one is probed, several are lit.
            seconds: how long; None until stopped.
            lit: keep a single circuit lit, too.
            typed: lines that name places; an empty one ends the run.
            labels: for the record.
        """
        heard = Heard()
        gentle = gently(_loaded(profile), only)
        async with self.guarded(gentle, heard.take) as (guard, loaded):
            around = self.surroundings(labels)
            return await run_wiggle(
                guard, loaded, heard=heard, only=only, seconds=seconds, lit=lit, typed=typed, **around
            )

    async def cable(self, connector: AnyProfile, *, length_m: float | None = None, **labels: Unpack[Labels]) -> Run:
        """Test a loose cable in the board's sockets.

        Args:
            connector: name or file of its connector, or a cable's profile.
            length_m: of its conductors; None to take the length that fits most of them.
            labels: for the record.
        """
        profile = connector if isinstance(connector, Profile) else cable_profile(connector)
        async with self.guarded(profile) as (guard, loaded):
            return await run_cable(guard, loaded, length_m=length_m, **self.surroundings(labels))

    async def abs(
        self, profile: AnyProfile, *, codes: bool = True, taps: Taps | None = None, **labels: Unpack[Labels]
    ) -> Run:
        """Test an ABS unit: supply, warning lamp, blink codes.

        Args:
            profile: what is plugged in.
            codes: ask for blink codes, too.
            taps: of somebody who counts blinks where the current does not show them.
            labels: for the record.
        """
        known = _loaded(profile)
        unit_of(known)  # a profile without a unit is refused before the board is touched
        async with self.guarded(known) as (guard, loaded):
            return await run_abs(guard, loaded, codes=codes, taps=taps, **self.surroundings(labels))

    async def power(
        self,
        profile: AnyProfile,
        *,
        only: Collection[str],
        seconds: float | None = None,
        flash_per_min: float | None = None,
        typed: Typed | None = None,
        **labels: Unpack[Labels],
    ) -> Run:
        """Keep circuits lit until released.

        Args:
            profile: what is plugged in.
            only: names of the circuits.
            seconds: how long at most; None until released or stopped.
            flash_per_min: makes turn signals among them flash, 60 to 120 a minute.
            typed: an empty line releases.
            labels: for the record.
        """
        known = _loaded(profile)
        chosen(known, only)  # a wrong name is refused before the board is touched
        async with self.guarded(known) as (guard, loaded):
            around = self.surroundings(labels)
            return await run_power(
                guard, loaded, only=only, seconds=seconds, flash_per_min=flash_per_min, typed=typed, **around
            )

    async def hold_brakes(self, profile: AnyProfile, *, typed: Typed | None = None, **labels: Unpack[Labels]) -> Run:
        """Apply the brakes for as long as the companion's hand holds them, again and again.

        Args:
            profile: what is plugged in.
            typed: an empty line ends it.
            labels: for the record.
        """
        async with self.guarded(profile) as (guard, loaded):
            return await run_brakes(guard, loaded, typed=typed, **self.surroundings(labels))

    async def run(
        self,
        sequence: str | Path | Sequence,
        parameters: Mapping[str, float] | None = None,
        *,
        resume: Mapping[str, Any] | None = None,
        **labels: Unpack[Labels],
    ) -> Run:
        """Run a scripted sequence.

        Args:
            sequence: a name, a file, or one that is loaded.
            parameters: values for its parameters; its own for the rest.
            resume: what an earlier record keeps of its endurance loop.
            labels: for the record.
        """
        loaded = sequence if isinstance(sequence, Sequence) else load_sequence(sequence, parameters)
        check(loaded)  # a wrong name is refused before the board is touched
        async with self.guarded(loaded.profile) as (guard, _):
            around = self.surroundings(labels)
            return await run_sequence(guard, loaded, resume=resume, attach=self._store.attach, **around)

    async def script(
        self, profile: AnyProfile, script: Script, *, title: str = "Script", **labels: Unpack[Labels]
    ) -> Run:
        """Run a script: an async function that is given ``Steps``.

        Args:
            profile: what is plugged in.
            script: does it; what it measures is judged and recorded.
            title: of the step of the record that it makes.
            labels: for the record.
        """
        async with self.guarded(profile) as (guard, loaded):
            return await run_script(guard, loaded, script, title=title, **self.surroundings(labels))

    # --- the board alone ---

    async def identify(self) -> Identity:
        """Who the board is, asked again; switches nothing."""
        return await self._board.open()

    async def snapshot(self) -> Snapshot:
        """Everything the board measures, at one instant; switches nothing."""
        seen = await self._board.snapshot()
        self._companion.saw(seen)
        return seen

    async def self_test(self) -> SelfTest:
        """Let the board test memory, converter and temperature, with nothing switched on.

        Raises:
            BoardHeld: another controller is using it.
        """
        async with claimed(self._board, self._notice):
            await self._board.self_test()
            seen = await self._board.snapshot()
        wrong = (seen.faults | seen.causes) & ~HOW_IT_ENDED
        return SelfTest(_names(wrong), seen.supply_v, seen.board_c, seen.ambient_c)

    # --- what every run is given ---

    def _concluding(self, baseline: Earlier | None) -> Callable[[Measurements], Conclusion]:
        """Weighs readings: here, or apart, so that nothing holds up whoever feeds the watchdog meanwhile."""
        weigh, apart = partial(judge, known=baseline), self._apart
        return weigh if apart is None else lambda measurements: apart.submit(weigh, measurements).result()

    @asynccontextmanager
    async def guarded(
        self, profile: AnyProfile, on_event: Callable[[BoardEvent], None] = lambda _: None
    ) -> AsyncIterator[tuple[GuardedBoard, Profile]]:
        """The only door to outputs, open, and the profile, loaded; everything is off when the block is left.

        Args:
            profile: what is plugged in.
            on_event: takes every event of the board as it is read.
        """
        loaded = _loaded(profile)
        self._store.profile = loaded
        acknowledged = await self._acknowledged()
        guard = GuardedBoard(
            self._board,
            loaded,
            notice=self._notice,
            on_event=on_event,
            acknowledged=acknowledged,
            on_snapshot=self._companion.saw,
            hand=self._companion.hand,
        )
        async with guard:
            self._companion.opened(guard)
            try:
                yield guard, loaded
            finally:
                self._companion.closed()

    def surroundings(self, labels: Labels) -> Surroundings:
        """What the session gives to every run, under a new record's id."""
        now = datetime.now().astimezone().replace(microsecond=0)
        return {
            "store": self._store,
            "run_id": new_record_id(now),
            "now": lambda: now,
            "board_url": self._where.text,
            "answers": self._answers,
            "operator": self._operator,
            "tell": self._tell,
            **labels,
        }

    async def _acknowledged(self) -> Fault:
        """Faults that the board still holds, whose cause is over, and that the operator says are understood."""
        seen = await self._board.snapshot()
        over = seen.faults & ~seen.causes & ~HOW_IT_ENDED
        if not over:
            return Fault(0)
        question = Question(
            "fault-understood", f"The board holds a fault: {', '.join(_names(over))}. Is its cause gone?"
        )
        answer = self._answers.get(question.key)
        return over if is_yes(await self._operator.ask(question) if answer is None else answer) else Fault(0)


def _loaded(profile: AnyProfile) -> Profile:
    return profile if isinstance(profile, Profile) else load_profile(profile)


def _names(faults: Fault) -> tuple[str, ...]:
    return tuple(str(fault.name).lower().replace("_", " ") for fault in faults)

"""The runner's loop on a fake board: order, choice of steps, questions, findings, and every way it can end."""

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.contract.table import Capability
from bench.electrical import Conclusion, Diagnosis
from bench.errors import BoardFault, InputError, RecordError
from bench.events import Cautioned, Event, FirstLook, Progress, RunEnded, RunStarted, StepEnded, StepStarted
from bench.profiles.model import Measurements
from bench.results import Finding, Run, StepResult, Verdict
from bench.safety import GuardedBoard
from bench.sequences import STEPS, Question, run_inspection
from bench.sequences.inspection import Inspection, Outcome
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import EVERYTHING, FakeBoard, small_profile
from tests.bench.sequences.sessions import STARTED, YES, MemoryStore

NAMES = tuple(  # of a trailer without air
    step.name for step in STEPS if step.belongs(small_profile()) and not step.air and not step.on_demand
)


def nothing(_: Measurements) -> tuple[Finding, ...]:
    return ()


def concluded(*findings: Finding, notes: tuple[str, ...] = ()) -> Callable[[Measurements], Conclusion]:
    """A diagnosis that is known beforehand."""
    return lambda _: Conclusion(findings, Diagnosis(findings, (), 1.0, False, 1.0, ()), notes)


async def inspection(board: FakeBoard, store: MemoryStore, **options: object) -> Run:
    profile = small_profile()
    async with GuardedBoard(board, profile) as guard:
        return await run_inspection(
            guard,
            profile,
            store=store,
            run_id="run-1",
            now=lambda: STARTED,
            **{"answers": YES, "infer": nothing, "conclude": concluded(), **options},
        )


def inspected(board: FakeBoard | None = None, store: MemoryStore | None = None, **options: object) -> Run:
    return run_virtual(inspection(board or FakeBoard(), store or MemoryStore(), **options))


# --- which steps ---


def test_all_steps_are_done_in_their_order_and_each_is_in_the_record():
    store = MemoryStore()

    run = inspected(store=store)

    assert tuple(step.step for step in run.steps) == NAMES
    assert store.calls == ["begin", *NAMES, "finish complete"]
    assert store.run == run


def test_only_picks_steps_and_keeps_their_order():
    run = inspected(only=["circuits", "look"], skip=["supply"])

    assert [step.step for step in run.steps] == ["look", "circuits", "diagnosis"]


def test_what_reads_nothing_of_the_harness_needs_no_diagnosis():
    assert [step.step for step in inspected(only=["self-check", "supply"]).steps] == ["self-check", "supply"]


def test_skip_leaves_steps_out():
    run = inspected(skip=["all-lamps", "self-check"])

    assert [step.step for step in run.steps] == [name for name in NAMES if name not in {"all-lamps", "self-check"}]


@pytest.mark.parametrize("choice", [{"only": ["lamps"]}, {"skip": ["lamps"]}, {"only": ["look"], "skip": ["look"]}])
def test_an_unknown_step_is_refused_with_the_list_before_anything_is_switched(choice):
    board, store = FakeBoard(), MemoryStore()

    with pytest.raises(InputError, match="the steps are self-check, supply, look"):
        inspected(board, store, **choice)

    assert store.calls == []
    assert not any(board.said(word) for word in ("drive", "probe", "pulse"))


def test_no_step_begins_with_an_output_left_on_by_the_one_before():
    board, seen = FakeBoard(), []

    def tell(event: Event) -> None:
        if isinstance(event, StepStarted):
            seen.append((event.step, set(board.on)))

    inspected(board, tell=tell)

    assert seen == [(name, set()) for name in NAMES]


# --- events ---


def test_events_come_in_order_with_cautions_before_their_step():
    events: list[Event] = []

    run = inspected(tell=events.append)

    spoken = [event for event in events if not isinstance(event, Progress)]
    assert isinstance(spoken[0], RunStarted)
    assert spoken[0].steps == NAMES
    assert isinstance(spoken[1], Cautioned), "the battery, before anything"
    assert "battery" in spoken[1].text
    assert spoken[-1] == RunEnded(run)
    started = [event.step for event in spoken if isinstance(event, StepStarted)]
    ended = [event.result.step for event in spoken if isinstance(event, StepEnded)]
    assert started == ended == list(NAMES)
    powered = spoken.index(
        next(event for event in spoken if isinstance(event, StepStarted) and event.step == "circuits")
    )
    before = [event.text for event in spoken[:powered] if isinstance(event, Cautioned) and event.step == "circuits"]
    assert any("Chock" in text for text in before)
    assert any("stay clear" in text for text in before)
    assert any("hot" in text for text in before)
    assert any("qualified inspector" in text for text in before)
    assert run.steps[4].cautions == tuple(before)


def test_progress_carries_live_values_of_the_circuit_in_board_time():
    events: list[Event] = []

    inspected(tell=events.append, only=["circuits"])

    lit = [event for event in events if isinstance(event, Progress) and event.circuit == "stop"]
    assert lit[-1].step == "circuits"
    assert lit[-1].current_a == pytest.approx(12.8 / 3.25, rel=0.01)
    assert [event.board_s for event in lit] == sorted(event.board_s for event in lit)


# --- questions ---

POWERED = {"circuits", "ground-return", "all-lamps"}


class Asked:
    """An operator who remembers what was asked."""

    def __init__(self, answer: object) -> None:
        self.answer = answer
        self.questions: list[Question] = []

    async def ask(self, question: Question) -> object:
        self.questions.append(question)
        return self.answer


@pytest.mark.parametrize("answers", [{}, {"clear-to-power": False}, {"clear-to-power": "no"}, {"clear-to-power": 1.0}])
def test_without_a_plain_yes_nothing_is_powered_and_it_says_so(answers):
    board = FakeBoard()

    run = inspected(board, answers=answers)

    untested = {step.step for step in run.steps if step.verdict is Verdict.NOT_TESTED}
    assert untested == POWERED
    assert all("clear-to-power" in (step.reason or "") for step in run.steps if step.step in POWERED)
    assert not board.said("drive")
    assert run.verdict is Verdict.NOT_TESTED


def test_the_operator_is_asked_once_and_only_what_was_not_answered():
    somebody, nobody_needed = Asked("yes"), Asked("yes")

    run = inspected(answers={}, operator=somebody)
    inspected(operator=nobody_needed)

    assert [question.key for question in somebody.questions] == ["clear-to-power"]
    assert somebody.questions[0].safety
    assert nobody_needed.questions == []
    assert not [step for step in run.steps if step.verdict is Verdict.NOT_TESTED]


# --- capabilities and refusals ---


def test_a_step_the_board_cannot_do_is_not_tested_with_the_reason():
    run = inspected(FakeBoard(capabilities=EVERYTHING & ~Capability.PROBE))

    look = next(step for step in run.steps if step.step == "look")
    assert look.verdict is Verdict.NOT_TESTED
    assert look.reason == "the board has no probe"


def test_a_refused_request_leaves_its_step_not_tested_and_nothing_on():
    board = FakeBoard()

    def tell(event: Event) -> None:
        if isinstance(event, StepStarted) and event.step == "circuits":
            board.supply_v = 25.6

    run = inspected(board, tell=tell)

    assert {step.step for step in run.steps if "25.6 V but the profile is for 12 V" in (step.reason or "")} == POWERED
    assert {step.step for step in run.steps if step.verdict is Verdict.NOT_TESTED} == POWERED
    assert not board.said("drive")


def test_a_refusal_in_the_middle_of_a_step_leaves_nothing_on_after_it():
    class Rising(FakeBoard):
        rises_at = ""

        async def drive(self, channel: int, level: float = 1.0) -> None:
            await super().drive(channel, level)
            if self.rises_at == "all-lamps":
                self.supply_v = 25.6

    board, on_after = Rising(), {}

    def tell(event: Event) -> None:
        if isinstance(event, StepStarted):
            board.rises_at = event.step
        if isinstance(event, StepEnded):
            on_after[event.result.step] = set(board.on)

    run = inspected(board, tell=tell)

    assert "25.6 V but the profile is for 12 V" in (run.steps[-2].reason or "")
    assert on_after["all-lamps"] == set()


def test_a_shorted_circuit_is_neither_driven_alone_nor_with_the_others():
    board = FakeBoard()
    board.ohm[3] = 0.03

    run = inspected(board)

    assert {text.split()[1] for _, text in board.log if text.startswith("drive")} == {"1", "2"}
    circuits = next(step for step in run.steps if step.step == "circuits")
    assert "left-turn was not driven" in (circuits.reason or "")
    assert next(value for value in circuits.values if value.name == "left-turn current").verdict is Verdict.NOT_TESTED


# --- findings ---


def found(kind: str, *circuits: str, verdict: Verdict = Verdict.FAIL) -> Finding:
    return Finding(kind, circuits, (), verdict, "defect", 0.9, "explained", "next")


def inferred(*findings: Finding) -> Callable[[Measurements], tuple[Finding, ...]]:
    return lambda _: findings


JUST_CIRCUITS = {"only": ["circuits"], "skip": ["diagnosis"]}


def steps_with_findings(run: Run) -> dict[str, list[str]]:
    return {step.step: [finding.kind for finding in step.findings] for step in run.steps if step.findings}


def test_a_finding_waits_for_the_step_that_shows_it_and_is_told_once():
    findings = inferred(found("open", "stop"), found("low-supply"), found("ground-open", "stop", "tail"))
    run = inspected(infer=findings, skip=["diagnosis"])

    assert steps_with_findings(run) == {
        "supply": ["low-supply"],
        "circuits": ["open"],
        "ground-return": ["ground-open"],
    }


def test_a_finding_whose_step_is_not_done_is_told_by_the_last_that_is():
    run = inspected(infer=inferred(found("ground-open", "stop"), found("short-to-ground", "tail")), **JUST_CIRCUITS)

    assert steps_with_findings(run) == {"circuits": ["ground-open", "short-to-ground"]}


def test_a_circuit_with_a_finding_fails_and_the_others_keep_their_verdict():
    run = inspected(infer=inferred(found("lamp-out", "left-turn")), **JUST_CIRCUITS)

    by_circuit = {value.name: value.verdict for value in run.steps[0].values}
    assert by_circuit["left-turn current"] is Verdict.FAIL
    assert by_circuit["stop current"] is not Verdict.FAIL
    assert run.steps[0].verdict is Verdict.FAIL


def test_a_finding_of_the_ground_is_not_held_against_the_circuits():
    run = inspected(infer=inferred(found("ground-open", "stop", "tail", "left-turn")), **JUST_CIRCUITS)

    assert all(value.verdict is not Verdict.FAIL for value in run.steps[0].values)
    assert run.steps[0].verdict is Verdict.FAIL


def test_an_unsure_finding_makes_its_step_unsure():
    run = inspected(infer=inferred(found("low-supply", verdict=Verdict.UNSURE)), only=["supply"])

    assert run.verdict is Verdict.UNSURE


# --- the diagnosis ---


def test_with_the_diagnosis_to_come_the_first_look_is_told_and_only_the_diagnosis_finds():
    events: list[Event] = []

    run = inspected(
        infer=inferred(found("lamp-out", "stop")),
        conclude=concluded(found("ground-open", "stop", "tail")),
        tell=events.append,
    )

    assert steps_with_findings(run) == {"diagnosis": ["ground-open"]}
    glimpsed = [event for event in events if isinstance(event, FirstLook)]
    assert [(event.step, event.findings[0].kind) for event in glimpsed] == [("circuits", "lamp-out")]
    assert all(value.verdict is not Verdict.FAIL for step in run.steps for value in step.values)
    assert run.verdict is Verdict.FAIL


def test_the_diagnosis_does_not_repeat_what_a_step_found_by_itself(monkeypatch):
    async def finds(_: Inspection, outcome: Outcome) -> None:
        outcome.findings.append(found("cross-connection", "stop", "tail"))

    steps = tuple(replace(step, perform=finds) if step.name == "look" else step for step in STEPS)
    monkeypatch.setattr("bench.sequences.steps.STEPS", steps)

    run = inspected(conclude=concluded(found("cross-connection", "stop", "tail"), found("open", "stop")))

    assert steps_with_findings(run) == {"look": ["cross-connection"], "diagnosis": ["open"]}


def test_outputs_are_off_while_the_readings_are_weighed():
    board, on = FakeBoard(), []

    def tell(event: Event) -> None:
        if isinstance(event, Progress) and event.step == "diagnosis":
            on.append(set(board.on))

    inspected(board, tell=tell)

    assert on == [set()]


def test_a_run_cut_short_before_its_diagnosis_keeps_what_the_first_look_saw():
    store = MemoryStore()

    def conclude(_: Measurements) -> Conclusion:
        raise RecordError("the disk is full")

    with pytest.raises(RecordError):
        inspected(store=store, infer=inferred(found("open", "stop")), conclude=conclude)

    assert store.run is not None
    assert steps_with_findings(store.run) == {"diagnosis": ["open"]}
    assert store.run.state == "failed"


def test_notes_of_the_diagnosis_stand_with_its_step():
    run = inspected(conclude=concluded(notes=("narrowed by an earlier record",)))

    assert run.steps[-1].reason == "narrowed by an earlier record"
    assert run.steps[-1].verdict is Verdict.PASS


# --- ways to end ---


class BrokenStore(MemoryStore):
    """A disk that is full when the named call comes."""

    def __init__(self, board: FakeBoard, broken_at: str) -> None:
        super().__init__(lambda: board.on)
        self.broken_at = broken_at

    async def add_step(self, run_id: str, step: StepResult) -> None:
        if step.step == self.broken_at:
            raise RecordError("disk full")
        await super().add_step(run_id, step)


def test_a_record_that_cannot_be_written_stops_the_run_with_outputs_off():
    board = FakeBoard()
    store = BrokenStore(board, "circuits")

    with pytest.raises(RecordError, match="disk full"):
        inspected(board, store)

    assert board.on == set()
    assert store.on_at_finish == set()
    assert store.calls[-1] == "finish failed"
    assert board.said("safe")


def test_a_fault_is_raised_after_outputs_are_off_and_the_record_is_closed():
    board = FakeBoard()
    store = MemoryStore(lambda: board.on)
    events: list[Event] = []

    async def main() -> None:
        asyncio.get_running_loop().call_later(0.6, board.press_stop)
        await inspection(board, store, tell=events.append)

    with pytest.raises(BoardFault, match="emergency stop"):
        run_virtual(main())

    assert store.run is not None
    assert store.run.state == "failed"
    assert store.on_at_finish == set()
    assert isinstance(events[-1], RunEnded)
    assert events[-1].run.state == "failed"


def test_cancelled_at_every_exchange_the_record_is_closed_as_stopped_with_outputs_off():
    whole = FakeBoard()
    inspected(whole, only=["look", "cold-pulse", "circuits"])
    for at in range(10, whole.exchanges, 5):
        board = FakeBoard()
        store = MemoryStore(lambda board=board: board.on)

        async def main(board=board, store=store, at=at) -> None:
            task = asyncio.get_running_loop().create_task(
                inspection(board, store, only=["look", "cold-pulse", "circuits"])
            )
            board.at_exchange = {at: task.cancel, at + 3: task.cancel}
            await asyncio.wait({task})
            assert task.cancelled() or not task.exception()

        run_virtual(main())

        assert board.on == set(), f"at exchange {at}"
        if store.run is not None:
            assert store.calls[-1] in {"finish stopped", "finish complete"}, f"at exchange {at}: {store.calls}"
            assert store.on_at_finish == set()


class SlowStore(MemoryStore):
    """A disk that takes its time; ``cut`` is called while a step is on its way to it."""

    def __init__(self, cut: Callable[[], object]) -> None:
        super().__init__()
        self.cut = cut

    async def begin(self, run: Run) -> None:
        await asyncio.sleep(0.01)
        await super().begin(run)

    async def add_step(self, run_id: str, step: StepResult) -> None:
        if step.step == "look":
            self.cut()
        await asyncio.sleep(0.05)
        await super().add_step(run_id, step)


def test_a_step_that_is_being_written_when_the_run_is_stopped_is_in_the_record_once():
    board = FakeBoard()

    async def main() -> MemoryStore:
        store = SlowStore(lambda: task.cancel())
        task = asyncio.get_running_loop().create_task(inspection(board, store))
        await asyncio.wait({task})
        assert task.cancelled()
        return store

    store = run_virtual(main())

    assert store.calls == ["begin", "self-check", "supply", "look", "finish stopped"]
    assert board.on == set()


def test_a_run_that_never_began_is_not_closed():
    board = FakeBoard()
    store = MemoryStore()

    async def main() -> None:
        profile = small_profile()
        async with GuardedBoard(board, profile) as guard:
            board.press_stop()
            await run_inspection(guard, profile, store=store, run_id="run-1", now=lambda: STARTED)

    with pytest.raises(BoardFault):
        run_virtual(main())

    assert store.calls == []

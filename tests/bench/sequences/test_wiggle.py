"""The wiggle test on the simulator."""

import asyncio
from math import log

import pytest

from bench.contract.readings import Event
from bench.contract.table import ENERGY_LIMIT_A2S, CommandCode, EventKind, Refusal
from bench.errors import InputError, LinkError
from bench.profiles.model import InjectedFault, Protection, Scenario
from bench.results import Run, Verdict
from bench.sequences import Heard, Typed
from bench.sequences.wiggle import MOST_A2S, without_echoes
from tests.bench.sequences.sessions import LoggedSimulator
from tests.bench.sequences.watching import changes, opening, result, values, wiggle, with_faults

BULBS = "healthy-bulbs"
STOP_PLUG = "rear-plug.stop"


def test_each_opening_of_a_probed_circuit_is_stamped_within_two_milliseconds_and_counted() -> None:
    at_s, for_s = (1.0004, 1.5017, 2.0101), (0.0015, 0.004, 0.25)
    faults = [opening(STOP_PLUG, *each) for each in zip(at_s, for_s, strict=True)]
    session = wiggle(with_faults(BULBS, *faults), only=["stop"], seconds=3.0)

    told = changes(session, "stop")
    assert [what for what, _ in told] == ["broke", "made"] * 3
    true_s = [edge for start, length in zip(at_s, for_s, strict=True) for edge in (start, start + length)]
    assert [board_s for _, board_s in told] == pytest.approx(true_s, abs=0.002)
    (finding,) = result(session).findings
    assert (finding.kind, finding.circuits, finding.verdict) == ("intermittent", ("stop",), Verdict.FAIL)
    assert {e.name: e.value for e in finding.evidence} == pytest.approx(
        {"openings": 3, "shorts": 0, "shortest": 1.5, "longest": 250, "before the first mark": 3}, abs=1.0
    )
    assert CommandCode.DRIVE not in {code for code, _ in session.board.commands}
    session.board.assert_everything_off()


def test_a_sound_circuit_passes_and_says_what_a_pass_is_worth() -> None:
    session = wiggle(BULBS, only=["stop"], seconds=60.0)

    assert session.run.verdict is Verdict.PASS
    found = values(session)
    assert found["stop watched"] == pytest.approx(60.0, abs=0.5)
    assert found["stop, a 1 ms opening is seen with probability"] == 1.0
    assert found["stop, 1 ms openings ruled out (95 %) if as often as once in"] == pytest.approx(20.0, rel=0.02)
    assert "a short that comes and goes is not seen" in (result(session).reason or "")


@pytest.mark.parametrize("scenario", [BULBS, "healthy-tandem", "healthy-24v", "healthy-light"])
def test_all_circuits_of_a_sound_harness_are_watched_at_once_without_a_false_change(scenario: str) -> None:
    session = wiggle(with_faults(scenario), seconds=4.0)

    assert result(session).findings == ()
    assert session.run.verdict is Verdict.PASS, result(session).reason
    session.board.assert_everything_off()


def test_a_ground_that_opens_names_the_circuits_that_open_together() -> None:
    session = wiggle("intermittent-ground", seconds=4.0)

    found = {finding.circuits[0]: finding for finding in result(session).findings}
    assert set(found) == {"left-turn", "stop", "tail"}
    assert "ground" in found["stop"].next
    assert "left-turn, tail opened at the same moments" in found["stop"].explain


def test_one_lamp_of_two_that_falls_out_is_seen_on_a_lit_circuit() -> None:
    fault = InjectedFault("lamp-out", "stop.left", at_s=3.0, until_s=3.02)
    session = wiggle(with_faults(BULBS, fault), only=["stop"], lit=True, seconds=3.0)

    assert [what for what, _ in changes(session, "stop")] == ["broke", "made"]


def test_a_short_is_exercised_and_the_circuit_lit_again_when_it_has_cleared() -> None:
    fault = InjectedFault("short-to-ground", "main.rear.markers", ohm=0.06, at_s=3.0, until_s=5.0)
    session = wiggle(with_faults(BULBS, fault), only=["markers"], lit=True, seconds=8.0)

    told = changes(session, "markers")
    assert [what for what, _ in told] == ["shorted", "cleared", "lit"]
    assert [board_s for _, board_s in told[:2]] == pytest.approx([3.02, 5.0], abs=0.15)
    assert (CommandCode.WIGGLE, 1) in session.board.commands
    (finding,) = result(session).findings
    assert finding.kind == "intermittent"
    assert 2.0 < (values(session)["markers into the fault, at most"] or 0.0) < 10.0
    session.board.assert_everything_off()


def test_a_short_that_is_there_from_the_start_never_gets_full_current() -> None:
    session = wiggle("short-to-ground", only=["markers"], seconds=5.0)

    assert session.board.driven() == set()
    (finding,) = result(session).findings
    assert finding.kind == "short-to-ground"
    assert values(session)["markers into the fault, at most"] == pytest.approx(5.0 * 1.25, rel=0.1)


def test_a_fault_that_has_had_its_share_is_left_alone() -> None:
    session = wiggle("short-to-ground", only=["markers"], seconds=90.0, most_a2s=6.0)

    assert "its share of one run" in (result(session).reason or "")
    assert values(session)["markers into the fault, at most"] == pytest.approx(6.0, abs=0.5)
    assert result(session).duration_s == pytest.approx(6.0 / 1.25, rel=0.1)


def test_a_circuit_that_never_conducts_is_open() -> None:
    session = wiggle(with_faults(BULBS, InjectedFault("open", STOP_PLUG)), only=["stop"], seconds=2.0)

    assert [finding.kind for finding in result(session).findings] == ["open"]


def test_changes_are_kept_under_the_mark_that_was_typed_before_them() -> None:
    faults = [opening(STOP_PLUG, at_s, 0.05) for at_s in (1.0, 3.0, 3.5)]

    async def script(task: asyncio.Task[Run], typed: Typed) -> None:
        await asyncio.sleep(2.0)
        typed.put("  third   crossmember \n")

    session = wiggle(with_faults(BULBS, *faults), script, only=["stop"], seconds=5.0)

    (finding,) = result(session).findings
    assert "By mark: third crossmember 2." in finding.explain
    assert "near 'third crossmember'" in finding.next
    assert values(session)["mark 'third crossmember'"] == pytest.approx(2.0, abs=0.3)
    assert sum("'third crossmember'" in name for name in values(session)) == 3


def test_enter_alone_ends_the_watch_as_complete() -> None:
    async def script(task: asyncio.Task[Run], typed: Typed) -> None:
        await asyncio.sleep(3.0)
        typed.put("\n")

    session = wiggle(BULBS, script, only=["stop"], seconds=None)

    assert (session.run.state, session.run.verdict) == ("complete", Verdict.PASS)
    session.board.assert_everything_off()


def test_a_circuit_that_takes_too_little_to_be_watched_lit_is_not_tested_and_passes_alone() -> None:
    together = wiggle(with_faults("lab-door"), seconds=1.0)
    alone = wiggle(with_faults("lab-door"), only=["light"], seconds=1.0)

    assert together.run.verdict is Verdict.NOT_TESTED
    assert "light: it takes less than 60 mA" in (result(together).reason or "")
    assert alone.run.verdict is Verdict.PASS


@pytest.mark.parametrize("how", [{"only": ["stop"]}, {}, {"only": ["stop"], "lit": True}])
def test_a_watch_that_is_cancelled_keeps_what_it_saw_and_leaves_everything_off(how: dict[str, object]) -> None:
    async def script(task: asyncio.Task[Run], typed: Typed) -> None:
        await asyncio.sleep(10.0)
        task.cancel()

    session = wiggle("intermittent", script, seconds=None, **how)

    assert session.run.state == "stopped"
    assert "cut short" in (result(session).reason or "")
    assert result(session).findings[0].kind == "intermittent"
    assert session.store.on_at_finish == set()
    session.board.assert_everything_off()


def test_without_a_yes_nothing_is_fed() -> None:
    session = wiggle(BULBS, answers={}, seconds=1.0)

    assert session.run.verdict is Verdict.NOT_TESTED
    assert not {CommandCode.DRIVE, CommandCode.PROBE, CommandCode.PULSE, CommandCode.WIGGLE} & {
        code for code, _ in session.board.commands
    }


def test_an_unknown_circuit_is_refused_with_the_list() -> None:
    with pytest.raises(InputError, match="there is no circuit 'brake': the circuits are markers, left-turn, stop"):
        wiggle(BULBS, only=["brake"])


class FailingLink(LoggedSimulator):
    """A board that can't be reached for a while."""

    def __init__(self, scenario: Scenario, from_s: float, until_s: float) -> None:
        super().__init__(scenario)
        self.gap_s = (from_s, until_s)

    def _reach(self) -> None:
        if self.gap_s[0] <= self.simulator.time_s < self.gap_s[1]:
            raise TimeoutError

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        self._reach()
        return super().read_registers(address, count)

    def write_registers(self, address: int, values: tuple[int, ...]) -> Refusal:
        self._reach()
        return super().write_registers(address, values)


FAILING = with_faults(
    BULBS, opening(STOP_PLUG, 2.05, 0.02), opening(STOP_PLUG, 2.1, 0.03), opening(STOP_PLUG, 3.0, 0.01)
)


def test_changes_survive_a_link_that_fails_for_less_than_the_watchdogs_time() -> None:
    session = wiggle(FAILING, board=FailingLink(FAILING, 2.0, 2.2), only=["stop"], seconds=3.0)

    assert session.run.state == "complete"
    assert [round(at, 2) for what, at in changes(session, "stop") if what == "broke"] == [2.05, 2.1, 3.0]
    assert "the link failed" in (result(session).reason or "")
    assert "events lost" not in values(session)


def test_a_link_that_fails_for_longer_ends_the_watch_with_what_it_had_seen_and_everything_off() -> None:
    board = FailingLink(FAILING, 2.5, 60.0)
    with pytest.raises(LinkError):
        wiggle(FAILING, board=board, only=["stop"], seconds=30.0)
    board.gap_s = (0.0, 0.0)

    board.simulator.advance_to(board.simulator.time_s + 2.0)
    board.assert_everything_off()


def test_the_wire_bears_what_the_bench_puts_into_it_many_times_over() -> None:
    """Adiabatic law of IEC 60364-5-54 annex A: I2t = K2 A2 ln((beta + T2) / (beta + T1)), copper K = 226, beta = 234.5.

    18 AWG is 0.823 mm2 by ASTM B258; 2,350 A2s from 50 to 70 degC agrees with the handbooks' figure.
    """
    bears_a2s = 226**2 * 0.823**2 * log((234.5 + 70) / (234.5 + 50))
    usual = Protection()
    pulse_a2s = usual.wiggle_limit_a**2 * usual.wiggle_time_s
    rms_a = (pulse_a2s / usual.wiggle_period_s) ** 0.5

    assert bears_a2s == pytest.approx(2350, rel=0.01)
    assert pulse_a2s == pytest.approx(0.125)
    assert rms_a == pytest.approx(1.12, abs=0.01)
    assert rms_a < usual.rms_limit_a
    assert pulse_a2s < bears_a2s / 10_000
    assert bears_a2s / 4 >= MOST_A2S - 15  # a quarter of it, rounded
    assert bears_a2s / 30 > ENERGY_LIMIT_A2S


def test_events_that_were_overwritten_show_as_a_gap_in_their_positions() -> None:
    heard = Heard()
    for position in (4, 5, 9):
        heard.take(Event(position, position * 1000, EventKind.MADE, 1, 0))

    assert heard.lost == 3
    assert [event.position for event in heard.drain(0.005)] == [4, 5]
    assert [event.position for event in heard.drain()] == [9]


def test_a_units_capacitor_answering_a_neighbour_is_no_opening() -> None:
    neighbour = [Event(1, 1_000_000, EventKind.BROKE, 3, 0)]
    dip = [Event(2, 1_000_000, EventKind.BROKE, 6, 0), Event(3, 1_001_000, EventKind.MADE, 6, 0)]
    longer = [Event(2, 1_000_000, EventKind.BROKE, 6, 0), Event(3, 1_050_000, EventKind.MADE, 6, 0)]

    assert without_echoes([*neighbour, *dip], {6}) == neighbour
    assert without_echoes(dip, {6}) == dip
    assert without_echoes([*neighbour, *longer], {6}) == [*neighbour, *longer]
    assert without_echoes([*neighbour, *dip], set()) == [*neighbour, *dip]

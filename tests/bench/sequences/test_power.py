"""Lasting power on the simulator."""

import asyncio

import pytest

from bench.contract.table import CommandCode
from bench.errors import InputError
from bench.events import Progress
from bench.profiles import load_profile
from bench.profiles.model import InjectedFault
from bench.results import Run, Verdict
from bench.sequences import Typed
from bench.sequences.power import is_turn_signal
from tests.bench.sequences.watching import power, result, values, with_faults

BULBS = "healthy-bulbs"


def test_circuits_stay_lit_together_with_their_currents_shown_until_the_time_is_over() -> None:
    session = power(BULBS, only=["stop", "tail"], seconds=5.0)

    assert (session.run.verdict, session.run.command) == (Verdict.PASS, "power")
    assert list(values(session)) == ["stop current", "tail current"]
    assert result(session).duration_s == pytest.approx(5.0, abs=0.1)
    lit = [event for event in session.events if isinstance(event, Progress) and event.circuit == "stop"]
    assert len(lit) >= 15
    assert all(event.current_a and event.current_a > 3.0 for event in lit)
    session.board.assert_everything_off()


def test_enter_releases_and_the_record_is_complete() -> None:
    async def script(task: asyncio.Task[Run], typed: Typed) -> None:
        await asyncio.sleep(20.0)
        assert not task.done()
        typed.put("\n")

    session = power(BULBS, script, only=["stop"])

    assert session.run.state == "complete"
    session.board.assert_everything_off()


def test_ctrl_c_switches_off_and_keeps_what_was_measured() -> None:
    async def script(task: asyncio.Task[Run], typed: Typed) -> None:
        await asyncio.sleep(6.0)
        task.cancel()

    session = power(BULBS, script, only=["stop"], flash_per_min=None)

    assert session.run.state == "stopped"
    assert "stop current" in values(session)
    assert session.store.on_at_finish == set()
    session.board.assert_everything_off()


@pytest.mark.parametrize("per_min", [60.0, 90.0, 120.0])
def test_a_turn_signal_flashes_at_the_rate_asked_for_and_is_on_for_half_the_time(per_min: float) -> None:
    session = power("healthy-tandem", only=["left-turn", "tail"], seconds=12.0, flash_per_min=per_min)

    assert values(session)["flashes, mean"] == pytest.approx(per_min, rel=0.03)
    seen = [e.current_a or 0.0 for e in session.events if isinstance(e, Progress) and e.circuit == "left-turn"]
    assert sum(amps > 0.1 for amps in seen) / len(seen) == pytest.approx(0.5, abs=0.1)
    tail = [e.current_a or 0.0 for e in session.events if isinstance(e, Progress) and e.circuit == "tail"]
    assert min(tail) > 0.1


@pytest.mark.parametrize("per_min", [0.0, 59.9, 120.1, float("nan"), float("inf")])
def test_a_rate_that_no_flasher_has_is_refused_with_the_source_and_nothing_is_lit(per_min: float) -> None:
    """Range: SAE J945 (1966) in 49 CFR 571.108, as NHTSA's letters 01931ztv and GF006498 quote it."""
    with pytest.raises(InputError, match=r"not 60 to 120, the range of SAE J945 .* 49 CFR 571.108.*verified"):
        power("healthy-tandem", only=["left-turn"], flash_per_min=per_min)


def test_only_turn_signals_flash() -> None:
    with pytest.raises(InputError, match="only turn signals flash: left-turn, right-turn"):
        power(BULBS, only=["stop"], flash_per_min=90.0)


@pytest.mark.parametrize(
    ("profile", "names"),
    [
        ("tandem-53ft", ["left-turn", "right-turn"]),
        ("semitrailer-24v", ["left-turn", "right-turn"]),
        ("machine-door", []),
    ],
)
def test_turn_signals_are_those_of_the_connectors_pin_table(profile: str, names: list[str]) -> None:
    loaded = load_profile(profile)

    assert [circuit.name for circuit in loaded.circuits if is_turn_signal(loaded, circuit)] == names


def test_a_short_switches_its_circuit_off_and_the_others_stay_lit() -> None:
    fault = InjectedFault("short-to-ground", "main.rear.markers", ohm=0.1, at_s=3.0)
    session = power(with_faults(BULBS, fault), only=["markers", "tail"], seconds=6.0)

    assert "markers: the board switched it off by itself" in (result(session).reason or "")
    assert values(session)["markers current"] is None
    assert session.run.verdict is Verdict.NOT_TESTED
    late = [e for e in session.events if isinstance(e, Progress) and e.circuit == "tail" and e.board_s > 4.0]
    assert late
    assert all(event.current_a and event.current_a > 1.0 for event in late)


def test_without_a_yes_nothing_is_lit() -> None:
    session = power(BULBS, only=["stop"], seconds=1.0, answers={})

    assert session.run.verdict is Verdict.NOT_TESTED
    assert CommandCode.DRIVE not in {code for code, _ in session.board.commands}

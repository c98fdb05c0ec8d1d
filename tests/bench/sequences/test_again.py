"""What a retest repeats."""

from bench.profiles import load_profile
from bench.results import Finding, Verdict, Where
from bench.sequences.again import BASIS, what_again
from tests.bench.records.made_runs import small_run, small_step

PROFILE = load_profile("tandem-53ft-filament")


def found(kind: str, circuits: tuple[str, ...], step: str, where: Where | None = None, **more: object):
    from dataclasses import replace

    finding = Finding(kind, circuits, (), Verdict.FAIL, "safety", 0.9, "", "", where)
    failed = replace(small_step(0, Verdict.FAIL), step=step, values=(), findings=(finding,))
    return small_run(state="complete", steps=(failed, small_step(1)), **more)


def test_a_sound_run_needs_nothing_again() -> None:
    assert what_again(small_run(state="complete", steps=(small_step(),)), PROFILE).steps == ()


def test_a_lamp_repeats_its_own_circuit_and_who_shares_its_place() -> None:
    lamp = next(load for load in PROFILE.loads if load.circuit == "stop")
    again = what_again(found("lamp-out", ("stop",), "circuits", Where("lamp", lamp.name)), PROFILE)
    sharing = {load.circuit for load in PROFILE.loads if {load.a, load.b} & {lamp.a, lamp.b}}

    assert again.steps == (*BASIS, "circuits")
    assert again.circuits == sharing | {"stop"}
    assert len(again.circuits) < len(PROFILE.circuits)


def test_a_ground_repeats_the_ground_return_and_the_look_before_power() -> None:
    again = what_again(found("ground-high-resistance", (), "ground-return"), PROFILE)

    assert again.steps == (*BASIS, "ground-return")


def test_what_was_closed_since_is_left_out() -> None:
    run = found("lamp-out", ("stop",), "circuits")

    assert what_again(run, PROFILE, closed={(0, 0)}).steps == ()

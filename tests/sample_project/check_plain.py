"""Plain tests: the session blocks, no other plugin is needed."""

import pytest

import bench


@pytest.mark.umbilical(scenario="lab-door")
def test_the_latch_takes_what_its_drawing_says(umbilical_session):
    run = umbilical_session.run("lock-motor", {"passes": 2})

    assert run.verdict == "pass"


@pytest.mark.umbilical(scenario="lab-door")
def test_a_script_of_ones_own(umbilical_session):
    async def script(steps: bench.Steps) -> None:
        async with steps.record("latch", "latch switched on"):
            await steps.drive("latch")
        await steps.wait(0.1)
        await steps.measure("current_a", "latch", low=9.0)

    run = umbilical_session.script("machine-door", script)

    assert run.verdict == "pass", "this one fails: the latch takes 1.4 A"


@pytest.mark.umbilical_simulated
def test_an_open_contact_is_found_where_it_is(umbilical_sim):
    session = umbilical_sim("lab-door", faults=[{"kind": "open", "place": "contact.5"}])
    run = session.inspect("machine-door", only=["look"])

    failed = [value.name for step in run.steps for value in step.values if value.verdict == "fail"]
    assert failed == ["sounder probed"]


@pytest.mark.umbilical_real
def test_the_real_harness(umbilical_session):
    assert umbilical_session.self_test().passed


def test_the_board_of_the_option(umbilical_board):
    assert umbilical_board in ("sim:", "sim:lab-door-switch")


@pytest.mark.umbilical(answers={"clear-to-power": False})
def test_an_answer_of_the_mark_is_given(umbilical_session):
    assert umbilical_session.walk("tandem-53ft", only=["stop"], seconds=1).verdict == "not-tested"

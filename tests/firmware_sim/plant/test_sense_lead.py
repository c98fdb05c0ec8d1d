"""Where the sense lead is clipped is what it reads."""

from dataclasses import replace

import pytest

from bench.contract.table import Return
from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Switches


def pulsed(node: str | None, ohm: float = 0.02) -> tuple[float, float]:
    """Pin voltage and sense voltage with a shorted pin pulsed, both returns closed."""
    scenario = load_scenario("healthy-bulbs")
    fault = InjectedFault("short-to-ground", "main.rear.stop", position=0.5, ohm=ohm)
    plant = build_plant(replace(scenario, faults=(fault,)))
    if node:
        plant.clip_sense(node)
    channel = scenario.profile.channel_of_pin[scenario.profile.circuit("stop").pin]
    feeds = [Feed()] * 8
    feeds[channel - 1] = Feed(FeedMode.PULSE)
    plant.switch(Switches(tuple(feeds), Return.BOTH))
    plant.advance(0.004)
    truth = plant.truth()
    return truth.pin_v[channel - 1], truth.chassis_sense_v


def test_at_the_far_end_of_a_shorted_wire_it_reads_the_contact_and_not_the_wire() -> None:
    pin_v, far_v = pulsed("rear.stop")
    _, frame_v = pulsed(None)

    assert frame_v < 0.03
    assert frame_v < far_v < pin_v
    assert 0.8 < (far_v - frame_v) / (0.02 * 12.8 / 10.1) < 1.0  # cold lamps behind it take a little


def test_clipped_back_to_the_frame_it_reads_the_frame() -> None:
    assert pulsed("chassis") == pulsed(None)


def test_a_node_that_the_harness_lacks_is_refused() -> None:
    with pytest.raises(KeyError):
        build_plant(load_scenario("healthy-bulbs")).clip_sense("nowhere")

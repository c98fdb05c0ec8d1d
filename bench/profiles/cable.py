"""A loose cable: what is drawn of it, as a profile whose circuits are its conductors.

Conductors are known by the pin that they start at. Their gauges are those of the connector's pin table.
"""

import re
from pathlib import Path

from bench.profiles.loading import load_connector, load_limits
from bench.profiles.model import (
    CHASSIS,
    COPPER_OHM_MM2_PER_M,
    Circuit,
    Connector,
    Joint,
    Load,
    Pin,
    Profile,
    Resistor,
    Segment,
    pin_node,
)
from bench.profiles.wire import awg_area_mm2

USUAL_MM2 = 2.0
USUAL_M = 4.6
PULL_DOWN_OHM = 100_000.0  # of the second socket
_SIZE = re.compile(r"(\d+(?:\.\d+)?) (AWG|mm²)")


def cable_profile(name_or_path: str | Path) -> Profile:
    """A cable of a connector as a profile: a circuit for each live pin, and the far socket's pull-down behind it.

    Raises:
        InputError: no such connector, or its file is wrong.
    """
    return profile_of_cable(load_connector(name_or_path))


def profile_of_cable(connector: Connector) -> Profile:
    """See :func:`cable_profile`."""
    live, grounds = connector.live_pins, connector.ground_pins
    back = _far(grounds[0]) if grounds else CHASSIS
    return Profile(
        name=connector.name,
        title=f"Cable, {connector.title}",
        kind="harness",
        connector=connector,
        nominal_v=connector.nominal_v,
        circuits=tuple(Circuit(f"pin-{pin}", f"conductor of pin {pin}", pin, lit=False) for pin in live),
        segments=tuple(
            Segment(f"conductor.{pin.number}", pin_node(pin.number), _far(pin.number), USUAL_M, area_mm2(pin))
            for pin in connector.pins
        ),
        joints=tuple(Joint(f"ground.{pin}", _far(pin), back, 0.001, ground=True) for pin in grounds[1:]),
        loads=tuple(
            Load(f"socket.{pin}", f"far socket, pin {pin}", Resistor(PULL_DOWN_OHM), _far(pin), back, f"pin-{pin}")
            for pin in live
        ),
        limits=load_limits("electrical-24v" if connector.nominal_v == 24 else "electrical"),
        channel_of_pin={pin: channel for channel, pin in enumerate(live, start=1)},
    )


def _far(pin: int) -> str:
    return f"far.{pin}"


def area_mm2(pin: Pin) -> float:
    """Copper of a pin's conductor by the connector's table; usual where that says nothing."""
    size = _SIZE.fullmatch(pin.size)
    if size is None:
        return USUAL_MM2
    return float(size[1]) if size[2] == "mm²" else awg_area_mm2(int(size[1]))


def copper_ohm(pin: Pin, length_m: float) -> float:
    """A conductor's resistance at 20 °C."""
    return COPPER_OHM_MM2_PER_M * length_m / area_mm2(pin)

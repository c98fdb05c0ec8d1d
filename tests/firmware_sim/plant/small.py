"""Small harnesses by hand, and a way to play a plant: switch positions in, readings out."""

from collections.abc import Mapping, Sequence

from bench.contract.table import Return
from bench.profiles.model import (
    CHASSIS,
    Circuit,
    Connector,
    Filament,
    InjectedFault,
    Joint,
    Load,
    LoadType,
    Pin,
    Profile,
    Scenario,
    Segment,
    pin_node,
)
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Plant, Switches, Truth

GROUND_PIN = 1
STOP_27_W = Filament(rated_v=12.8, rated_w=27.0)


def connector(pins: int, nominal_v: int = 12, grounds: Sequence[int] = (GROUND_PIN,)) -> Connector:
    numbers = range(1, pins + 1)
    made = tuple(Pin(n, f"pin {n}", n in grounds, "", "", 0.0, 0.0, "memory") for n in numbers)
    return Connector("small", "small", "none", nominal_v, made, "invented for tests")


def profile(
    *,
    pins: int = 3,
    segments: Sequence[Segment] = (),
    joints: Sequence[Joint] = (),
    loads: Sequence[Load] = (),
    nominal_v: int = 12,
    grounds: Sequence[int] = (GROUND_PIN,),
    channel_of_pin: Mapping[int, int] | None = None,
) -> Profile:
    """Live pins are on channels 1, 2, ... in order unless said otherwise."""
    plug = connector(pins, nominal_v, grounds)
    wired = channel_of_pin or {pin: channel for channel, pin in enumerate(plug.live_pins, start=1)}
    circuits = tuple(Circuit(f"c{pin}", f"circuit {pin}", pin) for pin in plug.live_pins)
    return Profile(
        "small", "small", "harness", plug, nominal_v, circuits, tuple(segments), tuple(joints), tuple(loads), {}, wired
    )


def load(kind: LoadType, a: str, b: str, name: str = "lamp", tolerance: float = 0.10) -> Load:
    return Load(name, name, kind, a, b, "c2", tolerance)


def one_lamp(kind: LoadType = STOP_27_W, *, feed_ohm: float = 0.05, return_ohm: float = 0.02) -> Profile:
    """Pin 2 through a joint to one load, back by a joint to ground pin 1; pin 3 is not connected."""
    return profile(
        joints=[
            Joint("feed", pin_node(2), "lamp.in", feed_ohm),
            Joint("return", "lamp.out", pin_node(1), return_ohm, ground=True),
        ],
        loads=[load(kind, "lamp.in", "lamp.out")],
    )


def scenario(what: Profile, *faults: InjectedFault, **changes: object) -> Scenario:
    """As drawn (no spread) unless told otherwise."""
    settings: dict[str, object] = {"spread": 0.0, "supply_v": 12.8 * what.nominal_v / 12} | changes
    return Scenario(what, faults=tuple(faults), **settings)  # type: ignore[arg-type]


def positions(
    what: Profile | int,
    feeds: Mapping[int, Feed],
    returns: Return = Return.BOTH,
    *,
    reference: bool = False,
) -> Switches:
    """Switch positions from feeds by channel, counted from 1."""
    channels = what if isinstance(what, int) else max(what.channel_of_pin.values())
    return Switches(tuple(feeds.get(n, Feed()) for n in range(1, channels + 1)), returns, reference)


def drive(limit_a: float = 60.0, level: float = 1.0) -> Feed:
    return Feed(FeedMode.DRIVE, limit_a, level)


PROBE = Feed(FeedMode.PROBE)
PULSE = Feed(FeedMode.PULSE)


def settle(scene: Scenario, feeds: Mapping[int, Feed], returns: Return = Return.BOTH, *, after_s: float = 3.0) -> Truth:
    """Readings of a new plant after ``after_s`` with these feeds."""
    plant = build_plant(scene)
    return hold(plant, positions(scene.profile, feeds, returns), after_s)


def hold(plant: Plant, switches: Switches, seconds: float) -> Truth:
    """Take positions and let time pass."""
    plant.switch(switches)
    plant.advance(plant.time_s + seconds)
    return plant.truth()


__all__ = ["CHASSIS", "Filament", "Segment"]

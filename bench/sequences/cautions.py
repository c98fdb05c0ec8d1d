"""What is said before a step that could hurt somebody, and what is asked. Common practice, no source."""

from bench.profiles.model import Profile
from bench.sequences.operator import Question

DEFER = "Local codes, the maker's instructions and a qualified inspector come before this tool."
SUPPLY = (
    "A shorted battery can burn and burst: take rings and watches off, clamp the positive side last and loose it first."
)
POWER = "Lamps get hot enough to burn: keep hands and rags off them, and off the connector while it is powered."
MOVING = "Power on a circuit can move what hangs on it (lift axle, tail lift, landing gear): stay clear of it."
CHOCKS = "Chock the wheels and let nobody under the trailer before its circuits are powered."

CLEAR_TRAILER = Question(
    "clear-to-power",
    "Are the wheels chocked, and is everybody clear of the lamps and of what power could move?",
)
CLEAR_HARNESS = Question(
    "clear-to-power",
    "Is everybody clear of the harness and of what power could heat or move?",
)


PUSH_RODS = (
    "Stay clear of push rods and slack adjusters: brakes will apply and release, also at the end or if the bench fails."
)
SPRINGS = (
    "A spring brake holds a compressed spring: never open its chamber; cage it as its maker says before working on it."
)
AIR = (
    "Compressed air: wear eye protection, never hold a hose that may be under pressure, and let the air out before "
    "opening a line."
)
AIR_CHOCKS = "Chock the wheels on both sides before air goes on: with air in the supply the spring brakes release."
BREAKAWAY = (
    "The supply is exhausted at once: the trailer brakes itself and its spring brakes apply. Stay clear of all wheel "
    "ends."
)
BEFORE_AIR = (AIR_CHOCKS, PUSH_RODS, SPRINGS, AIR, DEFER)


def before_power(profile: Profile) -> tuple[str, ...]:
    """Cautions before circuits are driven."""
    return (CHOCKS, MOVING, POWER, DEFER) if profile.kind == "trailer" else (MOVING, POWER, DEFER)


def clear_to_power(profile: Profile) -> Question:
    """The question that must have a yes before circuits are driven."""
    return CLEAR_TRAILER if profile.kind == "trailer" else CLEAR_HARNESS

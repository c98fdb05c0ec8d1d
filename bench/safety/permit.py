"""May this go out? One table of pure rules, read from top to bottom; the first that objects decides.

Everything that may energise an output, a return switch or a valve is a request. Switching off
is never a request: it is always allowed. What can't be known refuses: a snapshot older than
half a second, or none at all, is unknown.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from bench.contract.readings import Snapshot
from bench.contract.table import MAX_CHANNELS, SUPPLY_WINDOWS, Capability, ChannelState, Fault, Mode, Return
from bench.safety.interlock import AirSeen, Stage, denied, may_regulate
from bench.safety.setup import Setup

STALE_S = 0.5
NO_CAPABILITY = Capability(0)
VOID_S = 5.0  # a filament is cold again this long after it was lit
FEEDING = frozenset({ChannelState.RAMP, ChannelState.ON, ChannelState.LIMIT, ChannelState.RETRY})


@dataclass(frozen=True, slots=True)
class Drive:
    """Soft-start a channel and keep it on."""

    channel: int
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class Probe:
    """Tie one pin to the supply through the probe resistor."""

    channel: int
    time_s: float


@dataclass(frozen=True, slots=True)
class Pulse:
    """Tie one pin to the supply through the pulse resistor for a few milliseconds."""

    channel: int
    time_s: float


@dataclass(frozen=True, slots=True)
class Wiggle:
    """Exercise a wire with pulses that are safe into a short."""

    channel: int


@dataclass(frozen=True, slots=True)
class Switch:
    """Close these return switches and open the others."""

    returns: Return


@dataclass(frozen=True, slots=True)
class Reference:
    """Connect the reference resistor."""


@dataclass(frozen=True, slots=True)
class Air:
    """Enter a stage of the air interlock, which energises that stage's valves."""

    stage: Stage


@dataclass(frozen=True, slots=True)
class Regulate:
    """Set a line's electronic regulator, Pa gauge."""

    line: Literal["supply", "service"]
    pressure_pa: float


@dataclass(frozen=True, slots=True)
class JoinFar:
    """Join pins of the second socket, so that current returns through the cable or at its far end."""

    pins: int


Request = Drive | Probe | Pulse | Wiggle | Switch | Reference | Air | Regulate | JoinFar
OnePin = Drive | Probe | Pulse | Wiggle


@dataclass(frozen=True, slots=True)
class Capacity:
    """What supply and returns carry for good, and how many outputs may be on at once."""

    outputs: int = MAX_CHANNELS
    supply_a: float = 30.0
    return_a: float = 25.0  # each return switch of the contract


@dataclass(frozen=True, slots=True)
class Seen:
    """What the session knows at the instant of a request.

    Attributes:
        age_s: how old ``snapshot`` is.
        stopped: why the session was told to stop, if it was.
        shorted: channels whose probe or pulse showed a short in this session.
        lit_at_s: board clock when a lamp was last fed, None when none was.
        air: what the air interlock knows; None for a profile without air.
    """

    setup: Setup
    snapshot: Snapshot | None
    age_s: float = 0.0
    capabilities: Capability = NO_CAPABILITY
    stopped: str | None = None
    shorted: frozenset[int] = frozenset()
    lit_at_s: float | None = None
    capacity: Capacity = field(default_factory=Capacity)
    air: AirSeen | None = None


@dataclass(frozen=True, slots=True)
class Denial:
    """Which rule said no and why, in one line; ``dangerous`` is false where only the reading would be worthless."""

    rule: str
    why: str
    dangerous: bool = True


@dataclass(frozen=True, slots=True)
class Sight:
    """A request beside a snapshot that is fresh: what all rules but the first two look at."""

    request: Request
    now: Snapshot
    seen: Seen

    @property
    def feeding(self) -> dict[int, float]:
        """Measured current of every channel that is driven."""
        return {
            number: reading.current_a
            for number, reading in enumerate(self.now.channels, start=1)
            if reading.state in FEEDING
        }

    @property
    def total_a(self) -> float:
        """Current with the request carried out: measured where on, expected for the new one."""
        others = {channel: amps for channel, amps in self.feeding.items() if channel != self.channel}
        return sum(others.values()) + self.seen.setup.nominal_a.get(self.channel, 0.0)

    @property
    def channel(self) -> int:
        """The channel asked for, 0 when the request is not about one."""
        return self.request.channel if isinstance(self.request, OnePin) else 0


def _emergency_stop(sight: Sight) -> str | None:
    if Fault.EMERGENCY_STOP in (sight.now.faults | sight.now.causes):
        return "the emergency stop is pressed or not yet cleared"
    return None


def _fault(sight: Sight) -> str | None:
    faults = sight.now.faults | sight.now.causes
    return f"the board reports {names(faults)}" if faults else None


def _not_armed(sight: Sight) -> str | None:
    if Mode.ARMED not in sight.now.mode:
        return "the board is not armed"
    if Capability.WATCHDOG in sight.seen.capabilities and Mode.WATCHDOG_RUNNING not in sight.now.mode:
        return "the board's watchdog is not running"
    return None


_NEEDS: dict[type[Request], Capability] = {
    Drive: Capability.CURRENT_LIMIT,
    Probe: Capability.PROBE,
    Pulse: Capability.COLD_PULSE,
    Wiggle: Capability.CURRENT_LIMIT | Capability.WIGGLE_MONITOR,
    Switch: Capability.RETURN_SWITCHES,
    Reference: Capability.REFERENCE_RESISTOR,
    JoinFar: Capability.FAR_SOCKET,
    Air: Capability.AIR,
    Regulate: Capability.AIR | Capability.REGULATOR,
}


def _not_capable(sight: Sight) -> str | None:
    able = sight.seen.capabilities
    if isinstance(sight.request, Drive) and Capability.FIXED_FUSE in able:
        return None
    missing = _NEEDS[type(sight.request)] & ~able
    return f"the board has no {names(missing)}" if missing else None


def supply_mismatch(supply_v: float, nominal_v: int) -> str | None:
    """Why a supply does not suit a profile, or None."""
    window = SUPPLY_WINDOWS[nominal_v]
    if window.low_v <= supply_v <= window.high_v:
        return None
    return (
        f"the supply is {supply_v:.1f} V but the profile is for {nominal_v} V ({window.low_v:g} to {window.high_v:g} V)"
    )


def _supply(sight: Sight) -> str | None:
    return supply_mismatch(sight.now.supply_v, sight.seen.setup.nominal_v)


def _not_in_profile(sight: Sight) -> str | None:
    if sight.channel in sight.seen.setup.circuits and sight.channel <= len(sight.now.channels):
        return None
    return f"channel {sight.channel} has no circuit in the profile"


def _tripped(sight: Sight) -> str | None:
    if sight.now.channel(sight.channel).state is ChannelState.TRIPPED:
        return f"channel {sight.channel} has tripped; turn it off before it is used again"
    return None


def _shorted(sight: Sight) -> str | None:
    if sight.channel in sight.seen.shorted:
        circuit = sight.seen.setup.circuits[sight.channel]
        return f"the look before power showed a short on {circuit}: only wiggle may feed it"
    return None


def _returns_open(sight: Sight) -> str | None:
    return "both return switches are open" if sight.now.returns is Return.NONE else None


def _returns_needed(sight: Sight) -> str | None:
    if isinstance(sight.request, Switch) and sight.request.returns is Return.NONE and sight.feeding:
        return "a return must stay closed while a circuit is driven"
    return None


def _driven_far(sight: Sight) -> str | None:
    joins = isinstance(sight.request, JoinFar) and sight.request.pins
    return "pins of the second socket are not joined while a circuit is driven" if joins and sight.feeding else None


def _too_many(sight: Sight) -> str | None:
    allowed = sight.seen.capacity.outputs
    if len(sight.feeding.keys() | {sight.channel}) > allowed:
        return f"no more than {allowed} outputs may be on at once"
    return None


def _one_by_one(sight: Sight) -> str | None:
    limits = sight.seen.capabilities & (Capability.CURRENT_LIMIT | Capability.FIXED_FUSE)
    if limits == Capability.FIXED_FUSE and sight.feeding.keys() - {sight.channel}:
        return "this board has fuses and no current limit: one output at a time"
    return None


def _over_supply(sight: Sight) -> str | None:
    if sight.total_a > sight.seen.capacity.supply_a:
        return f"{sight.total_a:.1f} A in all is more than the supply's {sight.seen.capacity.supply_a:g} A"
    return None


def _over_return(sight: Sight) -> str | None:
    returns = sight.request.returns if isinstance(sight.request, Switch) else sight.now.returns
    carried_a = sight.seen.capacity.return_a * returns.bit_count()
    if returns and sight.total_a > carried_a:
        return f"{sight.total_a:.1f} A in all is more than the closed returns' {carried_a:g} A"
    return None


def _still_warm(sight: Sight) -> str | None:
    lit_at_s = sight.seen.lit_at_s
    if lit_at_s is None or sight.now.uptime_s - lit_at_s >= VOID_S:
        return None
    return f"a cold pulse is void for {VOID_S:g} s after a lamp was lit"


def _interlock(sight: Sight) -> str | None:
    air, request = sight.seen.air, sight.request
    if air is None:
        return "the profile has no air system"
    if isinstance(request, Air):
        return denied(request.stage, air)
    return may_regulate(request.pressure_pa, air) if isinstance(request, Regulate) else None


@dataclass(frozen=True, slots=True)
class Rule:
    """``check`` says why a request ``about`` which the rule is must not go out, or None."""

    name: str
    about: tuple[type[Request], ...]
    check: Callable[[Sight], str | None]
    dangerous: bool = True


ANY = (Drive, Probe, Pulse, Wiggle, Switch, Reference, Air, Regulate, JoinFar)
ONE_PIN = (Drive, Probe, Pulse, Wiggle)
FULL = (Drive, Wiggle)

# fmt: off
RULES: tuple[Rule, ...] = (
    Rule("emergency-stop", ANY,                 _emergency_stop),
    Rule("fault",          ANY,                 _fault),
    Rule("not-armed",      ANY,                 _not_armed),
    Rule("not-capable",    ANY,                 _not_capable),
    Rule("interlock",      (Air, Regulate),     _interlock),
    Rule("supply",         ANY,                 _supply),
    Rule("not-in-profile", ONE_PIN,             _not_in_profile),
    Rule("tripped",        ONE_PIN,             _tripped),
    Rule("shorted",        (Drive,),            _shorted),
    Rule("returns-open",   FULL,                _returns_open),
    Rule("returns-needed", (Switch,),           _returns_needed),
    Rule("driven-far",     (JoinFar,),          _driven_far),
    Rule("too-many",       FULL,                _too_many),
    Rule("one-by-one",     FULL,                _one_by_one),
    Rule("over-supply",    FULL,                _over_supply),
    Rule("over-return",    (*FULL, Switch),     _over_return),
    Rule("void",           (Pulse,),            _still_warm, dangerous=False),
)
# fmt: on


def permit(request: Request, seen: Seen) -> Denial | None:
    """Why ``request`` must not go out, or None if it may.

    Args:
        request: what would be energised.
        seen: the newest state; a snapshot older than 0.5 s counts as unknown, and unknown refuses.
    """
    if seen.stopped is not None:
        return Denial("stopped", f"the session was stopped: {seen.stopped}")
    if seen.snapshot is None or seen.age_s > STALE_S:
        return Denial("stale", f"the board's state is unknown: no snapshot within {STALE_S:g} s")
    sight = Sight(request, seen.snapshot, seen)
    for rule in RULES:
        if isinstance(request, rule.about) and (why := rule.check(sight)):
            return Denial(rule.name, why, rule.dangerous)
    return None


def names(flags: Fault | Capability) -> str:
    """``emergency stop, board hot``: the set flags in words."""
    return ", ".join(flag.name.lower().replace("_", " ") for flag in flags if flag.name)

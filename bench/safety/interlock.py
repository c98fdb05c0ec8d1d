"""The air interlock: which stage the air is in, what each energises, how it is entered, what ends it.

Read ``TABLE`` from top to bottom: a stage energises its valves and nothing else, may follow the
stages it names, wants its conditions at the instant it is entered, lasts at most so long, and falls
to another stage when its time is over or nobody holds it any more. Both exhaust valves are normally
open: ``safe`` is the stage of a bench without power.

Everything here is pure; ``AirGuard`` keeps the state, looks at it several times a second and moves
the valves. The board has the last word: every valve has a longest-on time there, and the watchdog
de-energises all of them when the controller falls silent. Terms as in ISO 4414 and ISO 13850; this is no
assessment of safety. Thresholds are settings and carry how well they are founded.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from math import inf

from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI


class Stage(StrEnum):
    """Where the air of a session is."""

    SAFE = "safe"
    ARMED = "armed"
    CHARGE = "charge"
    HOLD = "hold"
    APPLY = "apply"
    APPLIED = "applied"
    TIMED = "timed application"
    MEASURED = "held for measuring"
    RELEASE = "release"
    EMERGENCY = "emergency test"


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What the interlock compares with: settings that a shop may change; ``MARKS`` says how well each is founded."""

    acknowledged_for_s: float = 600.0
    lease_s: float = 0.25
    silent_s: float = 0.25
    blind_s: float = 0.5
    zero_pa: float = 3 * PA_PER_PSI  # of a line that is open to the air
    charge_stops_pa: float = 120 * PA_PER_PSI
    charge_longest_s: float = 180.0
    open_hose_below_pa: float = 60 * PA_PER_PSI
    open_hose_after_s: float = 30.0
    open_hose_rate_pa_per_s: float = 0.2 * PA_PER_PSI
    apply_above_pa: float = 85 * PA_PER_PSI
    apply_longest_s: float = 150.0
    timed_longest_s: float = 10.0
    measured_longest_s: float = 600.0
    hold_longest_s: float = 600.0
    released_below_pa: float = 2 * PA_PER_PSI
    release_longest_s: float = 5.0
    emergency_longest_s: float = 60.0
    rising_pa_per_s: float = 0.5 * PA_PER_PSI  # air that warms up in a tank rises more slowly
    idle_service_pa: float = 6 * PA_PER_PSI
    settles_in_s: float = 6.0
    highest_pa: float = 135 * PA_PER_PSI


MARKS = dict.fromkeys((field.name for field in fields(Thresholds)), "from memory: confirm on the bench") | {
    "hold_longest_s": "board contract: longest time a valve may be energised",
    "apply_above_pa": "common practice, no source: brakes are tested above 80 to 85 psi",
}


@dataclass(frozen=True, slots=True)
class Pressures:
    """What the transducers say, Pa gauge; None where there is none.

    Attributes:
        supply_rate, service_rate: Pa/s over the last seconds; None before there are any.
        implausible: which reading can't be a pressure, and why.
    """

    supply_pa: float | None = None
    service_pa: float | None = None
    supply_rate: float | None = None
    service_rate: float | None = None
    implausible: str | None = None


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """What a person has said; nothing else makes one.

    Attributes:
        clear_applying, clear_releasing: nobody is at a wheel end while push rods move out, and while they move back.
    """

    chocks: bool = False
    glad_hands: bool = False
    clear_applying: bool = False
    clear_releasing: bool = False

    @property
    def missing(self) -> str | None:
        """What has not been acknowledged."""
        said = {
            "the wheels are chocked": self.chocks,
            "the glad hands are seated": self.glad_hands,
            "everybody is clear of brakes that apply": self.clear_applying,
            "everybody is clear of brakes that release": self.clear_releasing,
        }
        return next((f"nobody has said that {what}" for what, is_so in said.items() if not is_so), None)


NOBODY = Acknowledgement()


@dataclass(frozen=True, slots=True)
class State:
    """The interlock's memory; times by the board's clock.

    Attributes:
        until_s: end of the stage's time.
        springs_s: when a person last confirmed that spring brakes will apply.
        fault: why the air was made safe; it stays for the rest of the session.
    """

    stage: Stage = Stage.SAFE
    since_s: float = 0.0
    until_s: float = inf
    said: Acknowledgement = NOBODY
    said_s: float = -inf
    springs_s: float = -inf
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class AirSeen:
    """Everything a decision looks at.

    Attributes:
        held_ago_s: how long ago somebody last held the control; infinite when nobody ever did.
    """

    state: State
    pressures: Pressures
    now_s: float
    held_ago_s: float = inf
    thresholds: Thresholds = Thresholds()


Condition = Callable[[AirSeen], str | None]


def _acknowledged(seen: AirSeen) -> str | None:
    if missing := seen.state.said.missing:
        return missing
    age_s, longest_s = seen.now_s - seen.state.said_s, seen.thresholds.acknowledged_for_s
    return f"what people said is older than {longest_s / 60:.0f} min: ask again" if age_s > longest_s else None


def _plausible(seen: AirSeen) -> str | None:
    if seen.pressures.implausible:
        return seen.pressures.implausible
    return "there is no supply pressure reading" if seen.pressures.supply_pa is None else None


def _zeroed(seen: AirSeen) -> str | None:
    zero = seen.thresholds.zero_pa
    for line, pressure_pa in (("supply", seen.pressures.supply_pa), ("service", seen.pressures.service_pa)):
        if pressure_pa is not None and abs(pressure_pa) > zero:
            return (
                f"the {line} line is open to the air, yet its sensor reads {_in_psi(pressure_pa)}: "
                "a fill valve that passes, an exhaust that stays shut, or a wrong zero"
            )
    return None


def _not_full(seen: AirSeen) -> str | None:
    full_pa = seen.thresholds.charge_stops_pa
    return f"the supply is above {_in_psi(full_pa)} already" if _of(seen.pressures.supply_pa) > full_pa else None


def _charged(seen: AirSeen) -> str | None:
    least_pa, supply_pa = seen.thresholds.apply_above_pa, _of(seen.pressures.supply_pa)
    if supply_pa > least_pa:
        return None
    return f"the supply holds {_in_psi(supply_pa)}: applying needs more than {_in_psi(least_pa)}"


def _held(seen: AirSeen) -> str | None:
    return "nobody holds the control" if seen.held_ago_s > seen.thresholds.lease_s else None


def _released(seen: AirSeen) -> str | None:
    most_pa, service_pa = seen.thresholds.released_below_pa, _of(seen.pressures.service_pa)
    return f"the service line still holds {_in_psi(service_pa)}" if service_pa > most_pa else None


def _springs_confirmed(seen: AirSeen) -> str | None:
    age_s = seen.now_s - seen.state.springs_s
    return None if age_s <= seen.thresholds.acknowledged_for_s else "nobody has said that springs may apply"


@dataclass(frozen=True, slots=True)
class Row:
    """One stage.

    Attributes:
        energises: these valves, no others.
        follows: stages it may be entered from; ``SAFE`` may be entered from all.
        longest: name of the threshold that limits its time; None for no limit.
        falls_to: where it goes when its time is over, or nobody holds it any more.
        held: only while somebody holds the control.
        late: its time being over is itself a fault.
    """

    stage: Stage
    energises: frozenset[Valve]
    follows: frozenset[Stage]
    wants: tuple[Condition, ...]
    longest: str | None
    falls_to: Stage
    held: bool = False
    late: bool = False


_S = Stage
_CLOSED = frozenset({Valve.SUPPLY_EXHAUST})
_FILLING = _CLOSED | {Valve.SUPPLY_FILL}
_KEPT = _CLOSED | {Valve.SERVICE_EXHAUST}
_APPLYING = _KEPT | {Valve.SERVICE_FILL}
_FED = _APPLYING | {Valve.SUPPLY_FILL}
_NONE: frozenset[Valve] = frozenset()
_ANY = frozenset(Stage)
_OFF = frozenset({_S.SAFE, _S.ARMED})
_READY = frozenset({_S.ARMED, _S.HOLD})
_IDLE = frozenset({_S.CHARGE, _S.HOLD, _S.RELEASE})
ON = frozenset({_S.APPLY, _S.APPLIED, _S.TIMED, _S.MEASURED})
_HELD, _AT_APPLY = frozenset({_S.HOLD}), frozenset({_S.APPLY})
_SAID = (_acknowledged, _plausible)
_HAND = (*_SAID, _held)

# fmt: off
TABLE: dict[Stage, Row] = {row.stage: row for row in (
    #   stage         energises  follows    wants                         longest                falls to
    Row(_S.SAFE,      _NONE,     _ANY,      (),                           None,                  _S.SAFE),
    Row(_S.ARMED,     _NONE,     _OFF,      (*_SAID, _zeroed),            "acknowledged_for_s",  _S.SAFE),
    Row(_S.CHARGE,    _FILLING,  _READY,    (*_HAND, _not_full),          "charge_longest_s",    _S.SAFE, True, True),
    Row(_S.HOLD,      _CLOSED,   _IDLE,     (_plausible, _released),      "hold_longest_s",      _S.SAFE),
    Row(_S.APPLY,     _APPLYING, _HELD,     (*_HAND, _charged),           "apply_longest_s",     _S.RELEASE, True),
    Row(_S.APPLIED,   _KEPT,     _AT_APPLY, _HAND,                        "apply_longest_s",     _S.RELEASE, True),
    Row(_S.TIMED,     _FED,      _HELD,     (*_HAND, _charged),           "timed_longest_s",     _S.RELEASE, True),
    Row(_S.MEASURED,  _APPLYING, _AT_APPLY, _HAND,                        "measured_longest_s",  _S.RELEASE, True),
    Row(_S.RELEASE,   _CLOSED,   ON,        (),                           "release_longest_s",   _S.SAFE, late=True),
    Row(_S.EMERGENCY, _NONE,     _HELD,     (*_SAID, _springs_confirmed), "emergency_longest_s", _S.SAFE),
)}
# fmt: on


def denied(stage: Stage, seen: AirSeen) -> str | None:
    """Why ``stage`` must not be entered now, or None. ``SAFE`` and ``RELEASE`` are never refused for a condition."""
    row, state = TABLE[stage], seen.state
    if stage is Stage.SAFE:
        return None
    if state.fault:
        return f"the air was made safe: {state.fault}; find the cause, then begin a new session"
    if state.stage not in row.follows:
        return f"{stage} does not follow {state.stage}"
    return next((why for wanted in row.wants if (why := wanted(seen))), None)


def may_regulate(pressure_pa: float, seen: AirSeen) -> str | None:
    """Why a regulator must not be set to ``pressure_pa``, or None."""
    if seen.state.fault:
        return f"the air was made safe: {seen.state.fault}"
    if pressure_pa > seen.thresholds.charge_stops_pa:
        return f"{_in_psi(pressure_pa)} is more than {_in_psi(seen.thresholds.charge_stops_pa)}"
    return _acknowledged(seen)


def entered(state: State, stage: Stage, now_s: float, at_most_s: float, thresholds: Thresholds) -> State:
    """The state once ``stage`` has been entered; ``APPLIED`` goes on with the time of its application."""
    name = TABLE[stage].longest
    longest_s = getattr(thresholds, name) if name else inf
    until_s = now_s + min(at_most_s, longest_s)
    if stage is Stage.APPLIED:
        until_s = min(until_s, state.until_s)
    return replace(state, stage=stage, since_s=now_s, until_s=until_s)


def acknowledged(state: State, said: Acknowledgement, now_s: float) -> State:
    """The state once a person has answered."""
    return replace(state, said=said, said_s=now_s)


def springs_confirmed(state: State, now_s: float) -> State:
    """The state once a person has confirmed that spring brakes will apply."""
    return replace(state, springs_s=now_s)


def made_safe(state: State, fault: str, now_s: float) -> State:
    """The state after a fault. Nothing starts again by itself: the fault stays, and what people said is void."""
    return State(since_s=now_s, fault=state.fault or fault)


def falls_to(seen: AirSeen) -> tuple[Stage, str] | None:
    """Where the stage must go now because its time is over or nobody holds it, and why; None while it may stay."""
    row, state = TABLE[seen.state.stage], seen.state
    if seen.now_s > state.until_s:
        return row.falls_to, f"the time of {state.stage} is over"
    if row.held and seen.held_ago_s > seen.thresholds.lease_s:
        return row.falls_to, f"nobody held the control during {state.stage}"
    return None


def fault_of(seen: AirSeen, silent_s: float = 0.0, blind_s: float = 0.0) -> str | None:
    """Why the air must be made safe now, or None.

    Args:
        seen: with the newest pressures.
        silent_s: how long the link was silent before they came.
        blind_s: how long the pressures were not read before that, though the board may have answered.
    """
    state, pressures, limits = seen.state, seen.pressures, seen.thresholds
    highest_pa = max(_of(pressures.supply_pa), _of(pressures.service_pa))
    if highest_pa > limits.highest_pa:
        return f"{_in_psi(highest_pa)} is more than {_in_psi(limits.highest_pa)}: lower the regulator"
    if not TABLE[state.stage].energises:
        return None
    if silent_s > limits.silent_s:
        return f"the link was silent for {silent_s * 1000:.0f} ms"
    if blind_s > limits.blind_s:
        return f"the pressures were not read for {blind_s * 1000:.0f} ms: the link is too slow for air"
    if pressures.implausible:
        return pressures.implausible
    if TABLE[state.stage].late and seen.now_s > state.until_s:
        return _overtime(seen)
    return _behaves_oddly(seen)


def _overtime(seen: AirSeen) -> str:
    if seen.state.stage is Stage.CHARGE:
        supply = _in_psi(_of(seen.pressures.supply_pa))
        return f"charging took too long, the supply is at {supply}: regulator too low, a big leak, or a weak source"
    released = _released(seen) or "the service line took too long to empty"
    return f"{released}: its exhaust stays shut, something fills it, or its sensor is stuck"


def _behaves_oddly(seen: AirSeen) -> str | None:
    passed_s = seen.now_s - seen.state.since_s
    pressures, limits = seen.pressures, seen.thresholds
    stage, service_pa = seen.state.stage, _of(seen.pressures.service_pa)
    if stage is Stage.CHARGE:
        return _charges_oddly(seen, passed_s)
    if passed_s < limits.settles_in_s:
        return None
    if stage in (Stage.HOLD, Stage.RELEASE) and service_pa > limits.idle_service_pa:
        return f"the service line reads {_in_psi(service_pa)} with its valve shut: the service fill valve passes"
    rising = {"supply": pressures.supply_rate}
    rising |= {"service": pressures.service_rate} if stage is Stage.APPLIED else {}
    for line, rate in rising.items():
        if rate is not None and rate > limits.rising_pa_per_s:
            return f"the {line} pressure rises with its valve shut: the {line} fill valve passes"
    return None


def _charges_oddly(seen: AirSeen, passed_s: float) -> str | None:
    supply_pa, service_pa = _of(seen.pressures.supply_pa), _of(seen.pressures.service_pa)
    limits = seen.thresholds
    if service_pa > limits.idle_service_pa:
        if supply_pa < limits.zero_pa:
            return "the service sensor rises while the supply is filled: the two pressure sensors are swapped"
        return f"the service line reads {_in_psi(service_pa)} with its valve shut: the service fill valve passes"
    slow = seen.pressures.supply_rate is not None and seen.pressures.supply_rate < limits.open_hose_rate_pa_per_s
    if passed_s > limits.open_hose_after_s and supply_pa < limits.open_hose_below_pa and slow:
        return (
            f"the supply stays at {_in_psi(supply_pa)}: an open hose or glad hand, a valve that does not move, "
            "a regulator set too low, or no air"
        )
    return None


def _of(pressure_pa: float | None) -> float:
    return 0.0 if pressure_pa is None else pressure_pa


def _in_psi(pressure_pa: float) -> str:
    return f"{pressure_pa / PA_PER_PSI:.1f} psi ({pressure_pa / 1000:.0f} kPa)"

"""First look at the ground return: each path alone, and lost grounds of a cluster."""

from collections.abc import Iterator, Sequence

from bench.electrical.ground import MARGINAL_OHM, MISSING_SHARE, SOUND_OHM
from bench.electrical.look import FOLLOWS_SHARE, Look, Pair, takes_more
from bench.electrical.wording import finding
from bench.profiles.model import Circuit, Reading, Segment
from bench.results import Alternative, Evidence, Finding, Size, Verdict, Where

CLUSTER_RISE_V = 0.5


def grounds(look: Look) -> Iterator[Finding]:
    """Return paths that alone carry too little, or drop too much."""
    for path in ("pin", "chassis"):
        pair = _heaviest(look, path)
        if pair is not None and (found := _ground_path(look, path, pair)):
            yield found


def _heaviest(look: Look, returns: str) -> Pair | None:
    pairs = [p for p in look.pairs if p.reading.how == "drive" and p.reading.returns == returns]
    return max(pairs, key=lambda p: sum(p.expected_a[pin] for pin in p.reading.driven), default=None)


def _ground_path(look: Look, path: str, pair: Pair) -> Finding | None:
    expected_a = sum(pair.expected_a[pin] for pin in pair.reading.driven)
    seen_a = _current(pair.reading, path)
    if seen_a is None or expected_a < 0.5 or not _has_path(look, path):
        return None
    if abs(seen_a) < MISSING_SHARE * expected_a and not _open_feed(look, pair):
        return _ground_open(look, path, seen_a, expected_a)
    joined_v = FOLLOWS_SHARE * look.harness.profile.nominal_v
    volts = pair.reading.pin_v
    idle = [pin for pin in look.harness.profile.connector.live_pins if pin in volts and pin not in pair.reading.driven]
    rises = [volts[pin] - pair.expected_v[pin] * seen_a / expected_a for pin in idle if volts[pin] < joined_v]
    if not rises or abs(seen_a) < 0.2:
        return None
    # The ground that all circuits share lifts every pin; a lost cluster lifts some much more.
    rise_v = min(rises)
    excess_ohm = rise_v / seen_a
    error_ohm = look.board.voltage_offset_v / abs(seen_a) + 0.01
    if excess_ohm < SOUND_OHM + 2 * error_ohm:
        return None
    return _ground_high(look, path, excess_ohm, rise_v, seen_a, pair)


def _current(reading: Reading, path: str) -> float | None:
    if path in reading.return_a:
        return reading.return_a[path]
    if all(pin in reading.pin_a for pin in reading.driven):
        return sum(reading.pin_a[pin] for pin in reading.driven)
    return None


def _has_path(look: Look, path: str) -> bool:
    """Whether the drawing has this path at all: the prediction says so."""
    pair = _heaviest(look, path)
    if pair is None:
        return False
    row = look.row(pair)
    returned = look.solution.pin_return_a[row] + look.solution.chassis_return_a[row]
    return bool(returned > 0.2)


def _open_feed(look: Look, pair: Pair) -> bool:
    """The same pins take nothing with both returns either: their feed is open, not the ground."""
    for other in look.pairs:
        same = other.reading.driven == pair.reading.driven and other.reading.how == "drive"
        if same and other.reading.returns == "both":
            seen = _current_fed(other.reading)
            expected_a = sum(other.expected_a[pin] for pin in other.reading.driven)
            return seen is not None and seen < 0.1 * expected_a
    return False


def _current_fed(reading: Reading) -> float | None:
    fed = [reading.pin_a[pin] for pin in reading.driven if pin in reading.pin_a]
    return sum(fed) if fed else None


def _ground_circuits(look: Look) -> list[Circuit]:
    return list(look.measurements.profile.circuits)


def _ground_where(look: Look, path: str) -> Where | None:
    ground = [joint for joint in look.measurements.profile.joints if joint.ground]
    if path == "chassis":
        near = [joint for joint in ground if "chassis" in (joint.a, joint.b)]
    else:
        pins = {f"pin.{pin}" for pin in look.measurements.profile.connector.ground_pins}
        near = [joint for joint in ground if pins & {joint.a, joint.b}]
    return Where("joint", near[0].name) if near else None


def _ground_open(look: Look, path: str, seen_a: float, expected_a: float) -> Finding:
    return finding(
        "ground-open",
        _ground_circuits(look),
        of="whole harness",
        pins=look.harness.profile.connector.ground_pins,
        confidence=0.95,
        where=_ground_where(look, path),
        evidence=[
            Evidence(f"current back by the {path} alone", seen_a, "A"),
            Evidence("expected", expected_a, "A"),
        ],
        detail=f"With the {path} return alone almost nothing comes back.",
    )


def _ground_high(look: Look, path: str, ohm: float, rise_v: float, seen_a: float, pair: Pair) -> Finding:
    bad = ohm > MARGINAL_OHM
    sense = pair.reading.chassis_sense_v
    detail = ""
    if path == "chassis" and sense is not None:
        detail = f"The clamp itself has {sense / seen_a:.2f} Ω; the rest is the bond behind it."
    elif path == "chassis":
        detail = "Without a sense lead on the frame a bad clamp looks just like a bad bond."
    others = [Alternative("board-fault", None, 0.4)] if path == "chassis" and sense is None else []
    return finding(
        "ground-high-resistance",
        _ground_circuits(look),
        pins=look.harness.profile.connector.ground_pins,
        confidence=0.9 if bad else 0.6,
        verdict=Verdict.FAIL if bad else Verdict.UNSURE,
        where=_ground_where(look, path),
        size=Size(ohm, "Ω"),
        evidence=[Evidence("undriven pins above ground", rise_v, "V"), Evidence(f"current by the {path}", seen_a, "A")],
        alternatives=others,
        detail=detail,
    )


def clusters(look: Look, crossed: Sequence[Finding]) -> Iterator[Finding]:
    """A lost cluster ground: some undriven pins come up, well short of metal, and the driven current falls."""
    taken = {name for found in crossed for name in found.circuits}
    seen: dict[tuple[int, ...], Pair] = {}
    for pair in look.pairs:
        if pair.reading.how == "drive" and len(pair.reading.driven) == 1 and pair.reading.returns == "both":
            up = _risen(look, pair)
            if up and not takes_more(pair, pair.reading.driven[0]):
                seen[tuple(sorted({*up, *pair.reading.driven}))] = pair
    if not seen:
        return
    pins = max(seen, key=len)
    circuits = [c for c in look.measurements.profile.circuits if c.pin in pins and c.name not in taken]
    if circuits:
        yield _cluster(look, circuits, seen[pins])


def _risen(look: Look, pair: Pair) -> list[int]:
    undriven = {
        pin: pair.reading.pin_v[pin] - pair.expected_v[pin]
        for pin in look.harness.profile.connector.live_pins
        if pin in pair.reading.pin_v and pin not in pair.reading.driven
    }
    if not undriven:
        return []
    rest = min(undriven.values())
    return [pin for pin, volts in undriven.items() if volts > rest + CLUSTER_RISE_V]


def _cluster(look: Look, circuits: Sequence[Circuit], pair: Pair) -> Finding:
    node = shared_ground(look, circuits)
    pin = pair.reading.driven[0]
    evidence = [
        Evidence(f"pin {pin} takes", pair.reading.pin_a.get(pin, 0.0), "A"),
        Evidence("expected", pair.expected_a[pin], "A"),
        *(Evidence(f"pin {up}, not fed", pair.reading.pin_v[up], "V") for up in _risen(look, pair)),
    ]
    return finding(
        "ground-open",
        circuits,
        confidence=0.9,
        where=node,
        evidence=evidence,
        detail="Its lamps feed each other backwards through their filaments.",
    )


def shared_ground(look: Look, circuits: Sequence[Circuit]) -> Where | None:
    """The ground joint (or wire) next to the node that loads of the most of ``circuits`` share."""
    names = {circuit.name for circuit in circuits}
    nodes = {load.b for load in look.harness.loads if load.circuit in names}
    shared = max(
        sorted(nodes),
        key=lambda node: len({load.circuit for load in look.harness.loads if load.b == node} & names),
        default=None,
    )
    for span in look.harness.spans:
        if shared in (span.a, span.b):
            element = next((e for e in span.elements if not isinstance(e, Segment)), span.elements[0])
            return Where("segment" if isinstance(element, Segment) else "joint", element.name)
    return None

"""What a loose cable's readings say: which pin arrives where, what is joined, how much a conductor resists.

One near pin after the other is tied to the supply through the probe resistor, nothing returns, and every pin of both
sockets is read. What is joined to the fed pin by metal stands at its voltage (a pull-down of 100 kilohm takes nothing
that counts from it); what is not, stands at nearly nothing, and in between is leakage. So each row names the pins that
a conductor reaches:

- its own far pin alone: sound;  no far pin: open;  another far pin: crossed;
- a near pin besides: bridged, for a crossing changes far ends only.

Resistance is V over I of the four-wire sort: a pulse of about an ampere by the conductor, its voltage read at both
ends. A conductor is held against copper of its gauge and length (ASTM B258, 100 % IACS) and two contacts; where nobody
tells the length, the one that fits most conductors is taken, so that one bad conductor shows and an evenly bad
cable does not.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from bench.results import Evidence, Finding, Size, Verdict, Where

JOINED_SHARE = 0.9  # of the fed pin's voltage: less than about 5 kilohm
SPREAD = 0.10  # of copper: length, lay, temperature
MOST_OHM = 100.0  # a pulse through more says little


@dataclass(frozen=True, slots=True)
class Row:
    """Volts above rest of every pin by number while one near pin is fed; ground pins count as one, by the first.

    ``far_v`` is empty without a second socket.
    """

    fed: int
    near_v: Mapping[int, float]
    far_v: Mapping[int, float]

    @property
    def bridged(self) -> frozenset[int]:
        """Other near pins that the fed one is joined to."""
        return frozenset(_joined(self, self.near_v)) - {self.fed}

    @property
    def arrives(self) -> frozenset[int]:
        """Far pins that it reaches."""
        return frozenset(_joined(self, self.far_v))


def _joined(row: Row, volts: Mapping[int, float]) -> list[int]:
    level_v = row.near_v[row.fed] * JOINED_SHARE
    return [pin for pin, seen_v in volts.items() if seen_v > level_v]


@dataclass(frozen=True, slots=True)
class Conductor:
    """Resistance of the conductor that starts at near pin ``pin``, beside copper of its gauge, an ohm a metre."""

    pin: int
    ohm: float
    copper_ohm_per_m: float


def topology(rows: Sequence[Row]) -> list[Finding]:
    """Opens, crossed and bridged conductors of rows that were read with the far end in a socket."""
    found: list[Finding] = []
    told: set[frozenset[int]] = set()
    for row in rows:
        group = row.bridged | {row.fed}
        if row.bridged and group not in told:
            told.add(group)
            found.append(bad("bridged", sorted(group), f"Pins {listed(group)} are joined to each other.", row))
        if not row.far_v:
            continue
        if not row.arrives:
            found.append(bad("open", [row.fed], f"Pin {row.fed} does not arrive at the far end.", row))
        elif not row.bridged and row.arrives != {row.fed}:
            group = row.arrives | {row.fed}
            found += [] if group in told else [_misled(row, rows)]
            told.add(group)
    return found


def _misled(row: Row, rows: Sequence[Row]) -> Finding:
    """A conductor that arrives elsewhere; one finding for a pair that changed places."""
    pins = sorted(row.arrives | {row.fed})
    back = any(other.fed in row.arrives and other.arrives == {row.fed} for other in rows)
    text = f"Pins {listed(pins)} have changed places" if back else f"Pin {row.fed} arrives on pin {listed(row.arrives)}"
    return bad("crossed", pins, f"{text}.", row)


def bad(what: str, pins: Sequence[int], text: str, row: Row | None = None, size: Size | None = None) -> Finding:
    """A finding about conductors."""
    evidence = []
    if row is not None:
        evidence = [Evidence(f"pin {pin}, near end", row.near_v[pin], "V") for pin in pins if pin in row.near_v]
        evidence += [Evidence(f"pin {pin}, far end", row.far_v[pin], "V") for pin in pins if pin in row.far_v]
    return Finding(
        kind="bad-cable",
        circuits=tuple(f"pin-{pin}" for pin in pins),
        pins=tuple(pins),
        verdict=Verdict.FAIL,
        severity="defect",
        confidence=0.98,
        explain=f"{text} ({what})",
        next="Mark the cable and take it out of use; look at both plugs before the cable itself.",
        where=Where("component", f"cable, pin {listed(pins)}"),
        size=size,
        evidence=tuple(evidence),
    )


def listed(pins: Collection[int]) -> str:
    """``2 and 5``."""
    *first, last = [str(pin) for pin in sorted(pins)]
    return f"{', '.join(first)} and {last}" if first else last


def fitted_length_m(conductors: Sequence[Conductor]) -> float | None:
    """The length of copper that the middle conductor has; None without conductors."""
    lengths = [each.ohm / each.copper_ohm_per_m for each in conductors if each.ohm < MOST_OHM]
    return median(lengths) if lengths else None


def most_ohm(conductor: Conductor, length_m: float, contact_ohm: float) -> float:
    """The most that a sound conductor has: its copper and two contacts."""
    return conductor.copper_ohm_per_m * length_m * (1 + SPREAD) + 2 * contact_ohm

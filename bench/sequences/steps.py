"""The steps of an inspection, as data, in the order they are done: cold things first.

To add a step, write its performer and name it here. ``needs`` is what the board must have for
the step to be done at all; what merely narrows it, the performer says itself.
"""

from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass

from bench.contract.table import Capability
from bench.errors import InputError
from bench.profiles.model import Profile
from bench.results import FindingKind
from bench.sequences.air.charge import charge
from bench.sequences.air.emergency import emergency
from bench.sequences.air.leak import service_leak, supply_leak
from bench.sequences.air.modulators import modulators
from bench.sequences.air.safe import air_safe
from bench.sequences.air.sensors import air_sensors
from bench.sequences.air.stroke import stroke
from bench.sequences.air.timing import timing
from bench.sequences.air.volume import volume
from bench.sequences.all_lamps import all_lamps
from bench.sequences.before_power import cold_pulse, look
from bench.sequences.cautions import BREAKAWAY
from bench.sequences.circuits import circuits
from bench.sequences.diagnosis import diagnosis
from bench.sequences.ground_return import ground_return
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.lab import contacts, insulation, matrix
from bench.sequences.self_check import self_check
from bench.sequences.supply import supply
from bench.sequences.together import any_joined, together
from bench.sequences.two_ended import any_shorted, two_ended

Performer = Callable[[Inspection, Outcome], Awaitable[None]]
NOTHING = Capability(0)
LIMIT, SWITCHES, AIR = Capability.CURRENT_LIMIT, Capability.RETURN_SWITCHES, Capability.AIR
PLACING = Capability.COLD_PULSE | Capability.CHASSIS_SENSE
SENSE = Capability.CHASSIS_SENSE
OF_CIRCUITS: tuple[FindingKind, ...] = (
    "open", "overload", "cross-connection", "back-feed", "high-resistance", "lamp-out", "wrong-load", "abs-supply",
)  # fmt: skip
DIAGNOSIS = "diagnosis"
OF_GROUND: tuple[FindingKind, ...] = ("ground-open", "ground-high-resistance")


def _always(_: Profile) -> bool:
    return True


def _at_any_time(_: Inspection) -> bool:
    return True


def _modulated(profile: Profile) -> bool:
    return profile.air is not None and profile.air.modulators > 0


def _lab(profile: Profile) -> bool:
    return profile.kind == "harness"


def _named_only(_: Profile) -> bool:
    return False


def _metered(profile: Profile) -> bool:
    return profile.air is not None and profile.air.fill_c is not None


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes:
        name: as ``--only`` takes it.
        powers: it drives circuits, so it needs the operator's yes and shows the cautions first.
        air: it is about the air lines and brakes, of profiles and boards that have air.
        belongs: whether it is part of the inspection of a profile.
        when: whether what the run has found so far asks for it; it is passed over in silence otherwise.
        warns: cautions of its own, shown before it.
        fused: a fuse in each channel does in place of a current limit.
        finds: kinds of finding that belong to this step rather than to the last one done.
    """

    name: str
    title: str
    perform: Performer
    needs: Capability = NOTHING
    powers: bool = False
    finds: tuple[FindingKind, ...] = ()
    air: bool = False
    belongs: Callable[[Profile], bool] = _always
    when: Callable[[Inspection], bool] = _at_any_time
    warns: tuple[str, ...] = ()
    fused: bool = False

    def lacks(self, able: Capability) -> Capability:
        """What a board with the capabilities ``able`` lacks for it."""
        missing = self.needs & ~able
        return missing & ~LIMIT if self.fused and Capability.FIXED_FUSE in able else missing

    @property
    def on_demand(self) -> bool:
        """Whether it is done only when something asks for it."""
        return self.when is not _at_any_time


# fmt: off
STEPS: tuple[Step, ...] = (
    Step("self-check",    "Board self-check",    self_check),
    Step("supply",        "Bench supply",        supply,        finds=("low-supply",)),
    Step("look",          "Look before power",   look,          Capability.PROBE, finds=("short-to-supply",)),
    Step("cold-pulse",    "Cold resistance",     cold_pulse,    Capability.COLD_PULSE, finds=("short-to-ground",)),
    Step("matrix",        "Cross matrix",        matrix,        Capability.PROBE, belongs=_lab),
    Step("insulation",    "Insulation",          insulation,    Capability.PROBE | SWITCHES, belongs=_lab),
    Step("circuits",      "Each circuit alone",  circuits,      LIMIT, powers=True, finds=OF_CIRCUITS, fused=True),
    Step("together",      "Suspects together",   together,      LIMIT, powers=True, when=any_joined),
    Step("ground-return", "Ground return",       ground_return, LIMIT | SWITCHES, powers=True, finds=OF_GROUND),
    Step("all-lamps",     "All lamps together",  all_lamps,     LIMIT, powers=True),
    Step("contacts",      "Contacts, four-wire", contacts,      LIMIT | SENSE, powers=True, belongs=_named_only),
    Step("two-ended",     "Place of a short",    two_ended,     PLACING, finds=("short-to-ground",), when=any_shorted),
    Step(DIAGNOSIS,       "Diagnosis",           diagnosis),
    Step("air-sensors",   "Air sensors",         air_sensors,   air=True),
    Step("charge",        "Charging",            charge,        AIR, air=True),
    Step("volume",        "Volume of the reservoirs", volume,   AIR, air=True, belongs=_metered),
    Step("supply-leak",   "Supply line leaks",   supply_leak,   AIR, air=True),
    Step("service-leak",  "Leaks, brakes applied", service_leak, AIR, air=True),
    Step("timing",        "Application, release", timing,       AIR, air=True),
    Step("stroke",        "Push-rod strokes",    stroke,        AIR, air=True),
    Step("modulators",    "ABS modulators",      modulators,    AIR | LIMIT, powers=True, air=True, belongs=_modulated),
    Step("emergency",     "Breakaway",           emergency,     AIR, air=True, warns=(BREAKAWAY,)),
    Step("air-safe",      "Air exhausted",       air_safe,      AIR, air=True),
)
# fmt: on

NAMES = tuple(step.name for step in STEPS)
READING = frozenset({"look", "cold-pulse", "circuits", "ground-return", "all-lamps"})


def choose(
    only: Collection[str] | None = None, skip: Collection[str] = (), *, concluding: bool = False
) -> tuple[Step, ...]:
    """The steps named in ``only`` (all when None) without those in ``skip``, in their own order.

    ``concluding`` adds the diagnosis where a step reads the harness, for nobody should have to ask for it.

    Raises:
        InputError: a name that no step has, or nothing is left.
    """
    for name in (*(only or ()), *skip):
        if name not in NAMES:
            raise InputError(f"there is no step {name!r}: the steps are {', '.join(NAMES)}")
    concludes = concluding and only is not None and READING & (set(only) - set(skip))
    wanted = None if only is None else {*only, *([DIAGNOSIS] if concludes else [])}
    chosen = tuple(step for step in STEPS if (wanted is None or step.name in wanted) and step.name not in skip)
    if not chosen:
        raise InputError(f"no step is left to do: the steps are {', '.join(NAMES)}")
    return chosen

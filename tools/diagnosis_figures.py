"""How often the diagnosis is right, on random harnesses with random faults.

Fresh seeds every run unless ``--seed`` is given. Prints one line for each sort of fault with
95 % confidence intervals, then reliability tables of the stated confidences and distances.

    python -m tools.diagnosis_figures --n 200
    python -m tools.diagnosis_figures --n 100 --source ngspice --line open
"""

import argparse
import json
import os
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from math import sqrt
from random import Random, SystemRandom

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one core a harness, before numpy is loaded

from bench.electrical.diagnosis import Diagnosis, diagnose
from bench.profiles.model import BoardErrors, Scenario
from bench.results import Finding, Verdict
from tools.draw_faults import Drawn, Shop, some
from tools.measure import Source, measure
from tools.random_harness import LampMix, random_profile

SINGLES = (
    "open", "lamp-out:filament", "lamp-out:led", "series:filament", "series:led", "series-branch", "short:hard",
    "short:any", "overload", "cross", "ground-open", "ground-series", "wrong-load", "short-to-supply", "back-feed",
    "abs-supply",
)  # fmt: skip
MULTIPLE_OF = ("open", "lamp-out:filament", "series:filament", "short:any", "overload", "cross", "ground-series")
LINES = ("healthy", "healthy:loose", "pair", "triple", *SINGLES)
WORSE = 1.8


@dataclass(frozen=True)
class Case:
    """One harness, ready to be built anywhere from its seed."""

    line: str
    seed: int
    source: str
    nominal_v: int = 12


@dataclass
class Outcome:
    """What came of one case."""

    line: str
    seed: int
    truth: list[str]
    said: list[str]
    alarmed: bool
    unsure: bool
    detected: bool = False
    right_class: bool = False
    strict_class: bool = False
    right_circuit: bool = False
    count_known: bool = False
    right_count: bool = False
    right_faults: int = 0
    unexplained: bool = False
    seconds: float = 0.0
    bound_m: float | None = None
    truth_m: float | None = None
    place_m: float | None = None
    place_sigma_m: float | None = None
    confidences: list[tuple[float, bool]] = field(default_factory=list)


def run(case: Case) -> Outcome | None:
    """Draw, measure, diagnose and score one case; None where the harness has no place for such a fault."""
    rng = Random(case.seed)
    mix = rng.choice(_mixes(case.line))
    profile = random_profile(rng, nominal_v=case.nominal_v, lamp_mix=mix, bonded=rng.random() < 0.8)
    shop = Shop(profile, rng)
    drawn = _draw(case.line, shop, rng)
    if drawn is None:
        return None
    supply_v = case.nominal_v / 12 * rng.uniform(12.0, 13.8)
    spread = WORSE if case.line == "healthy:loose" else 1.0
    scenario = Scenario(
        profile, seed=case.seed, supply_v=supply_v, spread=spread, ambient_c=rng.uniform(-10, 35),
        faults=tuple(one.fault for one in drawn),
    )  # fmt: skip
    board = BoardErrors(pulse_ohm=10.0 if case.nominal_v == 12 else 20.0)
    measured = measure(profile, _source(case.source, scenario), rng, board=board, ambient_c=scenario.ambient_c)
    begun = time.process_time()
    found = diagnose(measured)
    return _score(case, drawn, found, time.process_time() - begun)


def _mixes(line: str) -> tuple[LampMix, ...]:
    """Lamps that give a line of the table what it is about."""
    if line.endswith("filament") or line in ("series-branch", "ground-series", "pair", "triple"):
        return ("filament", "filament", "mixed")
    if line.endswith("led"):
        return ("led", "led", "mixed")
    return ("filament", "led", "mixed")


def _draw(line: str, shop: Shop, rng: Random) -> list[Drawn] | None:
    if line.startswith("healthy"):
        return []
    if line in ("pair", "triple"):
        count = 2 if line == "pair" else 3
        drawn = some(shop, MULTIPLE_OF, count, rng)
        return drawn if len(drawn) == count else None
    one = shop.draw(line)
    return None if one is None else [one]


def _source(name: str, scenario: Scenario) -> Source:
    if name == "ngspice":
        from tools.spice_source import SpiceSource

        return SpiceSource(scenario)
    from tools.plant_source import PlantSource

    return PlantSource(scenario)


# --- scoring ---


def _score(case: Case, drawn: Sequence[Drawn], found: Diagnosis, seconds: float) -> Outcome:
    failed = [one for one in found.findings if one.verdict is Verdict.FAIL]
    claimed = [one for one in found.findings if one.kind not in ("unexplained", "low-supply")]
    outcome = Outcome(
        case.line, case.seed, [f"{d.fault.kind} {d.fault.place} {d.ohm:.3g}" for d in drawn],
        [f"{f.kind} {f.circuits} {f.confidence:.2f} {f.verdict.value}" for f in found.findings],
        bool(failed), any(f.verdict is Verdict.UNSURE for f in found.findings),
        unexplained=found.unexplained, seconds=seconds,
    )  # fmt: skip
    outcome.confidences = [(one.confidence, any(_matches(one, d, named=False) for d in drawn)) for one in claimed]
    outcome.right_faults = sum(any(_matches(one, d, named=True) for one in claimed) for d in drawn)
    if len(drawn) == 1:
        _score_single(outcome, drawn[0], failed, claimed)
    return outcome


def _score_single(outcome: Outcome, truth: Drawn, failed: Sequence[Finding], claimed: Sequence[Finding]) -> None:
    outcome.detected = bool(failed)
    outcome.right_class = any(_matches(one, truth, named=True) for one in claimed)
    outcome.strict_class = any(_matches(one, truth, named=False) for one in claimed)
    outcome.right_circuit = any(set(one.circuits) & set(truth.circuits) for one in claimed)
    if truth.lamps:
        counts = [one.size.value for one in claimed if one.kind == "lamp-out" and one.size]
        outcome.count_known, outcome.right_count = True, counts == [float(truth.lamps)]
    shorts = [one for one in claimed if one.kind == "short-to-ground"]
    if truth.metres is not None and shorts:
        outcome.truth_m = truth.metres
        outcome.bound_m = next((e.value for e in shorts[0].evidence if e.name.startswith("farthest")), None)
        where = shorts[0].where
        if where is not None:
            outcome.place_m, outcome.place_sigma_m = where.from_connector_m, where.plus_minus_m


def _matches(one: Finding, truth: Drawn, *, named: bool) -> bool:
    """Whether a finding is right; with ``named``, also when the truth is among what it says it can't exclude."""
    kinds = {one.kind} | ({other.kind for other in one.alternatives} if named else set())
    answers = truth.answers if named else truth.answers[:1]
    return any(kind in kinds and set(one.circuits) == set(circuits) for kind, circuits in answers)


# --- the tables ---


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson's score interval)."""
    if not count:
        return 0.0, 1.0
    z, share = 1.96, hits / count
    centre, half = share + z * z / (2 * count), z * sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    return (centre - half) / scale, (centre + half) / scale


def _percent(hits: int, count: int) -> str:
    low, high = wilson(hits, count)
    return f"{100 * hits / max(count, 1):5.1f} [{100 * low:.1f}..{100 * high:.1f}]"


def table(outcomes: Sequence[Outcome]) -> str:
    """The lines of the figures."""
    by_line: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_line[outcome.line].append(outcome)
    rows = [f"{'line':20}{'n':>5}  {'failed %':24}{'class (set) %':24}{'circuit %':24}{'class strict %':24}"]
    for line, some_of in by_line.items():
        rows.append(_row(line, some_of))
    return "\n".join(
        [*rows, "", *_counts(outcomes), *_shorts(outcomes), "", *_reliability(outcomes), *_speed(outcomes)]
    )


def _row(line: str, cases: Sequence[Outcome]) -> str:
    n = len(cases)
    alarms = _percent(sum(case.alarmed for case in cases), n)
    odd = sum(case.unexplained for case in cases)
    if line.startswith("healthy"):
        unsure = _percent(sum(case.unsure and not case.alarmed for case in cases), n)
        return f"{line:20}{n:5}  {alarms:24}unsure {unsure}  unexplained {odd}"
    if line in ("pair", "triple"):
        wanted = 2
        right = _percent(sum(case.right_faults >= wanted for case in cases), n)
        every = _percent(sum(case.right_faults == (2 if line == "pair" else 3) for case in cases), n)
        return f"{line:20}{n:5}  {alarms:24}two right {right}  all right {every}  unexplained {odd}"
    parts = (
        _percent(sum(case.right_class for case in cases), n),
        _percent(sum(case.right_circuit for case in cases), n),
        _percent(sum(case.strict_class for case in cases), n),
    )
    return f"{line:20}{n:5}  {alarms:24}{parts[0]:24}{parts[1]:24}{parts[2]:24}unexplained {odd}"


def _counts(outcomes: Iterable[Outcome]) -> list[str]:
    known = [case for case in outcomes if case.count_known]
    return [f"lamp-out count exact   {_percent(sum(case.right_count for case in known), len(known))}  n {len(known)}"]


def _shorts(outcomes: Iterable[Outcome]) -> list[str]:
    rows = []
    for line in ("short:hard", "short:any"):
        known = [case for case in outcomes if case.line == line and case.bound_m is not None]
        if not known:
            continue
        true = sum((case.truth_m or 0.0) <= (case.bound_m or 0.0) for case in known)
        slack = sorted((case.bound_m or 0.0) - (case.truth_m or 0.0) for case in known)
        inside = sum(
            abs((case.truth_m or 0.0) - (case.place_m or 0.0)) <= (case.place_sigma_m or 0.0) for case in known
        )
        middle = f"median slack {slack[len(slack) // 2]:.2f} m  inside ± {_percent(inside, len(known))}"
        rows.append(f"{line}: 'at most' true {_percent(true, len(known))}  {middle}")
    return rows


def _reliability(outcomes: Iterable[Outcome]) -> list[str]:
    """Of the findings said to be so sure, how many were right (strictly: the first named kind and circuits)."""
    said = [pair for case in outcomes for pair in case.confidences]
    rows = ["said        right"]
    edges = (0.0, 0.3, 0.5, 0.7, 0.8, 0.87, 0.93, 0.97, 0.99, 1.0001)
    for low, high in pairwise(edges):
        bin_of = [right for sure, right in said if low <= sure < high]
        if bin_of:
            mean = sum(sure for sure, _ in said if low <= sure < high) / len(bin_of)
            rows.append(f"{100 * mean:5.1f} %   {_percent(sum(bin_of), len(bin_of))}  n {len(bin_of)}")
    return rows


def _speed(outcomes: Sequence[Outcome]) -> list[str]:
    times = sorted(case.seconds for case in outcomes)
    return [f"computing: median {times[len(times) // 2]:.2f} s, 95 % {times[int(0.95 * len(times))]:.2f} s, "
            f"longest {times[-1]:.2f} s"] if times else []  # fmt: skip


def main() -> None:
    """Parse options, spread the cases over the cores, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--n", type=int, default=100, help="harnesses per line")
    parser.add_argument("--seed", type=int, default=None, help="fresh ones unless given")
    parser.add_argument("--source", choices=("plant", "ngspice"), default="plant")
    parser.add_argument("--line", action="append", choices=LINES, help="only these lines")
    parser.add_argument("--volts", type=int, choices=(12, 24), default=12)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--misses", help="write the cases that went wrong to this file, as JSON")
    options = parser.parse_args()
    seed = options.seed if options.seed is not None else SystemRandom().randrange(1 << 40)
    print(f"seed {seed}, source {options.source}, {options.volts} V")
    lines = options.line or LINES
    cases = [
        Case(line, seed + 1_000_003 * number + 7919 * LINES.index(line), options.source, options.volts)
        for line in lines for number in range(options.n)
    ]  # fmt: skip
    with ProcessPoolExecutor(options.workers) as pool:
        outcomes = [one for one in pool.map(run, _mixed(cases), chunksize=2) if one is not None]
    outcomes.sort(key=lambda one: LINES.index(one.line))
    print(table(outcomes))
    if options.misses:
        wrong = [asdict(one) for one in outcomes if _went_wrong(one)]
        with open(options.misses, "w", encoding="utf-8") as file:
            json.dump(wrong, file, indent=1)


def _mixed(cases: Sequence[Case]) -> list[Case]:
    """In an order that gives every core some of everything."""
    return sorted(cases, key=lambda case: case.seed % 1009)


def _went_wrong(one: Outcome) -> bool:
    if one.unexplained:
        return True
    if one.line.startswith("healthy"):
        return bool(one.said)
    if one.line in ("pair", "triple"):
        return one.right_faults < len(one.truth)
    return not (one.detected and one.right_class and one.right_circuit) or (one.count_known and not one.right_count)


if __name__ == "__main__":
    main()

"""The report's words, in one place: verdicts, kinds of fault, places, marks of sources, dates."""

import re
from datetime import datetime

from bench.results import Run, Severity, Verdict

VERDICT = {
    Verdict.PASS: "Pass",
    Verdict.FAIL: "Fail",
    Verdict.UNSURE: "Unsure",
    Verdict.NOT_TESTED: "Not tested",
}

SEVERITY: dict[Severity, str] = {"safety": "Safety", "defect": "Defect", "advice": "Advice"}

KIND = {
    "open": "Open circuit",
    "short-to-ground": "Short to ground",
    "overload": "Overload",
    "cross-connection": "Cross-connection",
    "back-feed": "Back-feed",
    "high-resistance": "High resistance",
    "lamp-out": "Lamp out",
    "wrong-load": "Wrong load",
    "ground-open": "Ground return open",
    "ground-high-resistance": "High resistance in the ground return",
    "short-to-supply": "Short to supply",
    "intermittent": "Intermittent contact",
    "abs-lamp": "ABS warning lamp",
    "abs-code": "ABS blink code",
    "abs-supply": "ABS supply",
    "leak-supply": "Leak in the supply line",
    "leak-service": "Leak in the service line",
    "slow-application": "Slow application",
    "slow-release": "Slow release",
    "over-stroke": "Push-rod stroke over the limit",
    "stroke-imbalance": "Uneven push-rod stroke",
    "low-supply": "Low supply",
    "board-fault": "Bench board fault",
    "bad-cable": "Bad test cable",
    "unexplained": "Unexplained",
}

MARK = {
    "verified": "verified: read in the source or a copy of it",
    "second-hand": "second-hand: read in another text that cites it",
    "calculated": "calculated from stated definitions",
    "memory": "from memory: confirm before relying on it",
    "common-practice": "common practice, no published source",
}
MARK_NOT_GIVEN = "no published source is named"

STATE = {
    "running": "still running",
    "complete": "complete",
    "stopped": "stopped by the operator",
    "interrupted": "interrupted",
    "failed": "ended by a fault",
}

# Usual cautions for whoever repairs; what a step says before it begins is in the record. Chocks: Ontario air brake
# handbook and, as good practice, 29 CFR 1910.178(k)(1). Caged springs and eye protection: the same handbook and
# vehicle makers' manuals. The rest: common practice.
REPAIR_CAUTIONS = {
    "trailer": (
        "Chock the wheels before brakes are released or anybody goes under the trailer.",
        "Stay clear of push rods and slack adjusters whenever air or power can be applied.",
        "A spring brake chamber holds a compressed spring: cage it as its maker says before removing anything, and "
        "wear eye protection.",
        "Let the air out before opening a line; never hold a hose that may be under pressure.",
        "Disconnect the supply before working on a wire: a shorted battery can burn wire and skin.",
    ),
    "harness": (
        "Disconnect the supply before working on a wire: a shorted supply can burn wire and skin.",
        "Let heaters, coils and lamps cool before touching them.",
    ),
}

# C0 and C1 controls, and the marks that turn the direction of text: neither belongs on paper, and the
# second kind can make a unit number read as another one.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufffe\uffff\ud800-\udfff]"
)


def plain(words: str) -> str:
    """Words without characters that don't print or that reorder the others; each becomes a visible mark."""
    return _UNPRINTABLE.sub("\ufffd", words)


def kind_title(kind: str) -> str:
    """A kind of fault as a heading."""
    return KIND.get(kind, kind.replace("-", " ").capitalize())


def when(started: str) -> str:
    """``12 January 2026, 14:30 (UTC−05:00)``; text that is no date stays as it is."""
    try:
        moment = datetime.fromisoformat(started)
    except ValueError:
        return started
    zone = f" ({moment.tzname()})".replace("-", "−") if moment.tzinfo else ""
    return f"{moment.day} {moment:%B %Y, %H:%M}{zone}"


def lasted(duration_s: float) -> str:
    """``24 min 05 s``."""
    minutes, seconds = divmod(round(duration_s), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {seconds:02} s" if minutes else f"{seconds} s" if seconds else f"{duration_s:.1f} s"


def limit(low: str, high: str, unit: str) -> str:
    """Bounds, in figures already, in words; "" for one that there is not."""
    if low and high:
        return f"{low} to {high} {unit}".strip()
    if low or high:
        return f"{'at least' if low else 'at most'} {low or high} {unit}".strip()
    return "no limit"


def plural(count: int, one: str, many: str = "") -> str:
    """``1 fault``, ``3 faults``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def statement(run: Run) -> str:
    """The verdict in one or two sentences."""
    cut = "" if run.state == "complete" else f" The run is {STATE[run.state]}."
    return _found(run) + cut


def _found(run: Run) -> str:
    faults = sum(finding.verdict is Verdict.FAIL for finding in run.findings)
    tested = sum(step.verdict is not Verdict.NOT_TESTED for step in run.steps)
    if run.verdict is Verdict.FAIL:
        found = f"{plural(faults, 'fault')} found" if faults else "A limit is not met"
        return f"{found}. Repair, then test again."
    if run.verdict is Verdict.UNSURE:
        return "No certain fault, but some measurements can't decide. See below what would."
    if run.verdict is Verdict.PASS:
        return "Everything that was tested is within its limits."
    return "What was tested is in order, but part of it was not tested." if tested else "Nothing was tested."

"""What pages are told, as plain JSON: numbers already in the profile's units and in words, drawings drawn elsewhere."""

from collections.abc import Iterable
from typing import Any

from bench import units
from bench.contract.readings import Snapshot
from bench.contract.table import Fault
from bench.page.visit import Remark, Visit, finding_key, stations_of
from bench.profiles.model import Profile
from bench.reports import words
from bench.reports.view import FindingView, page_of
from bench.results import Run, StepResult, Value
from bench.sequences.cautions import BEFORE_AIR, SUPPLY, before_power

AIR_INPUTS = ("supply", "service")


# --- visits ---


def visit(of: Visit) -> dict[str, Any]:
    """A visit."""
    return {
        "unit": of.unit_number,
        "vin": of.vin,
        "operator": of.operator,
        "profile": profile(of.profile),
        "began": of.began.isoformat(timespec="seconds"),
        "stations": [
            {"name": name, "how": passed.how if passed else "open", "reason": passed.reason if passed else ""}
            for name in stations_of(of.profile)
            for passed in [of.passed.get(name)]
        ],
        "runs": of.told,
        "closed": sorted(of.closed),
        "remarks": [remark(each) for each in of.remarks],
        "verdict": of.verdict().value,
        "signature": None if of.signature is None else {"name": of.signature.name, "written": of.signature.written},
    }


def remark(of: Remark) -> dict[str, Any]:
    """A note or a photo."""
    return {
        "number": of.number,
        "about": of.about,
        "text": of.text,
        "author": of.author,
        "written": of.written,
        "photo": of.photo,
    }


# --- runs ---


def run(of: Run, profile: Profile) -> dict[str, Any]:
    """A run with its steps and findings."""
    page = page_of(of, profile, profile.units, None)
    return {
        "id": of.id,
        "command": of.command,
        "started": of.started,
        "state": of.state,
        "reason": of.reason or "",
        "verdict": of.verdict.value,
        "statement": words.statement(of),
        "lasted": words.lasted(of.duration_s),
        "steps": [step(each, profile) for each in of.steps],
        "findings": [finding(each, of.id) for each in page.findings],
    }


def step(of: StepResult, profile: Profile) -> dict[str, Any]:
    """A step with what was measured."""
    return {
        "step": of.step,
        "title": of.title,
        "verdict": of.verdict.value,
        "reason": of.reason or "",
        "lasted": words.lasted(of.duration_s) if of.duration_s else "",
        "values": [value(each, profile) for each in of.values],
    }


def value(of: Value, profile: Profile) -> dict[str, Any]:
    """A measured value beside its limits, in words."""
    (measured, low, high), unit = units.columns([of.value, of.low, of.high], of.unit, profile.units)
    return {
        "name": of.name,
        "measured": f"{measured} {unit}".strip() if measured else "",
        "limit": words.limit(low, high, unit) if of.low is not None or of.high is not None else "",
        "verdict": of.verdict.value,
    }


def finding(of: FindingView, run_id: str) -> dict[str, Any]:
    """A finding as a card."""
    return {
        "key": finding_key(run_id, of.number),
        "number": of.number,
        "kind": of.finding.kind,
        "title": of.title,
        "severity": of.finding.severity,
        "verdict": of.finding.verdict.value,
        "circuits": of.circuits,
        "pins": list(of.finding.pins),
        "names": list(of.finding.circuits),
        "spot": of.finding.where.name if of.finding.where else "",
        "place": of.place,
        "size": of.size,
        "sure": of.sure,
        "explain": of.finding.explain,
        "next": of.finding.next,
        "evidence": [list(each) for each in of.evidence],
        "alternatives": list(of.alternatives),
        "source": of.finding.source or "",
    }


# --- profiles ---


def profile(of: Profile) -> dict[str, Any]:
    """What a page must know of what is plugged in."""
    return {
        "name": of.name,
        "title": of.title,
        "kind": of.kind,
        "connector": of.connector.title,
        "standard": of.connector.standard,
        "units": of.units,
        "volts": of.nominal_v,
        "pins": [
            {"number": pin.number, "function": pin.function, "ground": pin.ground, "x": pin.x, "y": pin.y}
            for pin in of.connector.pins
        ],
        "circuits": [
            {
                "name": circuit.name,
                "title": circuit.title,
                "pin": circuit.pin,
                "lit": circuit.lit,
                "turn": _is_turn(of, circuit.pin),
                "loads": [
                    {"name": load.name, "title": load.title, "place": load.place} for load in of.loads_of(circuit.name)
                ],
            }
            for circuit in of.circuits
        ],
        "wheel_ends": [] if of.air is None else [_wheel_end(each) for each in of.air.wheel_ends],
        "air": of.air is not None,
        "cautions": list(_cautions(of)),
    }


def _cautions(of: Profile) -> Iterable[str]:
    """What is said before anything is powered or moved, each once."""
    return dict.fromkeys((SUPPLY, *before_power(of), *(BEFORE_AIR if of.air is not None else ())))


def profile_line(of: Profile) -> dict[str, Any]:
    """A profile in a list to choose from."""
    connector = of.connector
    return {
        "name": of.name,
        "title": of.title,
        "kind": of.kind,
        "connector": connector.name,
        "connector_title": connector.title,
        "pins": len(connector.pins),
        "volts": of.nominal_v,
        "air": of.air is not None,
    }


def _is_turn(of: Profile, number: int) -> bool:
    return any(pin.number == number and "turn" in pin.function.lower().split() for pin in of.connector.pins)


def _wheel_end(of: Any) -> dict[str, Any]:
    return {"name": of.name, "title": of.title, "axle": of.axle, "side": of.side, "chamber": of.chamber}


# --- readings ---


def reading(seen: Snapshot, of: Profile | None) -> dict[str, Any]:
    """A snapshot of the board: seconds, volts, amperes by pin, pascals."""
    told: dict[str, Any] = {"u": round(seen.uptime_s, 4), "v": seen.supply_v}
    if faults := fault_words(seen.faults | seen.causes):
        told["faults"] = faults
    if of is None:
        return told
    told["pins"] = {
        pin: [str(channel.state.name).lower(), channel.current_a, channel.voltage_v]
        for pin, number in of.channel_of_pin.items()
        if number <= len(seen.channels)
        for channel in [seen.channel(number)]
    }
    if of.air is not None:
        for wired in of.air.inputs:
            if wired.quantity in AIR_INPUTS:
                raw = seen.air[wired.number - 1]
                told[wired.quantity] = raw if wired.low <= raw <= wired.high else None
        told["valves"] = int(seen.valves)
    return told


def fault_words(faults: Fault) -> list[str]:
    """The board's faults by name."""
    return [str(fault.name).lower().replace("_", " ") for fault in faults if fault.name]

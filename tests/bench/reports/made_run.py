"""A run made by hand, as a session would leave it: figures are invented, places are the profile's own."""

import math

from bench.profiles.model import Profile
from bench.results import (
    Alternative,
    BoardInfo,
    Evidence,
    Finding,
    Run,
    Size,
    StepResult,
    Trace,
    Value,
    Verdict,
    Where,
)

PRACTICE = "feed and return together, lighting (common practice, no source)"

OPEN_STOP = Finding(
    kind="open",
    circuits=("stop",),
    pins=(4,),
    verdict=Verdict.FAIL,
    severity="safety",
    confidence=0.97,
    explain="No current flows in the stop circuit past the middle of the trailer: the wire is open.",
    next="Open the harness cover between the mid junction and the rear sill, and look for a parted or crushed wire.",
    where=Where("segment", "main.rear.stop", 11.9, 1.1),
    size=Size(1.2e6, "ohm"),
    evidence=(
        Evidence("current of stop, driven at 12.6 V", 0.0, "A"),
        Evidence("resistance of stop to ground, probed", 1.2e6, "ohm"),
        Evidence("capacitance-corrected leak", 0.000012, "A"),
    ),
    alternatives=(
        Alternative("open", Where("joint", "rear-plug.stop", 16.15, None), 0.21),
        Alternative("lamp-out", Where("lamp", "stop.left"), 0.02),
    ),
)
GROUND = Finding(
    kind="ground-high-resistance",
    circuits=("markers", "left-turn", "tail"),
    pins=(1,),
    verdict=Verdict.FAIL,
    severity="defect",
    confidence=0.88,
    explain="The ground of the left rear lamp cluster has too much resistance: its lamps dim when they burn together.",
    next="Take the left rear ground ring off, clean it to bare metal, refit it and measure its voltage drop.",
    where=Where("joint", "ring.left", 17.5, 0.4),
    size=Size(0.62, "ohm"),
    evidence=(
        Evidence("ground path, left rear cluster", 0.62, "ohm"),
        Evidence("voltage of left turn at the pin", 11.4, "V"),
    ),
    source=PRACTICE,
)
MARKER = Finding(
    kind="lamp-out",
    circuits=("markers",),
    pins=(2,),
    verdict=Verdict.UNSURE,
    severity="safety",
    confidence=0.55,
    explain="One marker lamp of thirteen draws no current; they are alike, so the current can't say which.",
    next="Walk round with the markers lit and look for the dark one.",
    where=Where("lamp", "side.mid-right", 9.45, None),
    evidence=(Evidence("current of markers", 0.54, "A"), Evidence("expected current of markers", 0.585, "A")),
    alternatives=(
        Alternative("lamp-out", Where("lamp", "side.mid-left"), 0.2),
        Alternative("lamp-out", Where("lamp", "id.centre"), 0.2),
    ),
)


def inrush(name: str, steady_a: float) -> Trace:
    samples = [steady_a * (1 + 1.6 * math.exp(-index / 40)) if index > 20 else 0.0 for index in range(1000)]
    volts = [12.6 - 0.18 * sample for sample in samples]
    return Trace(f"inrush {name}", 120.0, 0.0002, {"current_a": tuple(samples), "voltage_v": tuple(volts)})


def circuit_values(profile: Profile) -> list[Value]:
    values = []
    for number, circuit in enumerate(profile.circuits):
        amps = 0.55 + 0.1 * number
        dead = circuit.name == "stop"
        source = "the drawing and the lamps' ratings (calculated)"
        values.append(
            Value(f"current of {circuit.name}", 0.0 if dead else amps, "A", amps * 0.85, amps * 1.15,
                  Verdict.FAIL if dead else Verdict.PASS, source)
        )  # fmt: skip
        values.append(
            Value(f"line drop of {circuit.name}", 0.21 + 0.03 * number, "V", None, 0.5, Verdict.PASS, PRACTICE)
        )
    return values


def board() -> BoardInfo:
    return BoardInfo("serial:///dev/ttyUSB0?baud=115200", "UB-0231", "1.4.0", "1.0", 7, "2025-11-03")


SAG = "SAE J2247 / TMC RP 137: 13.5 V battery, 12.5 V at the trailer end of the cable (second-hand)"
SUPPLY = "SAE J590-1999: lowest 12 V test point (second-hand)"
GROUND_PATH = "0.1 to 0.2 V in a ground path; plus the wire of the drawing (common practice, no source)"
LEAK = "2 psi/min, licence handbooks of several states (second-hand)"
HANDS_OFF = ("Nobody touches the trailer's wiring while circuits are powered.",)


def faulty_steps(profile: Profile) -> tuple[StepResult, ...]:
    supply = (
        Value("supply without load", 12.8, "V", 11.0, None, Verdict.PASS, SUPPLY),
        Value("supply sag", 0.31, "V", None, 1.0, Verdict.PASS, SAG),
        Value("ambient temperature", 4.0, "degC"),
    )
    ground = (
        Value("ground path, front", 0.031, "ohm", None, 0.1, Verdict.PASS, GROUND_PATH),
        Value("ground path, left rear cluster", 0.62, "ohm", None, 0.1, Verdict.FAIL, GROUND_PATH),
    )
    leak = (
        Value("leak rate, supply line", 92.0, "Pa/s", None, 229.8, Verdict.PASS, LEAK),
        Value("push-rod stroke, axle 1 left", 44.5, "mm", None, 50.8, Verdict.PASS, "49 CFR 393.47(e)"),
    )
    unseen = "the lamp is not in sight of the bench and nobody answered"
    traces = tuple(inrush(circuit.name, 0.5 + 0.3 * number) for number, circuit in enumerate(profile.circuits))
    values = tuple(circuit_values(profile))
    return (
        StepResult("supply", "Bench supply", Verdict.PASS, 0.0, 4.0, supply),
        StepResult("ground-return", "Ground return", Verdict.FAIL, 4.0, 21.0, ground, (GROUND,), (), HANDS_OFF),
        StepResult(
            "circuits", "Lamp circuits", Verdict.FAIL, 25.0, 95.0, values, (OPEN_STOP, MARKER), traces, HANDS_OFF
        ),
        StepResult("leak-supply", "Supply line leak-down", Verdict.PASS, 120.0, 240.0, leak),
        StepResult("abs-lamp", "ABS warning lamp", Verdict.NOT_TESTED, 360.0, 0.0, reason=unseen),
    )


def faulty_run(profile: Profile, **changes: object) -> Run:
    fields = {
        "unit_number": "4127-B",
        "vin": "1UMBX532XTB000127",
        "operator": "S. Okafor",
        "state": "complete",
        "duration_s": 1445.0,
        "steps": faulty_steps(profile),
    } | changes
    return Run("20260112-193015-7k2m", "inspect", profile.name, "2026-01-12T14:30:15-05:00", board(), **fields)


def healthy_run(profile: Profile, **changes: object) -> Run:
    values = tuple(
        Value(f"current of {each.name}", 0.6, "A", 0.5, 0.7, Verdict.PASS, "the drawing (calculated)")
        for each in profile.circuits
    )
    steps = (
        StepResult(
            "ground-return", "Ground return", Verdict.PASS, 0.0, 12.0, (Value("ground path", 0.03, "ohm", None, 0.1),)
        ),
        StepResult("circuits", "Lamp circuits", Verdict.PASS, 12.0, 80.0, values),
    )
    fields = {"unit_number": "4130", "state": "complete", "duration_s": 92.0} | changes
    return Run(
        "20260112-200000-aaaa", "inspect", profile.name, "2026-01-12T20:00:00+00:00", board(), steps=steps, **fields
    )

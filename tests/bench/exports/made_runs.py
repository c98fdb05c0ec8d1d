"""A run with everything an export must carry."""

from bench.results import BoardInfo, Evidence, Finding, Run, Size, StepResult, Trace, Value, Verdict, Where

BOARD = BoardInfo("sim:", "SIM-0001", "1.0.0", "1.0", 7, "2026-01-05")
INRUSH = Trace("inrush stop", 12.5, 0.001, {"current_a": (0.0, 6.25, 3.5), "voltage_v": (12.5, 11.0, 12.0)})
SLOW = Trace("leak-down", 40.25, 0.5, {"supply_psi": (100.0, 99.5, 99.25, 99.0)})
OUT = Finding(
    "lamp-out", ("tail", "markers"), (2, 6), Verdict.FAIL, "safety", 0.85, "A lamp is out.", "Replace it.",
    Where("lamp", "tail.left", 17.5, 0.5), Size(1.0, "lamps"), (Evidence("pin 6", 1.75, "A"),),
)  # fmt: skip


def step(name: str, verdict: Verdict = Verdict.PASS, **more: object) -> StepResult:
    return StepResult(name, name.capitalize(), verdict, 10.0, 2.5, **more)


def run(*steps: StepResult, **more: object) -> Run:
    fields: dict[str, object] = {"unit_number": "TR-117", "state": "complete", "duration_s": 31.5} | more
    return Run(
        "20260112-143015-7k2m", "inspect", "tandem-53ft", "2026-01-12T14:30:15-05:00", BOARD, steps=steps, **fields
    )


RUN = run(
    step("supply", values=(Value("open-circuit voltage", 12.625, "V", 11.0, 16.0),)),
    step("circuits", Verdict.FAIL, values=(Value("tail current", 1.75, "A", 2.5, 3.0, Verdict.FAIL, "ratings"),),
         findings=(OUT,), traces=(INRUSH, SLOW)),
    step("look", Verdict.UNSURE, values=(Value("stop probed", None, "ohm", None, 5.0, Verdict.UNSURE),)),
    step("ground-return", Verdict.NOT_TESTED, reason="the board has no RETURN_SWITCHES"),
)  # fmt: skip

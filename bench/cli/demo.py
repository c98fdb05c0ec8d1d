"""``umbilical demo``: a simulated trailer with faults, from start to report."""

from typing import TYPE_CHECKING

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.profiles.model import InjectedFault

SCENARIO = "demo"
UNIT = "TR-117"


def demo(record: opt.Records = None, report: opt.ReportFile = None, as_json: opt.Json = False) -> int:
    """Inspect a simulated trailer with faults, start to report.

    Needs no hardware. Exits with 0 when the demonstration ran to its end, whatever is wrong with its trailer.
    """
    from bench import app
    from bench.cli import terminal
    from bench.cli.running import EXIT_CODE, Wishes, make_run
    from bench.profiles import load_scenario
    from bench.records.location import default_path
    from bench.results import Run

    scenario = load_scenario(SCENARIO)
    terminal.err().print(f"No hardware here: trailer and board are simulated. {_built_in(scenario.faults)}\n")
    folder = default_path().parent / "demo"
    if report is None:
        folder.mkdir(parents=True, exist_ok=True)
    wishes = Wishes(
        board=f"sim:{SCENARIO}",
        record=record or str(folder / "records.sqlite"),
        report=report or str(folder / "report.html"),
        as_json=as_json,
    )

    async def work(session: app.Session) -> Run:
        return await session.inspect(scenario.profile, unit_number=UNIT)

    code = make_run(wishes, work)
    return 0 if code in EXIT_CODE.values() else code


def _built_in(faults: "tuple[InjectedFault, ...]") -> str:
    """What the simulator was told, so that the findings can be judged."""
    places = "; ".join(f"{fault.kind.replace('-', ' ')} at {fault.place}" for fault in faults)
    return f"Built into it: {places}." if places else "Nothing is wrong with it."

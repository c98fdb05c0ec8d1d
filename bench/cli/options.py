"""Options that several commands share, spelled and explained once."""

from typing import Annotated

import typer

BOARD_FORMS = """\b
Board URLs:
  sim:SCENARIO.yaml                              simulated, no hardware
  serial:///dev/ttyUSB0?baud=115200              line protocol
  tcp://HOST:PORT                                line protocol
  modbus-rtu:///dev/ttyUSB0?baud=115200&unit=1   Modbus RTU
  modbus-tcp://HOST:502?unit=1                   Modbus TCP
  URL,URL                                        several boards joined as one bench
"""

BoardUrl = Annotated[
    str,
    typer.Option(
        "--board",
        metavar="URL",
        envvar="UMBILICAL_BOARD",
        help="Where the board is; forms below.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout; everything else on stderr.")]
Records = Annotated[
    str | None,
    typer.Option(
        "--record",
        metavar="URL",
        envvar="UMBILICAL_RECORDS",
        help="Database of records: a file, sqlite:///FILE or postgresql://...  [default: the user's data folder]",
    ),
]
ReportFile = Annotated[
    str | None, typer.Option("--report", metavar="FILE.html|FILE.pdf", help="Write the report here too.")
]
Answers = Annotated[
    str | None,
    typer.Option("--answers", metavar="FILE.yaml", help="Answers to the operator's questions, for scripts."),
]
Yes = Annotated[bool, typer.Option("--yes", help="Answer conveniences with yes; never a safety question.")]
Only = Annotated[
    str | None,
    typer.Option("--only", metavar="STEP,...", help="Only these steps; a wrong name lists them all."),
]
Why = Annotated[
    bool, typer.Option("--why", help="Show every explanation that was weighed, and the reading that decided.")
]
EarlierRecord = Annotated[
    str | None,
    typer.Option(
        "--baseline", metavar="RECORD", help="A record of the same unit or type that passed; it narrows the tolerances."
    ),
]
UnitNumber = Annotated[str | None, typer.Option("--unit-number", metavar="TEXT", help="The trailer's own number.")]
Vin = Annotated[str | None, typer.Option("--vin", metavar="VIN", help="Checked for typing errors, never refused.")]
Operator = Annotated[str | None, typer.Option("--operator", metavar="NAME", help="Who tests; stands in the record.")]
ProfileName = Annotated[str, typer.Argument(metavar="PROFILE", help="Name of a shipped profile, or a file.")]


Broker = Annotated[
    str | None,
    typer.Option(
        "--mqtt",
        metavar="URL",
        envvar="UMBILICAL_MQTT",
        help="Tell a broker too: mqtt://HOST:1883/BENCH or mqtts://USER@HOST:8883/BENCH?ca=FILE.",
    ),
]
BrokerKey = Annotated[
    str | None,
    typer.Option("--mqtt-commands", metavar="KEYFILE", help="Take commands from the broker, signed with this key."),
]


def listed(text: str | None) -> tuple[str, ...] | None:
    """Names out of ``a,b, c``; None when nothing was said."""
    if text is None:
        return None
    return tuple(name.strip() for name in text.split(",") if name.strip())

"""``umbilical remote``: ask something of a bench over its broker."""

from typing import Annotated

import typer

from bench.cli import options as opt


def remote(
    command: Annotated[str, typer.Argument(metavar="stop|off|light", help="What to ask of the bench.")],
    mqtt: Annotated[str, typer.Option(metavar="URL", envvar="UMBILICAL_MQTT", help="Broker and bench.")],
    key: Annotated[str, typer.Option(metavar="KEYFILE", help="The key that the bench has, too.")],
    circuit: Annotated[str | None, typer.Option(metavar="NAME", help="For light.")] = None,
    wait: Annotated[float, typer.Option(metavar="S", min=0.1, max=60.0, help="How long to wait for an answer.")] = 5.0,
    as_json: opt.Json = False,
) -> int:
    """Sign a command, send it, and wait for the bench's answer; only where the bench takes commands.

    Nobody should light anything on a vehicle that they don't see. Exit codes: 0 carried out; 2 refused; 69 no answer.
    """
    import asyncio

    from bench.cli import json_view, terminal
    from bench.errors import InputError
    from bench.mqtt import check_installed

    check_installed()
    from bench.mqtt.address import parse_broker_url
    from bench.mqtt.asking import ask
    from bench.mqtt.commander import COMMANDS
    from bench.mqtt.signing import read_key

    if command not in COMMANDS:
        raise InputError(f"there is no command {command!r}: the commands are {', '.join(COMMANDS)}")
    if (command == "light") != (circuit is not None):
        raise InputError("light needs --circuit, and the other commands have none")
    answer = asyncio.run(ask(parse_broker_url(mqtt), read_key(key), command, circuit, wait))
    if as_json:
        json_view.emit(answer.model_dump())
    else:
        terminal.out().print(answer.text, soft_wrap=True)
    return 0 if answer.done else 2

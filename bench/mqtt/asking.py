"""The other end: a signed command to a bench, and its answer."""

import asyncio
from datetime import datetime

import aiomqtt
from pydantic import ValidationError

from bench.errors import NoBoard
from bench.mqtt.address import BrokerUrl
from bench.mqtt.messages import AnswerMessage
from bench.mqtt.signing import signed


async def ask(url: BrokerUrl, key: bytes, command: str, circuit: str | None, wait_s: float) -> AnswerMessage:
    """Ask something of the bench at ``url``.

    Raises:
        NoBoard: the broker can't be reached, or nothing answers.
    """
    message = signed(key, url.bench, command, circuit, datetime.now().astimezone())
    try:
        async with (
            asyncio.timeout(wait_s),
            aiomqtt.Client(
                url.host, url.port, username=url.user, password=url.password(), tls_context=url.tls_context()
            ) as client,
        ):
            await client.subscribe(url.topic("answer"), qos=1)
            await client.publish(url.topic("command"), message.model_dump_json().encode(), qos=1)
            async for heard in client.messages:
                if (answer := _answer(heard.payload)) and answer.nonce == message.nonce:
                    return answer
    except aiomqtt.MqttError as error:
        raise NoBoard(f"the broker at {url.host}:{url.port} can't be reached: {error}") from error
    except TimeoutError:
        pass
    raise NoBoard(f"{url.bench} does not answer: is a run on, and does it take commands?")


def _answer(payload: object) -> AnswerMessage | None:
    try:
        return AnswerMessage.model_validate_json(payload) if isinstance(payload, bytes) else None
    except ValidationError:
        return None

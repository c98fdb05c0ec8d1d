"""How fast a bench's publisher is beside bare aiomqtt, on one broker in one run: QoS 1, the same payloads.

Needs a mosquitto; starts its own on a free loopback port and ends it by its own id.
"""

import argparse
import asyncio
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import aiomqtt

from bench.mqtt.address import parse_broker_url
from bench.mqtt.messages import MeasurementMessage
from bench.mqtt.publisher import BATCH, Publisher

LOOPBACK = "127.0.0.1"
GOAL = 0.8


@contextmanager
def mosquitto() -> Iterator[int]:
    """A broker on a free loopback port."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    if program is None:
        sys.exit("mosquitto is not installed")
    with socket.create_server((LOOPBACK, 0)) as taken:
        port = taken.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "mosquitto.conf"
        config.write_text(f"listener {port} {LOOPBACK}\nallow_anonymous true\nuser root\nmax_queued_messages 0\n")
        process = subprocess.Popen([program, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            _until_open(port)
            yield port
        finally:
            process.terminate()
            process.wait(10)


def _until_open(port: int) -> None:
    for _ in range(500):
        with socket.socket() as probe:
            if probe.connect_ex((LOOPBACK, port)) == 0:
                return
        time.sleep(0.02)
    sys.exit("mosquitto does not start")


def measurement(n: int) -> MeasurementMessage:
    """One live value."""
    return MeasurementMessage(
        bench="bay-1",
        sent="2031-05-06T12:00:00.000+00:00",
        run="20310506-120000-abcd",
        step="circuits",
        name="stop current",
        value=n / 1000,
        unit="A",
        board_s=n / 100,
    )


async def bare(port: int, count: int) -> float:
    """Messages a second of aiomqtt alone, as many in flight."""
    payload = measurement(1).model_dump_json().encode()
    async with aiomqtt.Client(LOOPBACK, port, max_inflight_messages=BATCH) as client:
        client.pending_calls_threshold = 10 * BATCH
        begun_s = time.perf_counter()
        for _ in range(count // BATCH):
            async with asyncio.TaskGroup() as tasks:
                for _ in range(BATCH):
                    tasks.create_task(client.publish("bare", payload, qos=1))
        return count / (time.perf_counter() - begun_s)


def ours(port: int, count: int) -> float:
    """Messages a second from ``put`` in the run's thread to the broker's acknowledgement, forms and JSON included."""
    with Publisher(parse_broker_url(f"mqtt://{LOOPBACK}:{port}/bay-1"), room=2 * count) as publisher:
        publisher.connected.wait(10)
        time.sleep(0.2)
        begun_s = time.perf_counter()
        for n in range(count):
            publisher.put("measurement", measurement(n), passing=True)
        publisher.flushed(60.0)
        return count / (time.perf_counter() - begun_s)


def main() -> None:
    """Print both and their ratio, medians of rounds that alternate."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    with mosquitto() as port:
        pairs = [(asyncio.run(bare(port, given.messages)), ours(port, given.messages)) for _ in range(given.rounds)]
    alone, whole = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(mine / theirs for theirs, mine in pairs)
    print(f"bare aiomqtt, {BATCH} in flight  {alone:8.0f} messages/s QoS 1")
    print(f"publisher, from put on    {whole:8.0f} messages/s QoS 1")
    print(f"ratio                     {ratio:8.2f} (goal {GOAL})")


if __name__ == "__main__":
    main()

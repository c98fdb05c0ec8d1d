"""A real mosquitto for tests, on a free loopback port and ended by its own id; mosquitto_sub and _pub beside it."""

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

LOOPBACK = "127.0.0.1"


def _tool(name: str) -> str:
    found = shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/bin:/opt/homebrew/sbin:/opt/homebrew/bin")
    assert found, f"{name} is not installed; tools/test says what is needed"
    return found


def free_port() -> int:
    with socket.create_server((LOOPBACK, 0)) as taken:
        return int(taken.getsockname()[1])


@dataclass
class Broker:
    """A mosquitto that can be stopped and started again on the same port."""

    folder: Path
    lines: tuple[str, ...] = ("allow_anonymous true",)
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        text = [f"listener {self.port} {LOOPBACK}", "user root", "max_queued_messages 0", *self.lines]
        config.write_text("\n".join(text) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen([_tool("mosquitto"), "-c", str(config)], stdout=log, stderr=log)
        end_s = time.monotonic() + 10
        while time.monotonic() < end_s:
            with socket.socket() as probe:
                if probe.connect_ex((LOOPBACK, self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError((self.folder / "mosquitto.log").read_text())

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def url(self, bench: str, user: str = "") -> str:
        return f"mqtt://{user}{'@' if user else ''}{LOOPBACK}:{self.port}/{bench}"

    def publish(self, topic: str, payload: str, *options: str) -> None:
        command = [_tool("mosquitto_pub"), "-h", LOOPBACK, "-p", str(self.port), "-q", "1", "-t", topic, "-m", payload]
        subprocess.run([*command, *options], check=True, timeout=10)

    @contextmanager
    def subscriber(self, *topics: str, options: tuple[str, ...] = ()) -> Iterator["Subscriber"]:
        """mosquitto_sub in a process of its own."""
        wanted = [word for topic in topics for word in ("-t", topic)]
        command = [_tool("mosquitto_sub"), "-h", LOOPBACK, "-p", str(self.port), "-q", "1", "-F", "%r %t %p"]
        process = subprocess.Popen(
            [*command, *wanted, *options], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, bufsize=1
        )
        try:
            yield Subscriber(process)
        finally:
            process.terminate()
            process.wait(10)
            assert process.stdout is not None
            process.stdout.close()


@dataclass
class Subscriber:
    """What an outside client hears: (retained, topic, JSON)."""

    process: subprocess.Popen[str]
    heard: list[tuple[bool, str, dict[str, Any]]] = field(default_factory=list)

    def until(self, wanted: Any, within_s: float = 20.0) -> tuple[bool, str, dict[str, Any]]:
        """The first message, from now on, for which ``wanted(topic, message)`` is true."""
        assert self.process.stdout is not None
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            line = self.process.stdout.readline()
            if not line:
                break
            retained, topic, payload = line.rstrip("\n").split(" ", 2)
            self.heard.append((retained == "1", topic, json.loads(payload)))
            if wanted(topic, self.heard[-1][2]):
                return self.heard[-1]
        raise AssertionError(f"not heard; heard {[topic for _, topic, _ in self.heard]}")

    def state(self, state: str) -> dict[str, Any]:
        return self.until(lambda topic, message: topic.endswith("/state") and message["state"] == state)[2]

"""Benches on a real mosquitto, watched by mosquitto_sub and asked by mosquitto_pub."""

import asyncio
import gc
import json
import os
import subprocess
import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from bench import cli
from bench.app import connect
from bench.contract.table import ChannelState
from bench.errors import Stopped
from bench.link import Board, InProcessLink
from bench.mqtt.address import parse_broker_url
from bench.mqtt.broadcast import broadcast
from bench.mqtt.messages import CommandMessage, MeasurementMessage
from bench.mqtt.publisher import Publisher
from bench.mqtt.signing import signed
from bench.profiles import load_profile, load_scenario
from bench.records import Store
from bench.safety import GuardedBoard
from firmware_sim.simulator import Simulator
from tests.bench.mqtt.broker import Broker
from tests.bench.records.postgres import cluster
from tools.gen_mqtt_schema import FILE, text

KEY = b"0123456789abcdef0123456789abcdef"
SCHEMA = Draft202012Validator(json.loads(FILE.read_text(encoding="utf-8")))
PROFILE = "tandem-53ft"
EXIT = 2  # the bench's own supply is low: unsure


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    each = Broker(tmp_path)
    each.start()
    yield each
    each.stop()


@pytest.fixture
def key_file(tmp_path: Path) -> str:
    path = tmp_path / "bench.key"
    path.write_bytes(KEY)
    path.chmod(0o600)
    return str(path)


def now() -> datetime:
    return datetime.now().astimezone()


def inspect(broker: Broker, bench: str, *options: str) -> int:
    arguments = ["inspect", PROFILE, "--board", "sim:low-supply", "--only", "supply", "--mqtt", broker.url(bench)]
    return cli.run([*arguments, *options])


def test_the_schema_file_is_fresh() -> None:
    assert FILE.read_text(encoding="utf-8") == text(), "run python -m tools.gen_mqtt_schema"


def test_a_run_is_told_to_whoever_subscribes_in_json_that_keeps_the_schema(
    broker: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with broker.subscriber("umbilical/bay-1/#", "umbilical-benches/+") as outside:
        code = inspect(broker, "bay-1", "--record", str(tmp_path / "r.sqlite"), "--json")
        outside.state("gone")

    document = json.loads(capsys.readouterr().out)
    messages = [message for _, _, message in outside.heard]
    for message in messages:
        SCHEMA.validate(message)
    kinds = {message["kind"] for message in messages}
    judged = [each for each in messages if each["kind"] == "measurement" and each["verdict"]]
    values = {(each["step"], each["name"]): each for each in judged}
    verdict = next(each for each in messages if each["kind"] == "verdict")
    assert kinds == {"discovery", "state", "measurement", "finding", "event", "verdict"}
    assert (code, verdict["verdict"], verdict["run"]) == (EXIT, document["verdict"], document["record"])
    for step in document["steps"]:
        for value in step["values"]:
            told = values[step["step"], value["name"]]
            assert (told["unit"], told["verdict"]) == (value["unit"], value["verdict"])
            assert told["value"] == (None if value["value"] is None else pytest.approx(value["value"]))
    assert {each["finding"]["kind"] for each in messages if each["kind"] == "finding"} == {
        each["kind"] for each in document["findings"]
    }


def test_who_comes_later_finds_the_bench_its_state_and_the_last_verdict(broker: Broker, tmp_path: Path) -> None:
    inspect(broker, "bay-1", "--record", str(tmp_path / "r.sqlite"))

    with broker.subscriber("umbilical-benches/+", "umbilical/+/state", "umbilical/+/verdict") as late:
        for subject in ("umbilical-benches", "state", "verdict"):
            retained, _, _ = late.until(lambda topic, _, s=subject: s in topic)
            assert retained
            if len(late.heard) == 3:
                break
    found = {message["kind"]: message for _, _, message in late.heard}
    assert found["discovery"]["topics"]["state"] == "umbilical/bay-1/state"
    assert found["discovery"]["commands"] == []
    assert found["state"]["state"] == "gone"
    assert found["verdict"]["verdict"] == "unsure"


def test_a_bench_whose_process_dies_is_lost_by_its_last_will(broker: Broker) -> None:
    code = (
        "import os, sys, time\n"
        "from bench.mqtt.address import parse_broker_url\n"
        "from bench.mqtt.publisher import Publisher\n"
        "with Publisher(parse_broker_url(sys.argv[1])) as each:\n"
        "    each.connected.wait(10); time.sleep(0.3); os._exit(9)\n"
    )
    with broker.subscriber("umbilical/bay-1/state") as outside:
        subprocess.run([os.sys.executable, "-c", code, broker.url("bay-1")], check=False, timeout=30)
        assert outside.state("lost")["bench"] == "bay-1"


def test_what_is_measured_while_the_broker_is_away_comes_when_it_is_back(broker: Broker) -> None:
    told: list[str] = []
    with Publisher(parse_broker_url(broker.url("bay-1")), notice=told.append) as publisher:
        assert publisher.connected.wait(10)
        broker.stop()
        begun_s = time.monotonic()
        for n in range(500):
            publisher.put("measurement", measurement(n), passing=True)
        took_s = time.monotonic() - begun_s
        broker.start()
        with broker.subscriber("umbilical/bay-1/measurement") as outside:
            outside.until(lambda _, message: message["value"] == 499)

    values = [message["value"] for _, _, message in outside.heard]
    assert took_s < 2, "nothing waits for a broker that is away"
    assert values[-1] == 499
    assert "messages wait" in told[0]


def measurement(n: int) -> MeasurementMessage:
    return MeasurementMessage(bench="bay-1", sent="now", run="r", step="s", name="n", value=n, unit="V")


def test_a_run_without_any_broker_is_made_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    away = Broker(tmp_path)

    assert inspect(away, "bay-1", "--record", str(tmp_path / "r.sqlite")) == EXIT
    assert "can't be reached" in capsys.readouterr().err


def test_many_benches_share_one_broker_and_one_postgresql(broker: Broker) -> None:
    names = [f"bay-{n}" for n in range(1, 5)]
    with cluster() as server, broker.subscriber("umbilical/+/verdict") as outside:
        records = server.url()
        with Store(records):  # the first one makes the tables
            runs = [threading.Thread(target=asyncio.run, args=(one_run(broker.url(name), records),)) for name in names]
            for run in runs:
                run.start()
            told: dict[str, str] = {}
            while set(told) != set(names):
                verdict = outside.until(lambda *_: True, 60)[2]
                told[verdict["bench"]] = verdict["run"]
            for run in runs:
                run.join(30)
        with Store(records, create=False) as store:
            kept = {summary.id for summary in store.runs(10)}

    assert kept == set(told.values())


async def one_run(url: str, record: str) -> None:
    """A short run on wall time."""
    with broadcast(url) as told:
        async with connect("sim:", record=record, tell=told.tell) as session:
            await session.inspect(PROFILE, only=["supply"])


# --- users, TLS ---


def test_a_bench_with_user_and_acl_may_speak_for_itself_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The ACL of MQTT.md."""
    passwords, acl = tmp_path / "passwords", tmp_path / "acl"
    for user in ("bay-1", "watcher"):
        create = ["-c"] if user == "bay-1" else []
        subprocess.run(["mosquitto_passwd", *create, "-b", str(passwords), user, "secret"], check=True)
    guide = (Path(cli.__file__).parent.parent / "mqtt" / "MQTT.md").read_text(encoding="utf-8")
    acl.write_text(guide.split("```text\n", 1)[1].split("```", 1)[0])
    for file in (passwords, acl):
        file.chmod(0o600)
    monkeypatch.setenv("UMBILICAL_MQTT_PASSWORD", "secret")
    broker = Broker(tmp_path, (f"password_file {passwords}", f"acl_file {acl}", "allow_anonymous false"))
    broker.start()
    try:
        watcher = ("-u", "watcher", "-P", "secret")
        with broker.subscriber("umbilical/+/state", options=watcher) as outside:
            for name in ("bay-2", "bay-1"):  # bay-1 can't speak for bay-2
                with Publisher(parse_broker_url(broker.url(name, "bay-1"))) as publisher:
                    assert publisher.connected.wait(10)
            outside.until(lambda topic, _: topic == "umbilical/bay-1/state")
        assert {topic for _, topic, _ in outside.heard} == {"umbilical/bay-1/state"}
    finally:
        broker.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho leaves a refused socket open
def test_tls_with_its_own_authority(tmp_path: Path) -> None:
    certificate = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    ca, key = tmp_path / "ca.pem", tmp_path / "ca.key"
    names = ["-keyout", str(key), "-out", str(ca), "-days", "2", "-subj", "/CN=127.0.0.1"]
    subprocess.run([*certificate, *names, "-addext", "subjectAltName=IP:127.0.0.1"], check=True, capture_output=True)
    broker = Broker(tmp_path, (f"certfile {ca}", f"keyfile {key}", "allow_anonymous true"))
    broker.start()
    try:
        url = broker.url("bay-1").replace("mqtt://", "mqtts://")
        with Publisher(parse_broker_url(f"{url}?ca={ca}")) as trusted:
            assert trusted.connected.wait(10)
        with Publisher(parse_broker_url(url)) as stranger:
            assert not stranger.connected.wait(1), "an unknown authority is not believed"
        gc.collect()
    finally:
        broker.stop()


# --- commands ---


class Lit:
    """A guarded board on wall time that takes commands, in a thread of its own."""

    def __init__(self, broker: Broker, key_file: str | None, command: str = "power") -> None:
        self.ready, self.leave = threading.Event(), threading.Event()
        self.ended: BaseException | None = None
        self._args = (broker.url("bay-1"), key_file, command)
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()))

    def __enter__(self) -> "Lit":
        self._thread.start()
        assert self.ready.wait(20)
        return self

    def __exit__(self, *_: object) -> None:
        self.leave.set()
        self._thread.join(20)

    async def _run(self) -> None:
        url, key_file, command = self._args
        loop = asyncio.get_running_loop()
        begun_s = loop.time()
        board = Board(InProcessLink("sim:", Simulator(load_scenario("healthy-tandem")), lambda: loop.time() - begun_s))
        with broadcast(url, key_file) as told:
            try:
                async with GuardedBoard(board, load_profile(PROFILE)) as guard:
                    if told.companion:
                        told.companion.command = command
                        told.companion.opened(guard)
                    told.teller._publisher.connected.wait(10)
                    await asyncio.sleep(0.2)
                    self.ready.set()
                    while not self.leave.is_set():
                        self.states = {each.state for each in (await guard.snapshot()).channels}
                        await asyncio.sleep(0.02)
            except Stopped as stopped:
                self.ended = stopped
            finally:
                self.ready.set()
                if told.companion:
                    told.companion.closed()
            self.states = {each.state for each in (await board.snapshot()).channels}


def said(broker: Broker, message: CommandMessage, *options: str) -> dict[str, object]:
    """Publish a command with mosquitto_pub; the answer that mosquitto_sub hears."""
    with broker.subscriber("umbilical/bay-1/answer") as outside:
        time.sleep(0.2)
        broker.publish("umbilical/bay-1/command", message.model_dump_json(), *options)
        return outside.until(lambda _, answer: answer["nonce"] == message.nonce)[2]


def wait_for(true: object, within_s: float = 5.0) -> bool:
    end_s = time.monotonic() + within_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.02)
    return true()


def test_signed_commands_pass_the_same_rules_as_everything_else(broker: Broker, key_file: str) -> None:
    with Lit(broker, key_file) as bench:
        lit = said(broker, signed(KEY, "bay-1", "light", "stop", now()))
        assert lit["done"]
        assert wait_for(lambda: ChannelState.ON in bench.states)
        nothing = said(broker, signed(KEY, "bay-1", "light", "fog", now()))
        assert said(broker, signed(KEY, "bay-1", "off", None, now()))["done"]
        assert wait_for(lambda: ChannelState.ON not in bench.states)
        stopped = said(broker, signed(KEY, "bay-1", "stop", None, now()))

    SCHEMA.validate(lit)
    assert "there is no circuit 'fog'" in nothing["text"]
    assert stopped["done"]
    assert isinstance(bench.ended, Stopped)
    assert bench.states == {ChannelState.HELD_OFF}


def test_old_repeated_retained_and_forged_commands_are_refused(broker: Broker, key_file: str) -> None:
    with Lit(broker, key_file) as bench:
        old = said(broker, signed(KEY, "bay-1", "light", "stop", now() - timedelta(seconds=60)))
        forged = said(broker, signed(b"x" * 32, "bay-1", "light", "stop", now()))
        once = signed(KEY, "bay-1", "off", None, now())
        said(broker, once)
        again = said(broker, once)
        assert ChannelState.ON not in bench.states

    assert [each["done"] for each in (old, forged, again)] == [False] * 3
    assert "s old" in old["text"]
    assert "signature" in forged["text"]
    assert "said before" in again["text"]


def test_nothing_may_be_lit_while_an_inspection_measures(broker: Broker, key_file: str) -> None:
    with Lit(broker, key_file, "inspect"):
        refused = said(broker, signed(KEY, "bay-1", "light", "stop", now()))

    assert not refused["done"]
    assert "only stop and off" in refused["text"]


def test_a_bench_without_a_key_takes_no_command(
    broker: Broker, key_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with Lit(broker, None) as bench:
        code = cli.run(["remote", "stop", "--mqtt", broker.url("bay-1"), "--key", key_file, "--wait", "1"])
        assert bench.ended is None

    assert code == 69
    assert "does not answer" in capsys.readouterr().err


def test_the_command_line_asks_and_prints_the_answer(
    broker: Broker, key_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with Lit(broker, key_file) as bench:
        code = cli.run(["remote", "stop", "--mqtt", broker.url("bay-1"), "--key", key_file])
        assert wait_for(lambda: bench.ended is not None)

    assert code == 0
    assert "stop was carried out" in capsys.readouterr().out

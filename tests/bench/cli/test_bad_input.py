"""Whatever is wrong: one line that says where and what to do, the right exit code, nothing left on."""

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench import cli
from bench.contract.table import IDENTITY
from bench.profiles import data_root
from firmware_sim.simulator import Simulator
from tests.bench.cli.served import Answer, ServedBoard, something_else

Captured = pytest.CaptureFixture[str]
PROFILE = "tandem-53ft"


@pytest.fixture
def answers(tmp_path: Path) -> str:
    file = tmp_path / "answers.yaml"
    file.write_text("clear-to-power: yes\n")
    return str(file)


@pytest.fixture
def record(tmp_path: Path) -> str:
    return str(tmp_path / "records.sqlite")


@pytest.fixture
def board() -> Iterator[ServedBoard]:
    with ServedBoard() as served:
        yield served


def refused(capsys: Captured, code: int, expected: int, *said: str) -> None:
    """The command ended with this code and its last line on stderr says so; nothing went to stdout."""
    printed = capsys.readouterr()
    *_, line = printed.err.splitlines() or [""]
    assert code == expected, printed.err
    assert line.startswith("umbilical: ")
    assert [word for word in said if word not in line] == []


# --- what people type ---

TYPED = {
    "no such profile": (["inspect", "tandem-54ft", "--board", "sim:"], 64, "did you mean 'tandem-53ft'"),
    "profile file that is not there": (["inspect", "my.yaml", "--board", "sim:"], 64, "my.yaml"),
    "no such step": (["inspect", PROFILE, "--board", "sim:", "--only", "lamps"], 64, "'lamps'"),
    "no such circuit": (["walk", PROFILE, "--board", "sim:", "--only", "horn"], 64, "'horn'"),
    "no such scenario": (["inspect", PROFILE, "--board", "sim:nowhere"], 64, "'nowhere'"),
    "no such kind of board": (["inspect", PROFILE, "--board", "usb:1"], 64, "sim:"),
    "unit that Modbus lacks": (["board", "identify", "--board", "modbus-tcp://h?unit=999"], 64, "unit"),
    "answers that are not there": (["inspect", PROFILE, "--board", "sim:", "--answers", "no.yaml"], 64, "no.yaml"),
    "report of another kind": (["inspect", PROFILE, "--board", "sim:", "--report", "r.docx"], 64, ".html"),
    "report in no folder": (["inspect", PROFILE, "--board", "sim:", "--report", "no/r.html"], 64, "no folder"),
    "no port to play on": (["sim", "healthy-tandem"], 64, "--tcp"),
    "no such record": (["records", "show", "last"], 64, "no record"),
    "no kind of file": (["profile", "schema", "poem"], 64, "'poem'"),
}


@pytest.mark.parametrize(("arguments", "expected", "said"), TYPED.values(), ids=TYPED)
def test_what_was_typed_wrong_is_named(
    arguments: list[str], expected: int, said: str, capsys: Captured, record: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("UMBILICAL_RECORDS", record)
    cli.run(["inspect", PROFILE, "--board", "sim:", "--only", "supply"]) if arguments[0] == "records" else None
    capsys.readouterr()
    if arguments[:2] == ["records", "show"]:
        arguments = ["records", "show", "never"]

    refused(capsys, cli.run(arguments), expected, said)


def test_a_mistake_in_a_profile_is_placed_by_file_and_line(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("title: mine\nkind: trailer\nconnector: sae-j561\n")

    refused(capsys, cli.run(["inspect", str(file), "--board", "sim:"]), 64, "mine.yaml:")


@pytest.mark.parametrize(
    ("command", "file", "said"),
    [
        ("inspect", "scenarios/demo.yaml", "a scenario file, not a harness file"),
        ("inspect", "connectors/sae-j560.yaml", "a connector file, not a harness file"),
        ("sim", "trailers/tandem-53ft.yaml", "a harness file, not a scenario file"),
    ],
)
def test_a_file_of_another_kind_is_called_what_it_is(command: str, file: str, said: str, capsys: Captured) -> None:
    where = ["--tcp", "0"] if command == "sim" else ["--board", "sim:"]

    refused(capsys, cli.run([command, str(data_root() / file), *where]), 64, file, said)


def test_answers_that_are_no_answers_are_called_what_they_are(capsys: Captured) -> None:
    answers = str(data_root() / "trailers/tandem-53ft.yaml")

    refused(capsys, cli.run(["inspect", PROFILE, "--board", "sim:", "--answers", answers]), 64, "a harness file")


def test_of_many_mistakes_the_first_is_told_and_how_many_there_are(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("title: mine\nkind: trailer\nconnector: sae-j560\nlimits: electrical\ncircuits: {}\na: 1\nb: 2\n")

    refused(
        capsys,
        cli.run(["inspect", str(file), "--board", "sim:"]),
        64,
        "mine.yaml:5: 'circuits' must not be empty; and 2 more",
        "profile check",
    )
    cli.run(["profile", "check", str(file)])
    assert capsys.readouterr().err.count("mine.yaml:") == 3


@pytest.mark.parametrize("command", ["walk", "power", "wiggle"])
def test_an_unknown_circuit_is_refused_before_the_board_is_touched(
    command: str, board: ServedBoard, record: str, capsys: Captured
) -> None:
    which = "--only" if command == "walk" else "--circuit"
    code = cli.run([command, PROFILE, which, "horn", "--board", board.tcp, "--record", record])

    refused(capsys, code, 64, "'horn'", "right-turn")
    assert board.snapshot().command_sequence == 0


def test_a_report_that_cannot_be_written_is_said_before_anything_is_powered(
    tmp_path: Path, capsys: Captured, board: ServedBoard, record: str
) -> None:
    report = tmp_path / "folder.html"
    report.mkdir()

    refused(
        capsys,
        cli.run(["inspect", PROFILE, "--board", board.tcp, "--report", str(report), "--record", record]),
        74,
        str(report),
    )
    assert board.snapshot().command_sequence == 0


def test_looking_whether_a_report_can_be_written_leaves_what_is_there(tmp_path: Path, record: str) -> None:
    old, new = tmp_path / "old.html", tmp_path / "new.html"
    old.write_text("last week's")

    for file in (old, new):
        assert cli.run(["inspect", "nobody's", "--board", "sim:", "--report", str(file), "--record", record]) == 64
    assert old.read_text() == "last week's"
    assert not new.exists()


def test_a_record_that_cannot_be_written_is_said_before_anything_is_powered(
    tmp_path: Path, capsys: Captured, board: ServedBoard
) -> None:
    refused(capsys, cli.run(["inspect", PROFILE, "--board", board.tcp, "--record", str(tmp_path)]), 74, "folder")
    assert board.snapshot().command_sequence == 0


def test_the_profile_of_another_voltage_is_refused(capsys: Captured, record: str) -> None:
    code = cli.run(["inspect", "semitrailer-24v", "--board", "sim:healthy-tandem", "--record", record])

    refused(capsys, code, 2, "supply")


# --- what is at the other end ---


def silence(_: bytes) -> None:
    return None


def babble(_: bytes) -> bytes:
    """A line at the wrong speed: something comes, and it means nothing."""
    return b"\xf8\x00\x86\xff\x18\n\xe0"


def another_instrument(_: bytes) -> bytes:
    return b"ERR\n"


def identify(url: str) -> int:
    return cli.run(["board", "identify", "--board", url])


@pytest.mark.parametrize("scheme", ["tcp", "modbus-tcp"])
def test_no_board_at_the_port(scheme: str, capsys: Captured) -> None:
    refused(capsys, identify(f"{scheme}://127.0.0.1:9"), 69, f"{scheme}://127.0.0.1:9", "refused")


@pytest.mark.parametrize("scheme", ["serial", "modbus-rtu"])
def test_no_serial_port_of_that_name(scheme: str, capsys: Captured) -> None:
    refused(capsys, identify(f"{scheme}:///dev/ttyNONE7"), 69, "/dev/ttyNONE7")


@pytest.mark.parametrize(
    ("scheme", "other"),
    [("tcp", silence), ("tcp", babble), ("tcp", another_instrument), ("modbus-tcp", babble)],
)
def test_something_at_the_port_that_is_no_board(scheme: str, other: Answer, capsys: Captured) -> None:
    with something_else(other) as where:
        refused(capsys, identify(f"{scheme}://{where}"), 69, where)


def test_a_serial_line_that_says_nothing_as_at_a_wrong_baud_rate(capsys: Captured) -> None:
    master, slave = os.openpty()
    try:
        refused(capsys, identify(f"serial://{os.ttyname(slave)}?baud=9600"), 69, os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)


def test_a_modbus_unit_that_nobody_has(board: ServedBoard, capsys: Captured) -> None:
    refused(capsys, identify(board.modbus(unit=7)), 69, "unit=7")


class FromTheFuture(Simulator):
    """A board of the next major contract."""

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        registers = super().read_registers(address, count)
        if address != IDENTITY.start():
            return registers
        tag, magic, major, *rest = registers
        return (tag, magic, major + 1, *rest)


def test_a_board_of_another_contract(capsys: Captured) -> None:
    with ServedBoard(kind=FromTheFuture) as board:
        refused(capsys, identify(board.modbus()), 69, "contract version 2", "update the controller")


def test_a_port_that_another_program_holds(board: ServedBoard, capsys: Captured) -> None:
    port = board.tcp.rpartition(":")[2]

    refused(capsys, cli.run(["sim", "healthy-tandem", "--tcp", port]), 69, "port")


# --- what happens on the way ---


def inspect(url: str, record: str, answers: str) -> int:
    return cli.run(["inspect", PROFILE, "--board", url, "--only", "circuits", "--record", record, "--answers", answers])


def nothing_is_on(board: ServedBoard) -> bool:
    """Whether everything is off, at the latest once the board's own watchdog has run out."""
    until_s = time.monotonic() + 3.0
    while board.on and time.monotonic() < until_s:
        time.sleep(0.05)
    return not board.on


def test_a_second_controller_is_told_and_the_first_is_left_alone(
    board: ServedBoard, record: str, answers: str, capsys: Captured
) -> None:
    board.be_held()

    refused(capsys, inspect(board.tcp, record, answers), 69, "another controller")


def test_the_emergency_stop_pressed_beforehand(record: str, answers: str, capsys: Captured) -> None:
    with ServedBoard("board-fault") as board:
        time.sleep(0.1)
        code = inspect(board.tcp, record, answers)

        refused(capsys, code, 2, "emergency stop")
        assert nothing_is_on(board)


class Spoiler:
    """Lets replies through until something is driven, then spoils them for good."""

    def __init__(self, board: ServedBoard, how: str) -> None:
        self._board = board
        self._how = how
        self.began = False

    def __call__(self, octets: bytes) -> bytes:
        self.began = self.began or self._board.driven()
        if not self.began:
            return octets
        return {"cut": octets[: len(octets) // 2], "garbage": os.urandom(len(octets))}[self._how]


@pytest.mark.parametrize("how", ["cut", "garbage"])
def test_a_wire_that_goes_bad_under_load_leaves_nothing_on_and_a_closed_record(
    how: str, board: ServedBoard, record: str, answers: str, capsys: Captured
) -> None:
    spoiler = Spoiler(board, how)
    with board.spoiled(spoiler) as url:
        code = inspect(url, record, answers)

    refused(capsys, code, 69)
    assert spoiler.began
    assert nothing_is_on(board)
    assert cli.run(["records", "show", "last", "--record", record, "--json"]) == 0
    assert '"state": "failed"' in capsys.readouterr().out

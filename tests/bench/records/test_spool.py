"""A database fails in the middle of a run: the run ends safe, says so, and nothing that it measured is lost."""

import sqlite3
from pathlib import Path

import pytest
from sqlalchemy import event

import bench
from bench.errors import RecordError
from bench.events import Event, StepEnded
from bench.records import SpoolingStore, Store, database, take_in_spools
from bench.records.archive import spool_line
from bench.records.rows import end_row
from tests.bench.records.made_runs import small_run, small_step
from tests.bench.records.postgres import Cluster

FIRST = "20260112-143015-7k2m"


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return tmp_path / "umbilical" / "spool"


def fill(store: Store) -> None:
    """Let SQLite find no more room: https://www.sqlite.org/pragma.html#pragma_max_page_count."""
    event.listen(store._engine, "connect", lambda connection, _: connection.execute("PRAGMA max_page_count=1"))
    store._engine.dispose()


def write_until_it_fails(run: SpoolingStore, first: int = 0) -> None:
    for number in range(first, first + 50):
        run.add_step(FIRST, small_step(number))


def test_a_full_disk_is_told_once_and_everything_after_it_is_kept(tmp_path: Path, own_folders: Path) -> None:
    path = tmp_path / "records.sqlite"
    run = SpoolingStore(Store(path))
    run.begin(small_run())
    run.add_step(FIRST, small_step(0))
    fill(run.store)
    with pytest.raises(
        RecordError, match=r"the disk is full; free some space; what was measured is kept in .*7k2m\.jsonl"
    ):
        write_until_it_fails(run, 1)
    run.attach(FIRST, "measurements-000.json", b"{}")
    run.finish(FIRST, "failed", 9.0, "the disk is full")
    run.store.close()
    told: list[str] = []
    with Store(path) as again:
        before = len(again.load(FIRST).steps)
        take_in_spools(again, told.append)
        found = again.load(FIRST)

        assert (found.state, found.reason, found.duration_s) == ("failed", "the disk is full", 9.0)
        assert found.steps == tuple(small_step(number) for number in range(before + 1))
        assert again.attachments(FIRST) == {"measurements-000.json": b"{}"}
        assert again.verify() == []
    assert told == [f"what an earlier run could not write was taken in: {FIRST}"]
    assert list(own_folders.iterdir()) == []


def test_a_database_that_was_deleted_in_a_run_is_told_and_all_of_the_run_is_kept(
    tmp_path: Path, own_folders: Path
) -> None:
    """The open file would go on taking writes, and lose them when it is closed."""
    path = tmp_path / "records.sqlite"
    run = SpoolingStore(Store(path))
    run.begin(small_run())
    run.add_step(FIRST, small_step(0))
    for file in tmp_path.glob("records.sqlite*"):
        file.unlink()
    with pytest.raises(RecordError, match=r"records\.sqlite: the file is gone; .*; what was measured is kept in .*"):
        run.add_step(FIRST, small_step(1))
    run.finish(FIRST, "failed", 2.0, "the file is gone")
    run.store.close()
    assert not path.exists()
    with Store(path) as again:
        take_in_spools(again, lambda _: None)
        found = again.load(FIRST)

        assert (found.state, found.steps) == ("failed", (small_step(0), small_step(1)))
        assert again.verify() == []


def test_a_database_that_another_was_put_in_place_of_is_told(tmp_path: Path) -> None:
    path, other = tmp_path / "records.sqlite", tmp_path / "other.sqlite"
    Store(other).close()
    with Store(path) as store:
        store.begin(small_run())
        other.replace(path)

        with pytest.raises(RecordError, match="deleted, moved or replaced"):
            store.add_step(FIRST, small_step(0))


def test_a_database_that_stays_locked_is_told_and_the_run_is_kept(
    tmp_path: Path, own_folders: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.05)
    path = tmp_path / "records.sqlite"
    run = SpoolingStore(Store(path))
    run.begin(small_run())
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="locked by another program; close it, or wait; what was measured is kept"):
        run.add_step(FIRST, small_step(0))
    run.finish(FIRST, "failed", 2.0, "locked")
    run.store.close()
    other.close()
    with Store(path) as again:
        take_in_spools(again, lambda _: None)

        assert (again.load(FIRST).state, len(again.load(FIRST).steps)) == ("failed", 1)


def test_a_spool_whose_process_still_lives_is_left_alone(tmp_path: Path, own_folders: Path) -> None:
    store = Store(tmp_path / "records.sqlite")
    run = SpoolingStore(store)
    run.begin(small_run())
    fill(store)
    with pytest.raises(RecordError):
        write_until_it_fails(run)
    with Store(tmp_path / "records.sqlite") as other:
        take_in_spools(other, pytest.fail)

    assert [file.suffix for file in own_folders.iterdir()] == [".part"]
    store.close()


def test_a_spool_of_another_database_is_left_alone(tmp_path: Path, own_folders: Path) -> None:
    own_folders.mkdir(parents=True)
    (own_folders / "x.jsonl").write_text('{"format":"umbilical-spool/1","database":"elsewhere"}\n')
    (own_folders / "y.jsonl").write_text("not one of ours")
    with Store(tmp_path / "records.sqlite") as store:
        take_in_spools(store, pytest.fail)

    assert len(list(own_folders.iterdir())) == 2


def test_a_run_that_was_closed_meanwhile_keeps_both_words(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(small_run(state="interrupted", duration_s=1.0))
        end = {"run_end": [end_row(FIRST, "stopped", 9.0, "stopped by the operator")]}
        store.take_in(['{"format":"umbilical-spool/1"}\n', spool_line("end", FIRST, 0, end)], "spool")

        assert store.load(FIRST).state == "interrupted"
        assert "stopped by the operator" in store.notes(FIRST)[0].text
        assert store.verify() == []


def test_nowhere_to_keep_it_is_the_first_error_alone(tmp_path: Path) -> None:
    run = SpoolingStore(Store(tmp_path / "records.sqlite"), folders=[Path("/dev/null/spool")])
    run.begin(small_run())
    fill(run.store)
    with pytest.raises(RecordError, match=r"free some space$"):
        write_until_it_fails(run)
    run.store.close()


def test_a_server_that_goes_away_in_an_inspection_loses_nothing(server: Cluster) -> None:
    url = server.url()
    ended: list[str] = []

    def pull_the_plug(told: Event) -> None:
        if isinstance(told, StepEnded):
            ended.append(told.result.step)
            if told.result.step == "look":
                server.stop()

    async def inspect(tell=lambda _: None, notice=lambda _: None):
        async with bench.connect("sim:lamp-out", record=url, tell=tell, notice=notice) as session:
            await session.inspect("tandem-53ft-filament", only=["supply", "look", "cold-pulse", "circuits"])

    try:
        with pytest.raises(RecordError, match="what was measured is kept in"):
            bench.run_virtual(inspect(tell=pull_the_plug))
    finally:
        server.start()
    notices: list[str] = []
    bench.run_virtual(inspect(notice=notices.append))
    with Store(url, create=False) as store:
        first, second = sorted(store.runs(), key=lambda run: run.state != "failed")  # both began within a second
        steps = [step.step for step in store.load(first.id).steps]

        assert any("taken in" in notice for notice in notices)
        assert steps[:2] == ["supply", "look"]
        assert (first.state, second.state) == ("failed", "complete")
        assert store.verify() == []

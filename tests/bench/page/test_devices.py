import json
import stat
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.page.devices import MOST_DEVICES, Devices


def now() -> datetime:
    return datetime(2026, 1, 12, 14, 30, tzinfo=UTC)


def test_a_paired_device_is_known_by_its_token_after_a_restart(tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    device, token = Devices(file, now).pair("phone of bay 1")

    again = Devices(file, now)

    assert again.known(token) == device
    assert again.known(token + "x") is None
    assert again.known(None) is None


def test_the_file_holds_no_token_and_only_its_owner_reads_it(tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    _, token = Devices(file, now).pair("phone")

    assert token not in file.read_text()
    assert len(json.loads(file.read_text())[0]["digest"]) == 64
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_revoked_device_is_not_known_any_more_whatever_is_restarted(tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    devices = Devices(file, now)
    device, token = devices.pair("phone")

    assert devices.revoke(device.id)
    assert not devices.revoke(device.id)
    assert devices.known(token) is None
    assert Devices(file, now).known(token) is None


def test_fifty_devices_have_fifty_tokens() -> None:
    devices = Devices(None, now)

    tokens = {devices.pair("phone")[1] for _ in range(50)}

    assert len(tokens) == 50
    assert len({devices.known(token) for token in tokens}) == 50


def test_there_is_an_end_to_pairing() -> None:
    devices = Devices(None, now)
    for _ in range(MOST_DEVICES):
        devices.pair("phone")

    with pytest.raises(InputError, match="remove some"):
        devices.pair("one more")


def test_all_may_be_forgotten_at_once(tmp_path: Path) -> None:
    devices = Devices(tmp_path / "devices.json", now)
    _, token = devices.pair("phone")

    assert devices.revoke_all() == 1
    assert devices.known(token) is None


@pytest.mark.parametrize("text", ["", "{}x", "[1]", '[{"id": 1}]'])
def test_a_damaged_file_says_what_to_do(tmp_path: Path, text: str) -> None:
    file = tmp_path / "devices.json"
    file.write_text(text)

    with pytest.raises(InputError, match="delete it"):
        Devices(file, now)

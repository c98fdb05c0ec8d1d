"""Paired devices: who they are, and how one is known again.

A device gets a random token of 256 bits once, in a cookie that no script can read. What is kept is the token's SHA-256:
it is drawn, not chosen, so there is nothing for a slow hash to protect, and the file tells nobody how to get in.
"""

import hashlib
import json
import os
import secrets
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path

from bench.errors import InputError, RecordError

MOST_DEVICES = 200
LONGEST_NAME = 40
SEEN_AGAIN_S = 3600.0  # how exactly the file knows when a device was last here


@dataclass(frozen=True, slots=True)
class Device:
    """A paired device; times are ISO 8601 with offset."""

    id: str
    name: str
    digest: str
    paired: str
    seen: str


class Devices:
    """Every paired device, kept in a file of its own; with None only in memory.

    Raises:
        InputError: the file is damaged.
        RecordError: it can't be read or written.
    """

    def __init__(self, file: Path | None, now: Callable[[], datetime]) -> None:
        self._file = file
        self._now = now
        self._by_digest = {device.digest: device for device in _read(file)}

    def all(self) -> list[Device]:
        """In the order in which they were paired."""
        return sorted(self._by_digest.values(), key=lambda device: device.paired)

    def pair(self, name: str) -> tuple[Device, str]:
        """A new device and its token, which is told only here.

        Raises:
            InputError: there are too many.
        """
        if len(self._by_digest) >= MOST_DEVICES:
            raise InputError(f"{MOST_DEVICES} devices are paired: remove some that are not used any more")
        token = secrets.token_urlsafe(32)
        now = self._now().isoformat(timespec="seconds")
        shown = " ".join(name.split())[:LONGEST_NAME] or "device"
        device = Device(secrets.token_hex(6), shown, _digest(token), now, now)
        self._by_digest[device.digest] = device
        self._write()
        return device, token

    def known(self, token: str | None) -> Device | None:
        """The device that a token belongs to."""
        device = self._by_digest.get(_digest(token)) if token else None
        if device is not None and self._is_old(device.seen):
            device = replace(device, seen=self._now().isoformat(timespec="seconds"))
            self._by_digest[device.digest] = device
            self._write()
        return device

    def _is_old(self, seen: str) -> bool:
        return (self._now() - datetime.fromisoformat(seen)).total_seconds() > SEEN_AGAIN_S

    def called(self, device_id: str | None) -> Device | None:
        """The device with this id."""
        return next((each for each in self._by_digest.values() if each.id == device_id), None)

    def revoke(self, device_id: str) -> bool:
        """Forget a device: its token is worth nothing from now on."""
        device = self.called(device_id)
        if device is None:
            return False
        del self._by_digest[device.digest]
        self._write()
        return True

    def revoke_all(self) -> int:
        """Forget every device; how many there were."""
        count = len(self._by_digest)
        self._by_digest.clear()
        self._write()
        return count

    def _write(self) -> None:
        if self._file is None:
            return
        text = json.dumps([asdict(device) for device in self.all()], indent=1)
        beside = self._file.with_name(self._file.name + ".new")
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(text + "\n")
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self._file)
        except OSError as error:
            raise RecordError(f"{self._file}: paired devices can't be kept: {error.strerror}") from error


def _read(file: Path | None) -> list[Device]:
    if file is None or not file.exists():
        return []
    try:
        return [Device(**each) for each in json.loads(file.read_text(encoding="utf-8"))]
    except OSError as error:
        raise RecordError(f"{file}: paired devices can't be read: {error.strerror}") from error
    except (ValueError, TypeError) as error:
        raise InputError(f"{file}: not a list of paired devices: delete it, then pair them again") from error


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()

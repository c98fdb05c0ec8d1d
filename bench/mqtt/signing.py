"""Commands are signed: HMAC-SHA-256 (RFC 2104) with a key that both sides have in a file, a time and a nonce.

A broker's password says who may speak; it does not keep a recorded message from being said again
tomorrow. So a command is good for 30 seconds and once.
"""

import hashlib
import hmac
import json
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from bench.errors import InputError
from bench.mqtt.messages import CommandMessage

GOOD_FOR_S = 30.0
LEAST_KEY_BYTES = 32


class Refused(Exception):  # noqa: N818 - the command's fault, not the program's
    """A command that is not carried out; ``str()`` says why."""


def read_key(path: str | Path) -> bytes:
    """The key in a file.

    Raises:
        InputError: no such file, others can read it, or it is too short to be a secret.
    """
    file = Path(path)
    try:
        key, mode = file.read_bytes().strip(), file.stat().st_mode
    except OSError as error:
        raise InputError(f"{path}: the key can't be read: {error.strerror}") from error
    if mode & 0o077:
        raise InputError(f"{path}: others can read this key; chmod 600 it")
    if len(key) < LEAST_KEY_BYTES:
        raise InputError(f"{path}: a key has at least {LEAST_KEY_BYTES} bytes; make one: openssl rand -hex 32")
    return key


def signature(key: bytes, bench: str, command: str, circuit: str | None, at: str, nonce: str) -> str:
    """HMAC of a command to ``bench``: of the JSON list of these texts, without spaces, in UTF-8."""
    text = json.dumps([bench, command, circuit, at, nonce], separators=(",", ":"), ensure_ascii=False)
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()


def signed(key: bytes, bench: str, command: str, circuit: str | None, now: datetime) -> CommandMessage:
    """A new command."""
    at, nonce = now.isoformat(), secrets.token_hex(16)
    seal = signature(key, bench, command, circuit, at, nonce)
    return CommandMessage.model_validate(
        {"command": command, "circuit": circuit, "at": at, "nonce": nonce, "hmac": seal}
    )


class Gate:
    """Lets each good command through once.

    Args:
        key: of this bench.
        bench: its name.
        now: wall clock, aware.
    """

    def __init__(self, key: bytes, bench: str, now: Callable[[], datetime]) -> None:
        self._key = key
        self._bench = bench
        self._now = now
        self._seen: dict[str, datetime] = {}

    def check(self, message: CommandMessage) -> None:
        """Raise ``Refused`` unless the command is signed, fresh and new."""
        seal = signature(self._key, self._bench, message.command, message.circuit, message.at, message.nonce)
        if not hmac.compare_digest(seal, message.hmac):
            raise Refused("the signature is wrong")
        now = self._now()
        try:
            age = now - datetime.fromisoformat(message.at)
        except (ValueError, TypeError):
            raise Refused("its time is no ISO 8601 time with an offset") from None
        if abs(age) > timedelta(seconds=GOOD_FOR_S):
            raise Refused(f"it is {age.total_seconds():.0f} s old, and good for {GOOD_FOR_S:g} s")
        long_ago = now - timedelta(seconds=2 * GOOD_FOR_S)
        self._seen = {nonce: at for nonce, at in self._seen.items() if at > long_ago}
        if message.nonce in self._seen:
            raise Refused("it has been said before")
        self._seen[message.nonce] = now

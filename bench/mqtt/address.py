"""Where the broker is, and which topics are this bench's."""

import os
import re
import ssl
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit

from bench.errors import InputError

FORM = "mqtt://HOST:1883/BENCH or mqtts://USER@HOST:8883/BENCH?ca=FILE"
PASSWORD = "UMBILICAL_MQTT_PASSWORD"  # noqa: S105 - the variable's name
ROOT, BENCHES = "umbilical", "umbilical-benches"
SUBJECTS = ("state", "measurement", "finding", "event", "verdict", "answer", "command")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_OPTIONS = ("ca", "cert", "key")


@dataclass(frozen=True, slots=True)
class BrokerUrl:
    """A checked broker URL.

    Attributes:
        bench: name of this bench among all on the broker.
        ca, cert, key: files of a TLS connection; empty for the system's authorities, and for no client certificate.
    """

    text: str
    host: str
    port: int
    bench: str
    tls: bool = False
    user: str | None = None
    ca: str = ""
    cert: str = ""
    key: str = ""

    def topic(self, subject: str) -> str:
        """Topic of one of ``SUBJECTS``."""
        return f"{ROOT}/{self.bench}/{subject}"

    @property
    def discovery(self) -> str:
        """Topic under which every bench is found."""
        return f"{BENCHES}/{self.bench}"

    def password(self) -> str | None:
        """From the environment, because a URL is seen by everybody who lists processes."""
        return os.environ.get(PASSWORD) if self.user else None

    def tls_context(self) -> ssl.SSLContext | None:
        """What TLS needs; None for a plain connection.

        Raises:
            InputError: a certificate can't be read.
        """
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca or None)
            if self.cert:
                context.load_cert_chain(self.cert, self.key or None)
        except (OSError, ssl.SSLError) as error:
            raise InputError(f"broker {self.text!r}: the certificates can't be used: {error}") from error
        return context


def parse_broker_url(text: str) -> BrokerUrl:
    """Read a broker URL.

    Raises:
        InputError: what is wrong, and what is right.
    """
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise _wrong(text, "the port is a number 1..65535") from None
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
        raise _wrong(text, "it does not say which broker")
    if parts.password is not None:
        raise _wrong(text, f"a password in a URL is seen by others: put it into {PASSWORD}")
    name = unquote(parts.path.strip("/"))
    if not _NAME.fullmatch(name):
        raise _wrong(text, f"{name!r} is no name of a bench: letters, digits, . _ -")
    options = {key: values[-1] for key, values in parse_qs(parts.query, keep_blank_values=True).items()}
    for key, file in options.items():
        if key not in _OPTIONS:
            raise _wrong(text, f"unknown option {key!r}")
        if not Path(file).is_file():
            raise _wrong(text, f"{key}= names no file: {file!r}")
    tls = parts.scheme == "mqtts"
    if options and not tls:
        raise _wrong(text, "certificates are for mqtts:")
    return BrokerUrl(text, parts.hostname, port or (8883 if tls else 1883), name, tls, parts.username, **options)


def _wrong(text: str, why: str) -> InputError:
    return InputError(f"broker {text!r}: {why}; write it as {FORM}")

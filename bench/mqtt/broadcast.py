"""A run that a broker hears of: publisher, teller and commander for as long as it lasts."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from bench.events import Event, RunStarted
from bench.mqtt.address import parse_broker_url
from bench.mqtt.commander import COMMANDS, Commander
from bench.mqtt.publisher import Publisher
from bench.mqtt.signing import read_key
from bench.mqtt.telling import Teller


@dataclass(frozen=True, slots=True)
class Broadcast:
    """What a session is given: who listens to its events, and who goes along with its runs."""

    teller: Teller
    companion: Commander | None

    def tell(self, event: Event) -> None:
        """Hear one event."""
        if self.companion is not None and isinstance(event, RunStarted):
            self.companion.command = event.run.command
        self.teller(event)


@contextmanager
def broadcast(
    broker: str,
    key_file: str | None = None,
    notice: Callable[[str], None] = lambda _: None,
    now: Callable[[], datetime] = lambda: datetime.now().astimezone(),
) -> Iterator[Broadcast]:
    """Tell the broker at a URL what happens; take commands only where there is a key.

    Raises:
        InputError: the URL, a certificate or the key is wrong.
    """
    url = parse_broker_url(broker)
    commander = Commander(read_key(key_file), url.bench, now) if key_file else None
    heard = commander.heard if commander else None
    with Publisher(url, heard=heard, commands=COMMANDS, now=now, notice=notice) as publisher:
        if commander:
            commander.answers_through(publisher)
        yield Broadcast(Teller(publisher), commander)

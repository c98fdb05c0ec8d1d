"""A bench on an MQTT broker: what it does and finds, for whoever subscribes; signed commands, where they are allowed.

`messages.py` is what is said, `address.py` where, `outbox.py` and `publisher.py` how it gets there without ever
holding up a run, `signing.py` and `commander.py` what may be asked of the bench. MQTT.md says it for those who
read the messages.
"""

from importlib.util import find_spec

from bench.errors import InputError


def check_installed() -> None:
    """Refuse what can't be told to a broker before anything is powered.

    Raises:
        InputError: the MQTT client is not installed.
    """
    if find_spec("aiomqtt") is None:
        raise InputError("a broker needs an MQTT client: pip install 'umbilical[mqtt]'")

"""What is said, as JSON: one form a topic; `schema()` is the promise to other programs."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from bench.results import Finding

FORMAT: Literal["umbilical-mqtt/1"] = "umbilical-mqtt/1"
Word = Annotated[str, Field(max_length=200)]
BenchState = Literal["idle", "running", "gone", "lost"]
Verdict = Literal["pass", "fail", "unsure", "not-tested"]


class Message(BaseModel):
    """What every message has: ``sent`` is wall time, ISO 8601 with offset."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal["umbilical-mqtt/1"] = FORMAT
    bench: str
    sent: str


class StateMessage(Message):
    """Topic ``state``, retained. ``lost`` is the last will: the bench's link to the broker broke."""

    kind: Literal["state"] = "state"
    state: BenchState
    board: str = ""
    run: str | None = None
    profile: str | None = None
    step: str | None = None
    dropped: int = Field(0, ge=0, description="Messages that found no room while the broker was away.")


class MeasurementMessage(Message):
    """Topic ``measurement``: one number; with limits and verdict once it is judged."""

    kind: Literal["measurement"] = "measurement"
    run: str
    step: str
    name: str
    value: float | None
    unit: str = Field(description="SI symbol or degC; 1 for a pure number.")
    low: float | None = None
    high: float | None = None
    verdict: Verdict | None = None
    source: str | None = None
    board_s: float | None = Field(None, description="Board clock in seconds, of a live value.")


class FindingMessage(Message):
    """Topic ``finding``: a fault with place, size, evidence, and what to do next."""

    kind: Literal["finding"] = "finding"
    run: str
    step: str
    finding: Finding


class EventMessage(Message):
    """Topic ``event``: something happened, in words."""

    kind: Literal["event"] = "event"
    run: str | None
    what: str
    text: str
    board_s: float | None = None


class VerdictMessage(Message):
    """Topic ``verdict``, retained: the last run's end."""

    kind: Literal["verdict"] = "verdict"
    run: str
    command: str
    profile: str
    unit_number: str | None
    verdict: Verdict
    state: str
    started: str
    duration_s: float
    findings: int
    reason: str | None


class DiscoveryMessage(Message):
    """Topic ``umbilical-benches/NAME``, retained: that there is a bench, and where it speaks."""

    kind: Literal["discovery"] = "discovery"
    umbilical: str
    topics: dict[str, str]
    commands: list[str] = Field(description="What may be asked of it; empty when nothing.")


class AnswerMessage(Message):
    """Topic ``answer``: what became of a command."""

    kind: Literal["answer"] = "answer"
    nonce: str
    done: bool
    text: str


class CommandMessage(BaseModel):
    """Topic ``command``: something asked of the bench, signed with the key that both have."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    command: Literal["stop", "off", "light"]
    circuit: Word | None = None
    at: Word = Field(description="Wall time, ISO 8601 with offset; older than 30 s is refused.")
    nonce: Annotated[str, Field(pattern=r"^[0-9a-f]{16,64}$")] = Field(description="Never used twice.")
    hmac: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] = Field(description="HMAC-SHA-256, see MQTT.md.")


AnyMessage = (
    StateMessage
    | MeasurementMessage
    | FindingMessage
    | EventMessage
    | VerdictMessage
    | DiscoveryMessage
    | AnswerMessage
    | CommandMessage
)


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of every message."""
    title = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Umbilical MQTT messages"}
    return title | TypeAdapter(AnyMessage).json_schema(mode="serialization")

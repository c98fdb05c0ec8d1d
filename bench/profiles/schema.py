"""JSON Schemas of all kinds of files, for editors and other programs."""

from typing import Any

from pydantic import BaseModel

from bench.errors import InputError
from bench.profiles.forms.board_map import BoardForm
from bench.profiles.forms.connector import ConnectorForm
from bench.profiles.forms.harness import HarnessForm
from bench.profiles.forms.lamps import LampsForm
from bench.profiles.forms.limits import LimitsForm
from bench.profiles.forms.measurements import MeasurementsForm
from bench.profiles.forms.scenario import AnswersForm, ScenarioForm
from bench.profiles.forms.sequence import SequenceForm
from bench.profiles.library import near

FORMS: dict[str, type[BaseModel]] = {
    "answers": AnswersForm,
    "board": BoardForm,
    "connector": ConnectorForm,
    "harness": HarnessForm,
    "lamps": LampsForm,
    "limits": LimitsForm,
    "measurements": MeasurementsForm,
    "scenario": ScenarioForm,
    "sequence": SequenceForm,
}


def schema_kinds() -> list[str]:
    """Kinds of files that have a schema."""
    return sorted(FORMS)


def json_schema(kind: str) -> dict[str, Any]:
    """The JSON Schema (2020-12) of a kind of file.

    Raises:
        InputError: there is no such kind.
    """
    if kind not in FORMS:
        raise InputError(f"no kind of file '{kind[:40]}'{near(kind, FORMS)}")
    schema = FORMS[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"Umbilical {kind} file"} | {
        key: value for key, value in schema.items() if key != "title"
    }

"""What is connected and what should be there: profiles, connectors, limits, scenarios.

Frozen results are in :mod:`bench.profiles.model`. The functions below read files; what they
need (pydantic, YAML) is imported at their first use, because most commands print help or talk
to a board before they read anything.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.profiles.board_map import board_map_names, load_board_map
    from bench.profiles.checking import check_file
    from bench.profiles.library import data_root
    from bench.profiles.loading import load_connector, load_limits, load_profile, profile_names
    from bench.profiles.measurements import load_measurements, measurements_document
    from bench.profiles.scenarios import load_answers, load_scenario, scenario_names
    from bench.profiles.schema import json_schema, schema_kinds
    from bench.profiles.sequences import load_sequence, sequence_names
    from bench.profiles.writing import profile_document

_HOMES = {
    "board_map_names": "board_map",
    "check_file": "checking",
    "data_root": "library",
    "json_schema": "schema",
    "load_answers": "scenarios",
    "load_board_map": "board_map",
    "load_connector": "loading",
    "load_limits": "loading",
    "load_measurements": "measurements",
    "load_profile": "loading",
    "load_scenario": "scenarios",
    "load_sequence": "sequences",
    "measurements_document": "measurements",
    "profile_document": "writing",
    "profile_names": "loading",
    "scenario_names": "scenarios",
    "schema_kinds": "schema",
    "sequence_names": "sequences",
}
__all__ = [
    "board_map_names",
    "check_file",
    "data_root",
    "json_schema",
    "load_answers",
    "load_board_map",
    "load_connector",
    "load_limits",
    "load_measurements",
    "load_profile",
    "load_scenario",
    "load_sequence",
    "measurements_document",
    "profile_document",
    "profile_names",
    "scenario_names",
    "schema_kinds",
    "sequence_names",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)

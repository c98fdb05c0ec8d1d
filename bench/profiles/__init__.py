"""What is connected and what should be there: profiles, connectors, limits, scenarios.

Frozen results are in :mod:`bench.profiles.model`. The functions below read files; what they
need (pydantic, YAML) is imported at their first use, because most commands print help or talk
to a board before they read anything.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.profiles.library import data_root as data_root
    from bench.profiles.loading import (
        load_connector as load_connector,
    )
    from bench.profiles.loading import (
        load_limits as load_limits,
    )
    from bench.profiles.loading import (
        load_profile as load_profile,
    )
    from bench.profiles.loading import (
        profile_names as profile_names,
    )

_HOMES = {
    "data_root": "library",
    "load_connector": "loading",
    "load_limits": "loading",
    "load_profile": "loading",
    "profile_names": "loading",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)

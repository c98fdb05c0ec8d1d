"""The doors of this package: names or paths in, frozen dataclasses out, InputError for anything wrong."""

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from bench.profiles import build
from bench.profiles.forms.connector import ConnectorForm
from bench.profiles.forms.harness import HarnessForm
from bench.profiles.forms.lamps import LampForm, LampsForm
from bench.profiles.forms.limits import LimitForm, LimitsForm, LimitsUseForm
from bench.profiles.library import data_root, find, names
from bench.profiles.model import Connector, Limit, Profile
from bench.profiles.problems import fill, referred, refuse
from bench.profiles.source import Document, Loc, read_document
from bench.profiles.variants import with_bases


def profile_names() -> list[str]:
    """Names of the profiles that come with the program."""
    return names("harness")


def load_connector(name_or_path: str | Path) -> Connector:
    """A connector by path or name.

    Raises:
        InputError: no such connector, or its file is wrong.
    """
    return _connector_at(find("connector", name_or_path))


def load_limits(name_or_path: str | Path) -> dict[str, Limit]:
    """The limits of a limits file, by limit name.

    Raises:
        InputError: no such file, or it is wrong.
    """
    return build.limits(_limit_forms_at(find("limits", name_or_path)))


def load_profile(name_or_path: str | Path) -> Profile:
    """A harness profile by path or name.

    Raises:
        InputError: no such profile, or its file (or one that it refers to) is wrong. The message
            has one ``file:line: ...`` line for each thing to put right.
    """
    path = find("harness", name_or_path)
    return profile_of(read_document(path))


def profile_of(document: Document, at: Loc = ()) -> Profile:
    """The profile that ``document`` is, or holds inline at ``at``.

    Raises:
        InputError: as :func:`load_profile`.
    """
    inner = with_bases(document.below(at))
    form = fill(HarnessForm, inner)
    plug = _connector_of(form, inner)
    catalogue = lamp_catalogue(form.nominal_v or plug.nominal_v)
    parts = build.Parts(form.name or document.path.stem, plug, _limits_of(form, inner), catalogue)
    network = build.network(form, plug)
    refuse(inner, build.problems(form, parts, network))
    return build.profile(form, parts, network)


def _connector_of(form: HarnessForm, document: Document) -> Connector:
    if isinstance(form.connector, ConnectorForm):
        return build.connector(form.connector, form.connector.name or "inline")
    return _connector_at(referred(document, ("connector",), "connector", form.connector))


def _limits_of(form: HarnessForm, document: Document) -> Mapping[str, Limit]:
    """The electrical limits and, of a harness with an air system, the air limits beside them."""
    chosen = dict(_chosen_limits(form.limits, document, ("limits",)))
    if form.air is not None:
        air = form.air.limits if form.air.limits is not None else f"air-{form.units}"
        chosen = {**_chosen_limits(air, document, ("air", "limits")), **chosen}
    return build.limits(chosen)


def _chosen_limits(choice: str | LimitsUseForm, document: Document, at: Loc) -> Mapping[str, LimitForm]:
    if isinstance(choice, str):
        return _limit_forms_at(referred(document, at, "limits", choice))
    used: Mapping[str, LimitForm] = {}
    if choice.use is not None:
        used = _limit_forms_at(referred(document, (*at, "use"), "limits", choice.use))
    return {**used, **choice.override}


def _connector_at(path: Path) -> Connector:
    return _read_connector(path, _stamp(path))


def _limit_forms_at(path: Path) -> Mapping[str, LimitForm]:
    return _read_limits(path, _stamp(path))


def lamp_catalogue(nominal_v: int) -> Mapping[str, LampForm]:
    """Lamp types that every profile of a 12 or 24 V system may name."""
    path = data_root() / "lamps" / f"{nominal_v}v.yaml"
    return _read_lamps(path, _stamp(path))


def _stamp(path: Path) -> tuple[int, int]:
    """Changes when the file does, so that what was read may be kept."""
    status = path.stat()
    return status.st_mtime_ns, status.st_size


@lru_cache(maxsize=64)
def _read_connector(path: Path, stamp: tuple[int, int]) -> Connector:  # noqa: ARG001 - part of the cache's key
    return build.connector(fill(ConnectorForm, read_document(path)), path.stem)


@lru_cache(maxsize=64)
def _read_limits(path: Path, stamp: tuple[int, int]) -> Mapping[str, LimitForm]:  # noqa: ARG001
    return fill(LimitsForm, read_document(path)).limits


@lru_cache(maxsize=4)
def _read_lamps(path: Path, stamp: tuple[int, int]) -> Mapping[str, LampForm]:  # noqa: ARG001
    return fill(LampsForm, read_document(path)).lamps


def forget() -> None:
    """Drop what was read; the next load reads every file anew."""
    for reader in (_read_connector, _read_limits, _read_lamps):
        reader.cache_clear()

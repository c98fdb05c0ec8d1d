"""Measurements files: read into what the inference takes, and written from it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Literal

from bench.profiles.faults import places
from bench.profiles.forms.harness import HarnessForm
from bench.profiles.forms.measurements import DriveForm, InrushForm, MeasurementsForm, ReadingForm
from bench.profiles.library import near
from bench.profiles.loading import load_profile, profile_of
from bench.profiles.model import CHASSIS, BoardErrors, Inrush, Measurements, Profile, Reading
from bench.profiles.problems import Problem, fill, referred, refusal, refuse
from bench.profiles.source import Document, read_document

FORMAT = "umbilical-measurements/1"

How = Literal["probe", "pulse", "drive"]


def load_measurements(path: str | Path) -> Measurements:
    """Stored measurements.

    Args:
        path: a JSON file (or the same in YAML).

    Raises:
        InputError: no such file, an unknown key, a pin that the profile's connector lacks, ...
    """
    return measurements_of(read_document(Path(path)))


def measurements_of(document: Document) -> Measurements:
    """The measurements that ``document`` holds.

    What the file leaves out and the inference needs is taken from the rest: the voltage of the
    supply is that of the highest driven pin.

    Raises:
        InputError: as :func:`load_measurements`.
    """
    form = fill(MeasurementsForm, document)
    profile = _profile(form, document)
    refuse(document, list(_problems(form, profile)))
    supply_v = form.supply_v if form.supply_v is not None else _highest_driven_v(form)
    if supply_v is None:
        raise refusal(document, [Problem((), "'supply_v' is missing, and no driven pin shows it")])
    return Measurements(
        profile=profile,
        ambient_c=form.ambient_c,
        supply_v=supply_v,
        board=replace(BoardErrors(), **form.board.model_dump()),
        readings=tuple(_readings(form)),
    )


def _profile(form: MeasurementsForm, document: Document) -> Profile:
    if isinstance(form.profile, HarnessForm):
        return profile_of(document, ("profile",))
    return load_profile(referred(document, ("profile",), "harness", form.profile))


def _rows(form: MeasurementsForm) -> Iterator[tuple[How, int, ReadingForm]]:
    """Every reading, with the list it stands in and its place there."""
    lists: tuple[tuple[How, Sequence[ReadingForm]], ...] = (
        ("probe", form.probe),
        ("pulse", form.pulse),
        ("drive", form.drive),
    )
    for how, readings in lists:
        for i, reading in enumerate(readings):
            yield how, i, reading


def _problems(form: MeasurementsForm, profile: Profile) -> Iterator[Problem]:
    if form.nominal_v not in (None, profile.nominal_v):
        yield Problem(
            ("nominal_v",), f"profile '{profile.name}' is a {profile.nominal_v} V one, not {form.nominal_v} V"
        )
    there = {str(pin.number) for pin in profile.connector.pins}
    live = {str(number) for number in profile.connector.live_pins}
    nodes = places(profile).nodes
    for how, i, reading in _rows(form):
        for pin in sorted(set(reading.driven) - live):
            yield Problem((how, i, "driven"), f"pin {pin} is no live pin of {profile.connector.name}")
        if reading.sense_at is not None and reading.sense_at not in nodes:
            yield Problem((how, i, "sense_at"), f"no node '{reading.sense_at}'{near(reading.sense_at, nodes)}")
        for key, pins in (("pin_v", reading.pin_v), ("pin_a", reading.pin_a)):
            for pin in sorted(pins.keys() - there):
                yield Problem((how, i, key, pin), f"{profile.connector.name} has no pin {pin}")


def _highest_driven_v(form: MeasurementsForm) -> float | None:
    return max((row.pin_v[pin] for row in form.drive for pin in row.driven if pin in row.pin_v), default=None)


def _readings(form: MeasurementsForm) -> Iterator[Reading]:
    for how, _, row in _rows(form):
        reading = Reading(
            how=how,
            returns=row.returns,
            driven=tuple(int(pin) for pin in row.driven),
            pin_v=_by_number(row.pin_v),
            pin_a=_by_number(row.pin_a),
            return_a={str(name): current_a for name, current_a in row.return_a.items()},
            chassis_sense_v=row.chassis_sense_v,
            supply_v=row.supply_v,
            sense_at=row.sense_at or CHASSIS,
        )
        yield _as_driven(reading, row) if isinstance(row, DriveForm) else reading


def _by_number(values: Mapping[str, float]) -> dict[int, float]:
    return {int(pin): value for pin, value in values.items()}


def _as_driven(reading: Reading, row: DriveForm) -> Reading:
    inrush = _inrush(row.inrush) if row.inrush is not None else None
    return replace(reading, level=row.level, limited=row.limited, tripped=row.tripped, inrush=inrush)


def _inrush(form: InrushForm) -> Inrush:
    return Inrush(form.dt_s, tuple(form.a), tuple(form.v))


# --- writing ---


def measurements_document(measurements: Measurements, *, profile: str | Mapping[str, Any]) -> dict[str, Any]:
    """Measurements as the plain data of a file.

    Args:
        measurements: what was measured.
        profile: the profile's name, or all of it as :func:`bench.profiles.profile_document` gives it.
    """
    rows: dict[str, list[dict[str, Any]]] = {"probe": [], "pulse": [], "drive": []}
    for reading in measurements.readings:
        rows[reading.how].append(_row(reading))
    return {
        "format": FORMAT,
        "profile": profile if isinstance(profile, str) else dict(profile),
        "nominal_v": measurements.profile.nominal_v,
        "ambient_c": measurements.ambient_c,
        "supply_v": measurements.supply_v,
        "board": asdict(measurements.board),
        **{kind: each for kind, each in rows.items() if each},
    }


def _row(reading: Reading) -> dict[str, Any]:
    driven = [str(pin) for pin in reading.driven]
    row: dict[str, Any] = {
        "return": reading.returns,
        "driven": driven[0] if len(driven) == 1 else driven,
        "pin_v": _by_text(reading.pin_v),
    }
    optional = {
        "pin_a": _by_text(reading.pin_a),
        "return_a": dict(reading.return_a),
        "chassis_sense_v": reading.chassis_sense_v,
        "sense_at": reading.sense_at if reading.sense_at != CHASSIS else None,
        "supply_v": reading.supply_v,
    }
    row |= {key: value for key, value in optional.items() if value not in (None, {})}
    return row | _drive_row(reading) if reading.how == "drive" else row


def _drive_row(reading: Reading) -> dict[str, Any]:
    row: dict[str, Any] = {"level": reading.level}
    row |= {key: True for key in ("limited", "tripped") if getattr(reading, key)}
    if reading.inrush is not None:
        row["inrush"] = {"dt_s": reading.inrush.dt_s, "a": list(reading.inrush.a), "v": list(reading.inrush.v)}
    return row


def _by_text(values: Mapping[int, float]) -> dict[str, float]:
    return {str(pin): value for pin, value in values.items()}

"""Harness files: connector, circuits, wires, joints and loads as a person reads them off a drawing."""

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from bench.profiles.forms.abs import AbsForm
from bench.profiles.forms.air import AirForm
from bench.profiles.forms.common import AreaMm2, Form, Gauge, Name, NominalV, PinKey, PinNumber, Text, Title
from bench.profiles.forms.connector import ConnectorForm
from bench.profiles.forms.lamps import ControlUnitForm, DiodeForm, FilamentForm, LampForm, LedForm, ResistorForm
from bench.profiles.forms.limits import LimitsChoice
from bench.profiles.forms.limits import Reference as Reference
from bench.profiles.forms.limits import name_or_inline as name_or_inline
from bench.profiles.model import Protection, Tolerances

Length = Annotated[float, Field(gt=0, le=1000)]
MilliOhm = Annotated[float, Field(ge=0, le=1e6)]
Share = Annotated[float, Field(ge=0, le=2)]

_USUAL = Tolerances()
_GENTLE = Protection()


class CircuitForm(Form):
    """What one live pin feeds."""

    pin: PinNumber
    title: Title
    lit: bool = Field(True, description="False when there is nothing to look at (an ABS supply).")


class _Length(Form):
    length_m: Length | None = None
    length_ft: Annotated[float, Field(gt=0, le=3000)] | None = None
    length_in: Annotated[float, Field(gt=0, le=36000)] | None = None

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        given = [each for each in (self.length_m, self.length_ft, self.length_in) if each is not None]
        if len(given) != 1:
            raise ValueError("give one length: 'length_m', 'length_ft' or 'length_in'")
        return self


class CableForm(_Length):
    """Several wires side by side between two places: core ``x`` runs from ``FROM.x`` to ``TO.x``."""

    start: Name = Field(alias="from")
    end: Name = Field(alias="to")
    awg: dict[Name, Gauge] = Field(default_factory=dict, max_length=100, description="Cores by name, with their gauge.")
    mm2: dict[Name, AreaMm2] = Field(default_factory=dict, max_length=100, description="Cores by name, in mm².")

    @model_validator(mode="after")
    def _cores(self) -> Self:
        if not self.awg and not self.mm2:
            raise ValueError("a cable needs cores: 'awg: {stop: 12, ...}' or 'mm2: {stop: 1.5, ...}'")
        twice = sorted(set(self.awg) & set(self.mm2))
        if twice:
            raise ValueError(f"core '{twice[0]}' is under both 'awg' and 'mm2'")
        return self


class SegmentForm(_Length):
    """One wire between two nodes."""

    start: Name = Field(alias="from")
    end: Name = Field(alias="to")
    awg: Gauge | None = None
    mm2: AreaMm2 | None = None

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if (self.awg is None) == (self.mm2 is None):
            raise ValueError("give one wire size: 'awg' or 'mm2'")
        return self


class JointForm(Form):
    """A contact, splice, bond or ring terminal between two nodes."""

    start: Name = Field(alias="from")
    end: Name = Field(alias="to")
    milliohm: MilliOhm = Field(3.0, description="Good contacts have 1 to 5 mΩ.")


class PlugForm(Form):
    """Several contacts side by side: ``FROM.x`` meets ``TO.x`` for every core ``x``."""

    start: Name = Field(alias="from")
    end: Name = Field(alias="to")
    cores: list[Name] = Field(min_length=1, max_length=100)
    milliohm: MilliOhm = Field(3.0, description="Of each contact; good ones have 1 to 5 mΩ.")


class LoadForm(Form):
    """What a circuit feeds; exactly one of the kinds."""

    title: Title | None = Field(None, description="What a person calls it; made from the name when absent.")
    start: Name = Field(alias="from", description="The fed side.")
    end: Name = Field(alias="to", description="The return side.")
    circuit: Name | None = Field(None, description="The circuit that feeds it; found from the wiring when absent.")
    place: Annotated[str, Field(max_length=100)] = Field("", description="Where a person finds it: 'rear left'.")
    tolerance: Annotated[float, Field(gt=0, le=1)] | None = None
    lamp: Name | None = Field(None, description="A lamp type of this file or of the lamp catalogue.")
    filament: FilamentForm | None = None
    led: LedForm | None = None
    resistor: ResistorForm | None = None
    diode: DiodeForm | None = None
    control_unit: ControlUnitForm | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = ("lamp", "filament", "led", "resistor", "diode", "control_unit")
        if sum(getattr(self, kind) is not None for kind in kinds) != 1:
            raise ValueError(f"say what it is with exactly one of {', '.join(kinds)}")
        return self


class TolerancesForm(Form):
    """How far a sound harness may be from its drawing; relative, two sigma."""

    lamp_current: Share = _USUAL.lamp_current
    joint_resistance: Share = _USUAL.joint_resistance
    length: Share = _USUAL.length
    control_unit_current: Share = _USUAL.control_unit_current
    wire_temperature_k: Annotated[float, Field(ge=0, le=100)] = _USUAL.wire_temperature_k


class ProtectionForm(Form):
    """Channel settings the harness asks of the board."""

    start_limit_a: Annotated[float, Field(ge=0.1, le=20)] = _GENTLE.start_limit_a
    start_time_s: Annotated[float, Field(ge=0, le=0.1)] = _GENTLE.start_time_s
    limit_a: Annotated[float, Field(ge=0.1, le=20)] = _GENTLE.limit_a
    limit_time_s: Annotated[float, Field(ge=0.001, le=1)] = _GENTLE.limit_time_s
    energy_a2s: Annotated[float, Field(gt=0, le=60)] = _GENTLE.energy_a2s
    retry_pause_s: Annotated[float, Field(ge=0.1, le=60)] = _GENTLE.retry_pause_s
    retries: Annotated[int, Field(ge=0, le=10)] = _GENTLE.retries
    rms_limit_a: Annotated[float, Field(ge=0.1, le=20)] = _GENTLE.rms_limit_a
    wiggle_limit_a: Annotated[float, Field(ge=0.1, le=10)] = _GENTLE.wiggle_limit_a
    wiggle_time_s: Annotated[float, Field(ge=0.001, le=0.02)] = _GENTLE.wiggle_time_s
    wiggle_period_s: Annotated[float, Field(ge=0.05, le=10)] = _GENTLE.wiggle_period_s


ConnectorChoice = Annotated[
    Annotated[Reference, Tag("name")] | Annotated[ConnectorForm, Tag("inline")], Discriminator(name_or_inline)
]


class HarnessForm(Form):
    """A trailer's or another harness's wiring."""

    extends: Reference | None = Field(None, description="A profile this one is a variant of; null removes an entry.")
    name: Name | None = Field(None, description="Only where a profile stands inside another file.")
    title: Title
    kind: Literal["trailer", "harness"]
    connector: ConnectorChoice
    nominal_v: NominalV | None = Field(None, description="The connector's, when absent.")
    units: Literal["us", "metric"] = Field("us", description="What people are shown beside SI.")
    notes: Text = ""
    limits: LimitsChoice
    circuits: dict[Name, CircuitForm] = Field(min_length=1, max_length=256)
    channels: dict[PinKey, Annotated[int, Field(ge=1, le=128)]] | None = Field(
        None, description="Live pin to board channel; the n-th live pin is on channel n when absent."
    )
    lamps: dict[Name, LampForm] = Field(default_factory=dict, max_length=200)
    cables: dict[Name, CableForm] = Field(default_factory=dict, max_length=200)
    plugs: dict[Name, PlugForm] = Field(default_factory=dict, max_length=200)
    segments: dict[Name, SegmentForm] = Field(default_factory=dict, max_length=1000)
    joints: dict[Name, JointForm] = Field(default_factory=dict, max_length=1000)
    loads: dict[Name, LoadForm] = Field(default_factory=dict, max_length=500)
    tolerances: TolerancesForm = TolerancesForm()
    protection: ProtectionForm = ProtectionForm()
    abs: AbsForm | None = Field(None, description="How its ABS unit is asked for blink codes, and what they mean.")
    air: AirForm | None = Field(None, description="The air system, when it has air brakes.")

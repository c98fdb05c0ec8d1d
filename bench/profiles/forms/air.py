"""The ``air`` section of a harness file (an air system off its drawing) and of a scenario file (what it plays)."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from bench.profiles.air_model import AirFaultKind, AirQuantity, Side
from bench.profiles.forms.common import Form, Name, Title
from bench.profiles.forms.limits import LimitsChoice

LineLength = Annotated[float, Field(gt=0, le=200)]
Range = Annotated[list[Annotated[float, Field(ge=-1e6, le=1e6)]], Field(min_length=2, max_length=2)]
ChamberType = Annotated[str, StringConstraints(pattern=r"^[1-9][0-9]?$")]
InputKey = Annotated[str, StringConstraints(pattern=r"^[1-6]$")]
Seconds = Annotated[float, Field(ge=0, le=1e7)]
Psi = Annotated[float, Field(ge=0, le=200)]
Kpa = Annotated[float, Field(ge=0, le=1400)]
SmallPsi = Annotated[float, Field(ge=-5, le=5)]
Rate = Annotated[float, Field(gt=0, le=3000)]
StrokeIn = Annotated[float, Field(ge=0, le=4)]
StrokeMm = Annotated[float, Field(ge=0, le=100)]


def at_most_one(form: Form, *keys: str) -> None:
    """Refuse the same thing said in two units."""
    given = [key for key in keys if getattr(form, key) is not None]
    if len(given) > 1:
        raise ValueError(f"'{given[0]}' and '{given[1]}' say the same thing: give one of them")


class WheelEndForm(Form):
    """One brake."""

    title: Title | None = Field(None, description="What a person calls it; made from the name when absent.")
    axle: Annotated[int, Field(ge=1, le=9)] = Field(description="Counted from the front.")
    side: Side
    chamber: ChamberType = Field("30", description="Type number in quotes: the effective area in square inches.")
    long_stroke: bool = False
    spring: bool = Field(True, description="Has a spring (parking) brake.")


class AirInputForm(Form):
    """What one analogue input of the board measures; outside its range the sensor is not plausible."""

    measures: AirQuantity
    wheel_end: Name | None = Field(None, description="Whose chamber or stroke it is.")
    range_psi: Range | None = None
    range_kpa: Range | None = None
    range_mm: Range | None = None
    range_c: Range | None = None
    filter_ms: Annotated[float, Field(ge=0, le=1000)] = Field(
        0.0, description="Known delay of sensor and filter, corrected in timing."
    )

    @model_validator(mode="after")
    def _range_of_its_kind(self) -> Self:
        wanted = {"stroke": ("range_mm",), "tank-skin": ("range_c",)}.get(self.measures, ("range_psi", "range_kpa"))
        for key in ("range_psi", "range_kpa", "range_mm", "range_c"):
            given = getattr(self, key)
            if given is not None and key not in wanted:
                raise ValueError(f"'{key}' is no range of {self.measures}: use '{wanted[0]}'")
            if given is not None and given[0] >= given[1]:
                raise ValueError(f"'{key}' runs from low to high, not from {given[0]:g} to {given[1]:g}")
        at_most_one(self, "range_psi", "range_kpa")
        return self


class AirForm(Form):
    """An air system as its drawing says."""

    vehicle: Literal["semitrailer", "towing-trailer", "dolly"] = Field(
        description="Row of the timing table: an ordinary semitrailer, one that tows another, a converter dolly."
    )
    limits: LimitsChoice | None = Field(None, description="Air limits; air-us or air-metric by 'units' when absent.")
    reservoir_in3: Annotated[float, Field(gt=0, le=30_000)] | None = None
    reservoir_l: Annotated[float, Field(gt=0, le=500)] | None = None
    wheel_ends: dict[Name, WheelEndForm] = Field(min_length=1, max_length=18)
    inputs: dict[InputKey, AirInputForm] = Field(
        default_factory=dict, max_length=6, description="By number of the board's analogue input."
    )
    check_valve: bool = Field(True, description="The reservoir is guarded against flow back into the supply line.")
    supply_line_ft: LineLength | None = None
    supply_line_m: LineLength | None = None
    service_line_ft: LineLength | None = None
    service_line_m: LineLength | None = None
    line_bore_mm: Annotated[float, Field(gt=1, le=30)] = 9.5
    regulators: Literal["electronic", "hand"] = "hand"
    valves: bool = Field(True, description="The bench has its four valves; without them a person works the taps.")
    fill_conductance: Annotated[float, Field(gt=0, le=100)] | None = Field(
        None, description="Sonic conductance of the bench's supply fill path, L/(s bar), ISO 6358; meters the volume."
    )
    fill_critical_ratio: Annotated[float, Field(ge=0, lt=1)] = 0.3
    modulators: Annotated[int, Field(ge=0, le=6)] = Field(0, description="ABS modulators that can be exercised.")
    electrical_supply: Name | None = Field(None, description="Circuit that feeds the modulators.")

    @model_validator(mode="after")
    def _one_unit_each(self) -> Self:
        at_most_one(self, "supply_line_ft", "supply_line_m")
        at_most_one(self, "service_line_ft", "service_line_m")
        if (self.reservoir_in3 is None) == (self.reservoir_l is None):
            raise ValueError("give one reservoir volume, of all reservoirs together: 'reservoir_in3' or 'reservoir_l'")
        return self


class AirFaultForm(Form):
    """One fault of the simulated air system."""

    kind: AirFaultKind
    place: Name = Field(description="Where a leak is; supply or service; a valve; a wheel end.")
    psi_per_min: Rate | None = Field(None, description="Fall at 100 psi in the volume the leak drains, all settled.")
    kpa_per_min: Rate | None = None
    stroke_in: StrokeIn | None = None
    stroke_mm: StrokeMm | None = None
    pressure_psi: Psi | None = None
    pressure_kpa: Kpa | None = None
    share: Annotated[float, Field(gt=0, le=1)] | None = Field(None, description="Flow left, of a sound one's.")
    at_s: Seconds = Field(0.0, description="Simulated time at which it begins.")
    until_s: Seconds | None = None

    @model_validator(mode="after")
    def _one_unit_each(self) -> Self:
        at_most_one(self, "psi_per_min", "kpa_per_min")
        at_most_one(self, "stroke_in", "stroke_mm")
        at_most_one(self, "pressure_psi", "pressure_kpa")
        if self.until_s is not None and self.until_s <= self.at_s:
            raise ValueError(f"'until_s' ({self.until_s:g}) must be after 'at_s' ({self.at_s:g})")
        return self


class AirScenarioForm(Form):
    """A simulated air system: its source, its surroundings, its sensors, what is wrong with it."""

    source_psi: Psi | None = None
    source_kpa: Kpa | None = None
    start_psi: Psi | None = Field(None, description="In the reservoir when the simulation begins; empty when absent.")
    start_kpa: Kpa | None = None
    ambient_drift_k_per_min: Annotated[float, Field(ge=-10, le=10)] = 0.0
    convection: Annotated[float, Field(gt=0, le=10)] = Field(
        1.0, description="Of the reservoir's film: 0.3 is a weakly convecting tank."
    )
    sensor_noise_psi: Annotated[float, Field(ge=0, le=5)] | None = None
    sensor_drift_psi_per_sqrt_min: Annotated[float, Field(ge=0, le=5)] | None = None
    sensor_zero_psi: SmallPsi | None = None
    spread: Annotated[float, Field(ge=0, le=3)] = Field(1.0, description="Build tolerance used; 0: exactly as drawn.")
    strokes_in: dict[Name, StrokeIn] = Field(default_factory=dict, max_length=18, description="By wheel end.")
    strokes_mm: dict[Name, StrokeMm] = Field(default_factory=dict, max_length=18)
    faults: list[AirFaultForm] = Field(default_factory=list, max_length=50)

    @model_validator(mode="after")
    def _one_unit_each(self) -> Self:
        at_most_one(self, "source_psi", "source_kpa")
        at_most_one(self, "start_psi", "start_kpa")
        return self

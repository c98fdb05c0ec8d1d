"""Map files: which coils and registers of ordinary Modbus modules mean which quantity of a board."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from bench.profiles.forms.common import Form, Text, Title

Unit = Annotated[
    int, Field(ge=1, le=247, description="Modbus unit of the module; the one of the board's URL if left out.")
]
Address = Annotated[int, Field(ge=0, le=65_535, description="Counted from 0, as on the wire.")]
ChannelKey = Annotated[str, StringConstraints(pattern=r"^([1-9]|1[0-6])$")]


class CoilForm(Form):
    """One relay."""

    coil: Address
    unit: Unit | None = None


class InputForm(Form):
    """One analogue input: value = raw * scale + offset."""

    register_: Address = Field(alias="register")
    unit: Unit | None = None
    table: Literal["input", "holding"] = Field("input", description="Read with function 4 or 3.")
    signed: bool = False
    scale: float = Field(description="Of one step, in V, A or degC.")
    offset: float = 0.0


class RelaysForm(Form):
    """What closes when a coil is on."""

    channels: dict[ChannelKey, CoilForm] = Field(min_length=1, description="Ties the channel's pin to the supply.")
    probe: dict[ChannelKey, CoilForm] | None = Field(
        None, description="Ties the pin to the supply through the probe resistor."
    )
    return_pin: CoilForm | None = Field(None, description="Ties the connector's ground pin to the negative side.")
    return_chassis: CoilForm | None = Field(None, description="The same for the chassis clamp.")


class InputsForm(Form):
    """What the registers mean."""

    supply_v: InputForm
    supply_a: InputForm | None = None
    voltage: dict[ChannelKey, InputForm] = Field(description="Of each channel's pin, driven or not.")
    current: dict[ChannelKey, InputForm] | None = Field(
        None, description="Of each channel; without it the supply's current counts, one channel at a time."
    )
    return_pin_a: InputForm | None = None
    return_chassis_a: InputForm | None = None
    ambient_c: InputForm | None = None


class AccuracyForm(Form):
    """Standard uncertainties of the inputs."""

    voltage_gain: float = Field(0.005, gt=0, lt=0.2)
    voltage_offset_v: float = Field(0.01, gt=0, lt=1)
    current_gain: float = Field(0.03, gt=0, lt=0.2)
    current_offset_a: float = Field(0.03, gt=0, lt=1)


class BoardForm(Form):
    """An ordinary Modbus relay module and analogue module as a board."""

    title: Title
    notes: Text = ""
    fuse_a: float = Field(gt=0, le=20, description="Rating of the fuse in each channel.")
    probe_ohm: float | None = Field(None, ge=100, le=6000, description="Where there are probe relays.")
    pull_down_ohm: float = Field(ge=1000, le=6_000_000, description="From each pin to the board's negative side.")
    settle_s: float = Field(
        0.05, ge=0.005, le=1, description="From a coil's write until relay and filter have followed."
    )
    accuracy: AccuracyForm = AccuracyForm()
    relays: RelaysForm
    inputs: InputsForm

"""What a reading would have been on a harness that is as its drawing says."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from bench.electrical.harness import Harness, build
from bench.electrical.network import predict
from bench.profiles.model import Measurements, Reading


@dataclass(frozen=True, slots=True)
class Drawn:
    """One reading of a sound harness, the fed pins held at what was measured on them.

    Attributes:
        load_v: across each load, by name.
        ground_v: of each load's return side, by name.
    """

    pin_v: Mapping[int, float]
    pin_a: Mapping[int, float]
    return_a: Mapping[str, float]
    load_v: Mapping[str, float]
    ground_v: Mapping[str, float]


class Drawing:
    """The harness of ``measurements``, ready to be asked about one reading after the other."""

    def __init__(self, measurements: Measurements) -> None:
        self._measurements = measurements
        self._harness: Harness = build(measurements.profile)

    def of(self, reading: Reading) -> Drawn:
        """The reading as the drawing has it."""
        harness = self._harness
        solution = predict(replace(self._measurements, readings=(reading,)), harness)
        volts = solution.node_v[0]
        a, b = harness.load_ends
        names = [load.name for load in harness.loads]
        return Drawn(
            pin_v=dict(zip(harness.pins, volts[harness.pin_nodes].tolist(), strict=True)),
            pin_a=dict(zip(harness.pins, solution.pin_a[0].tolist(), strict=True)),
            return_a={"pin": float(solution.pin_return_a[0]), "chassis": float(solution.chassis_return_a[0])},
            load_v=dict(zip(names, (volts[a] - volts[b]).tolist(), strict=True)),
            ground_v=dict(zip(names, volts[b].tolist(), strict=True)),
        )

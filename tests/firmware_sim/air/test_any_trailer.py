"""Whatever the drawing, the faults and the valves: the plant goes on, and no pressure is made from nothing."""

from dataclasses import replace
from typing import get_args

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.profiles.air_model import PA_PER_PSI, AirFault, AirInput, AirSystem, LeakPlace, WheelEnd
from bench.profiles.chambers import CHAMBERS
from firmware_sim.air.flow import ATMOSPHERE_PA
from firmware_sim.air.plant import TrailerAir
from tests.firmware_sim.air.trailers import QUIET, scenario

ONE_CHAMBER = AirInput(3, "chamber", "end-0")


@st.composite
def systems(draw: st.DrawFn) -> AirSystem:
    kinds = st.tuples(st.sampled_from(list(CHAMBERS)), st.booleans(), st.booleans())
    ends = tuple(
        WheelEnd(f"end-{i}", "", i // 2 + 1, ("left", "right")[i % 2], *kind)
        for i, kind in enumerate(draw(st.lists(kinds, min_size=1, max_size=6)))
    )
    return AirSystem(
        vehicle="semitrailer",
        reservoir_m3=draw(st.floats(0.005, 0.4)),
        wheel_ends=ends,
        inputs=(AirInput(1, "supply"), AirInput(2, "service"), ONE_CHAMBER),
        check_valve=draw(st.booleans()),
        supply_line_m=draw(st.floats(0.5, 60)),
        service_line_m=draw(st.floats(0.5, 60)),
        line_bore_m=draw(st.floats(0.004, 0.02)),
        regulators=draw(st.sampled_from(["electronic", "hand"])),
        modulators=draw(st.integers(0, 6)),
    )


def fault(kind: str, places: tuple[str, ...], **size: st.SearchStrategy[float]) -> st.SearchStrategy[AirFault]:
    return st.builds(AirFault, st.just(kind), st.sampled_from(places), at_s=st.floats(0, 30), **size)


faults = st.one_of(
    fault("leak", get_args(LeakPlace), psi_per_min=st.floats(0.1, 500)),
    fault("hose-off", ("supply", "service")),
    fault("slow-release", ("service", "end-0"), value=st.floats(0.01, 1)),
    fault("slow-application", ("service", "end-0"), value=st.floats(0.01, 1)),
    fault("valve-stuck-open", ("supply-fill", "service-exhaust")),
    fault("stroke", ("end-0",), value=st.floats(0, 0.09)),
)
moves = st.lists(st.tuples(st.integers(0, 15), st.sampled_from([0.002, 0.05, 0.7, 6.0, 200.0])), min_size=2, max_size=6)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(system=systems(), wrong=st.lists(faults, max_size=3), moves=moves, start_psi=st.floats(0, 120))
def test_any_trailer_with_any_faults_can_be_worked_in_any_way(profile, system, wrong, moves, start_psi):
    air = replace(QUIET, start_pa=start_psi * PA_PER_PSI, spread=1.0)
    plant = TrailerAir(scenario(profile, *wrong, system=system, air=air))
    if plant.regulators:
        plant.regulate(0, round(100 * PA_PER_PSI))
        plant.regulate(1, round(85 * PA_PER_PSI))
    volumes = 11 + len(system.wheel_ends)
    for energised, seconds in moves:
        plant.switch(energised)
        plant.advance(plant.time_s + seconds)
        pressures = plant.state()[:volumes]
        assert np.isfinite(plant.state()).all()
        assert pressures.min() > 0.5 * ATMOSPHERE_PA
        assert pressures.max() < 1.5 * max(start_psi, 100) * PA_PER_PSI + ATMOSPHERE_PA, "a fast fill warms the air"
        assert all(isinstance(raw, int) for raw in plant.readings())

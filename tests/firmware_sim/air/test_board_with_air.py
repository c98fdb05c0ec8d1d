"""The firmware's protection with real air behind its valves, and the scenarios that come along."""

import pytest

from bench.contract.readings import read_identity
from bench.contract.table import IDENTITY, Capability, CommandCode, EventKind, Fault, Refusal, Valve
from bench.profiles import load_scenario, scenario_names
from bench.profiles.air_model import PA_PER_PSI
from firmware_sim.air.plant import TrailerAir
from firmware_sim.simulator import Simulator
from tests.firmware_sim.air.trailers import APPLY, CHARGE, run
from tests.firmware_sim.host import Host

CEILING_PA = round(135 * PA_PER_PSI)
AIR_SCENARIOS = [name for name in scenario_names() if name.startswith("air-")]


def armed(scenario: str = "healthy-air", ceiling_pa: int = CEILING_PA) -> Host:
    host = Host(Simulator(load_scenario(scenario)).board)
    host.arm()
    assert host.set_board(500, ceiling_pa, 12_000) is Refusal.NONE
    return host


def energise(host: Host, *valves: Valve, longest_s: float = 300.0) -> None:
    for valve in valves:
        assert host.command(CommandCode.VALVE, valve, 1, round(longest_s * 1000)) is Refusal.NONE


def psi(host: Host) -> tuple[float, float, float]:
    """Supply, service and chamber as the board reads them."""
    supply, service, chamber, *_ = (raw / PA_PER_PSI for raw in host.snapshot().air)
    return supply, service, chamber


def test_the_board_says_what_air_it_has():
    host = armed()
    _, *registers = host.board.read_registers(IDENTITY.start(), IDENTITY.length())
    identity = read_identity(registers)

    assert (identity.air_inputs, identity.valves) == (3, 4)
    assert Capability.AIR in identity.capabilities
    assert Capability.REGULATOR not in identity.capabilities, "this bench's regulators are set by hand"


def test_charging_applying_and_making_safe_does_what_a_trailer_does():
    host = armed()
    energise(host, Valve.SUPPLY_EXHAUST, Valve.SUPPLY_FILL)
    host.wait(90.0, kicking=True)
    assert psi(host) == pytest.approx((100, 0, 0), abs=1.5)

    energise(host, Valve.SERVICE_EXHAUST, Valve.SERVICE_FILL)
    host.wait(30.0, kicking=True)
    assert psi(host) == pytest.approx((100, 100, 97), abs=2)

    host.command(CommandCode.VALVE, Valve.SERVICE_FILL, 0)
    host.command(CommandCode.VALVE, Valve.SERVICE_EXHAUST, 0)
    host.wait(3.0, kicking=True)
    assert psi(host) == pytest.approx((100, 0, 0), abs=1.5)

    host.command(CommandCode.SAFE)
    host.wait(20.0, kicking=True)
    supply, service, chamber = psi(host)
    assert supply == pytest.approx(0, abs=1)
    assert service == pytest.approx(0, abs=1)
    assert chamber > 80, "the emergency part applies"


def test_over_pressure_trips_at_the_ceiling_and_both_lines_exhaust():
    host = armed(ceiling_pa=round(80 * PA_PER_PSI))
    energise(host, Valve.SUPPLY_EXHAUST, Valve.SUPPLY_FILL, Valve.SERVICE_EXHAUST)
    host.wait(60.0, kicking=True)

    seen = host.snapshot()
    assert (seen.faults, seen.valves) == (Fault.OVER_PRESSURE, 0)
    assert psi(host)[0] < 1
    assert host.command(CommandCode.VALVE, Valve.SUPPLY_FILL, 1, 1000) is Refusal.FAULT_LATCHED


def test_the_trip_comes_within_a_tick_of_the_crossing():
    simulator = Simulator(load_scenario("healthy-air"))
    host = Host(simulator.board)
    host.arm()
    host.set_board(500, 400_000, 12_000)
    energise(host, Valve.SERVICE_EXHAUST, Valve.SERVICE_FILL)
    highest = 0.0
    for _ in range(200):
        host.wait(0.001)
        highest = max(highest, simulator.air.highest_pressure_pa())

    assert host.snapshot().faults == Fault.OVER_PRESSURE
    assert 400_000 < highest < 400_000 + 0.002 * 100e5, "a service line fills at most 100 bar a second"


def test_a_silent_host_releases_the_brakes():
    host = armed()
    energise(host, Valve.SUPPLY_EXHAUST, Valve.SUPPLY_FILL)
    host.wait(60.0, kicking=True)
    energise(host, Valve.SERVICE_EXHAUST, Valve.SERVICE_FILL)
    host.wait(0.4)
    assert psi(host)[1] > 90

    host.wait(0.4)
    assert host.snapshot().faults == Fault.HOST_SILENT
    assert psi(host)[1] < 20


def test_a_valve_that_is_on_too_long_is_let_go_and_told():
    host = armed()
    energise(host, Valve.SERVICE_EXHAUST, Valve.SERVICE_FILL, longest_s=2.0)
    host.wait(1.9, kicking=True)
    assert psi(host)[1] > 95

    host.wait(1.0, kicking=True)
    assert psi(host)[1] < 5
    assert [event for event in host.all_events() if event[0] == EventKind.VALVE] == [
        (EventKind.VALVE, Valve.SERVICE_EXHAUST, 1),
        (EventKind.VALVE, Valve.SERVICE_FILL, 1),
        (EventKind.VALVE, Valve.SERVICE_EXHAUST, 0),
        (EventKind.VALVE, Valve.SERVICE_FILL, 0),
    ]


def test_abs_power_from_its_circuit_exercises_the_modulators():
    simulator = Simulator(load_scenario("healthy-air"))
    host = Host(simulator.board)
    host.arm()
    host.set_board(500, CEILING_PA, 12_000)
    energise(host, Valve.SUPPLY_EXHAUST, Valve.SUPPLY_FILL, Valve.SERVICE_EXHAUST, Valve.SERVICE_FILL)
    host.wait(120.0, kicking=True)
    host.command(CommandCode.VALVE, Valve.SUPPLY_FILL, 0)
    host.wait(20.0, kicking=True)
    before = psi(host)[2]
    profile = load_scenario("healthy-air").profile
    host.command(CommandCode.DRIVE, profile.channel_of_pin[profile.circuit("abs").pin], 1000)
    lowest = before
    for _ in range(150):
        host.wait(0.01, kicking=True)
        host.command(CommandCode.KICK)
        lowest = min(lowest, psi(host)[2])

    assert lowest < before - 5, "the rear right chamber let air out"


@pytest.mark.parametrize("name", AIR_SCENARIOS)
def test_a_scenario_that_comes_along_can_be_played(name):
    plant = TrailerAir(load_scenario(name))
    run(plant, CHARGE, 10.0)
    run(plant, APPLY, 1.0)

    assert all(-60 < raw / PA_PER_PSI < 120 for raw in plant.readings())


def test_two_trailers_can_be_played_in_turn():
    """The integrator keeps no state outside its own trailer."""
    both, alone = (armed(), armed("air-stroke")), armed()
    for host in (*both, alone):
        energise(host, Valve.SUPPLY_EXHAUST, Valve.SUPPLY_FILL)
    for _ in range(8):
        for host in both:
            host.wait(0.25, kicking=True)
            host.command(CommandCode.KICK)
    for _ in range(8):
        alone.wait(0.25, kicking=True)
        alone.command(CommandCode.KICK)

    assert both[0].snapshot().air == alone.snapshot().air

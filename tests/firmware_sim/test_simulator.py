"""Harness, converters and firmware together, from a scenario."""

import pytest

from bench.contract.readings import read_identity
from bench.contract.table import IDENTITY, ChannelState, CommandCode, EventKind, Fault, TripReason
from bench.profiles import load_profile
from bench.profiles.model import InjectedFault, Profile, Scenario, SenseErrors
from firmware_sim.simulator import Simulator
from tests.firmware_sim.host import Host

EXACT = SenseErrors(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def trailer() -> Profile:
    return load_profile("tandem-53ft-filament")


def armed(scenario: Scenario) -> Host:
    host = Host(Simulator(scenario).board)
    host.arm()
    return host


def test_the_board_describes_the_plant_it_is_on(trailer):
    simulator = Simulator(Scenario(trailer, seed=42))
    _, *registers = simulator.read_registers(IDENTITY.start(), IDENTITY.length())

    identity = read_identity(registers)
    assert (identity.channels, identity.serial) == (8, "SIM-0042")
    assert (identity.probe_ohm, identity.pulse_ohm, identity.reference_ohm) == (1000.0, 10.0, 10.0)


def test_a_24_v_board_pulses_through_twice_the_resistance():
    simulator = Simulator(Scenario(load_profile("semitrailer-24v"), supply_v=25.6))
    _, *registers = simulator.read_registers(IDENTITY.start(), IDENTITY.length())

    assert read_identity(registers).pulse_ohm == 20.0


def test_every_circuit_of_a_sound_trailer_comes_on_and_stays_within_its_limits(trailer):
    host = armed(Scenario(trailer))
    for channel in trailer.channel_of_pin.values():
        host.command(CommandCode.DRIVE, channel, 1000)
        host.wait(0.4, kicking=True)
        seen = host.snapshot()
        assert seen.channel(channel).state is ChannelState.ON
        assert seen.return_pin_a + seen.return_chassis_a == pytest.approx(seen.channel(channel).current_a, abs=0.06)
        host.command(CommandCode.OFF, 0xFFFF)
    assert host.snapshot().faults == Fault(0)


def test_a_shorted_wire_trips_in_18_ms_as_a_short(trailer):
    circuit = next(c for c in trailer.circuits if c.lit)
    fault = InjectedFault("short-to-ground", f"pin.{circuit.pin}", ohm=0.02)
    host = armed(Scenario(trailer, faults=(fault,), sense=EXACT))
    host.command(CommandCode.DRIVE, trailer.channel_of_pin[circuit.pin], 1000)
    host.wait(0.1)

    (trip,) = [event for event in host.events().events if event.kind == EventKind.TRIP]
    assert (trip.uptime_us, trip.value) == (18_000, TripReason.SHORT)


def test_the_same_seed_gives_the_same_registers(trailer):
    def run(seed: int) -> tuple[int, ...]:
        simulator = Simulator(Scenario(trailer, seed=seed))
        host = Host(simulator.board)
        host.arm()
        host.command(CommandCode.DRIVE, 1, 1000)
        simulator.advance_to(0.123)
        return simulator.read_registers(100, 78)

    assert run(5) == run(5)
    assert run(5) != run(6)


def test_an_emergency_stop_of_the_scenario_reaches_the_board(trailer):
    fault = InjectedFault("board-fault", "emergency-stop", at_s=0.2, until_s=0.3)
    host = armed(Scenario(trailer, faults=(fault,)))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.35)

    seen = host.snapshot()
    assert (seen.faults, seen.causes) == (Fault.EMERGENCY_STOP, Fault(0))
    assert seen.channel(1).state is ChannelState.HELD_OFF

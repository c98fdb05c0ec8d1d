"""Time: ticks while something changes, jumps while nothing does, means in both."""

import pytest

from bench.contract.readings import read_identity
from bench.contract.table import IDENTITY, Capability, CommandCode, EventKind, Fault, Refusal, Return, Valve
from firmware_sim.firmware import Board
from firmware_sim.firmware.air import NoAir
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant, Lamp
from tests.firmware_sim.host import Host, armed_host


class CountingPlant(FakePlant):
    steps = 0

    def advance(self, until_s, channel=0, samples=0):
        self.steps += 1
        return super().advance(until_s, channel, samples)


def test_a_quiet_hour_costs_a_handful_of_steps():
    plant = CountingPlant()
    board = Board(plant, ExactSensors())
    plant.steps = 0

    board.advance_to(3600.0)

    assert board.time_s == 3600.0
    assert plant.steps == 1
    assert Host(board).snapshot().uptime_us == 3_600_000_000


def test_a_lit_minute_is_looked_at_once_a_second_and_at_each_kick():
    plant = CountingPlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.5, kicking=True)
    plant.steps = 0

    host.wait(60.0, kicking=True)

    assert plant.steps <= 60 * 10 + 60 + 1


def test_a_changing_plant_is_ticked_every_millisecond():
    plant = CountingPlant(ohm={1: Lamp(1.0, 4.0, rise_s=0.05)})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.steps = 0

    host.wait(0.2)

    assert plant.steps == 200


def test_time_does_not_go_back_and_half_ticks_wait():
    board = Board(FakePlant(), ExactSensors())
    board.advance_to(0.0105)
    assert board.time_s == 0.010

    board.advance_to(0.005)
    assert board.time_s == 0.010


def test_a_change_in_a_quiet_time_is_met_at_its_tick():
    plant = FakePlant()
    board = Board(plant, ExactSensors())
    plant.set_conditions_at(1234.5678, emergency_stop=True)

    board.advance_to(2000.0)

    stop = [e for e in Host(board).events().events if (e.kind, e.value) == (EventKind.FAULT_SET, Fault.EMERGENCY_STOP)]
    assert [e.uptime_us for e in stop] == [1_234_568_000]


def test_a_snapshot_is_the_mean_of_ten_milliseconds():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_load_at(0.0962, 1, 6.4)  # from the tick at 97 ms on: 4 of the 10 values up to 100 ms

    host.wait(0.1)

    assert host.snapshot().channel(1).current_a == pytest.approx(0.6 * 4.0 + 0.4 * 2.0)
    assert host.snapshot().return_pin_a == pytest.approx((0.6 * 4.0 + 0.4 * 2.0) / 2)


def test_after_a_quiet_time_the_mean_is_the_present_value():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.2)

    assert host.snapshot().channel(1).current_a == 4.0
    assert host.snapshot().supply_a == 4.0


def test_returns_are_told_and_measured_apart():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.command(CommandCode.RETURNS, Return.CHASSIS)
    host.wait(0.1)

    seen = host.snapshot()
    assert (seen.returns, seen.return_pin_a, seen.return_chassis_a) == (Return.CHASSIS, 0.0, 4.0)
    assert (EventKind.RETURNS, 0, Return.CHASSIS) in host.all_events()


class TankAir(NoAir):
    """Two inputs and four valves; energising the supply fill valve raises the pressure."""

    inputs, valves, regulators = 2, 4, True

    def __init__(self) -> None:
        self.energised = 0
        self.pressure_pa = 0.0
        self.set_points: list[tuple[int, int]] = []
        self._time_s = 0.0

    def switch(self, energised: int) -> None:
        self.energised = energised

    def regulate(self, line: int, pressure_pa: int) -> None:
        self.set_points.append((line, pressure_pa))

    def advance(self, until_s: float) -> None:
        if self.energised & 1 << Valve.SUPPLY_FILL:
            self.pressure_pa += 200_000 * (until_s - self._time_s)
        self._time_s = until_s

    def readings(self) -> tuple[int, ...]:
        return (round(self.pressure_pa), 0, 0, 0, 0, 0)

    def highest_pressure_pa(self) -> float:
        return self.pressure_pa

    def below_until_s(self, pressure_pa: float) -> float:  # noqa: ARG002
        return self._time_s if self.energised else float("inf")


def air_host(ceiling_pa: int = 900_000) -> tuple[Host, TankAir]:
    air = TankAir()
    host = Host(Board(FakePlant(), ExactSensors(), air=air))
    host.arm()
    host.set_board(500, ceiling_pa, 12_000)
    return host, air


def test_with_an_air_plant_the_identity_says_so():
    host, _ = air_host()
    _, *registers = host.board.read_registers(IDENTITY.start(), IDENTITY.length())

    identity = read_identity(registers)
    assert (identity.air_inputs, identity.valves) == (2, 4)
    assert Capability.AIR | Capability.REGULATOR in identity.capabilities


def test_a_valve_de_energises_when_its_longest_time_is_over():
    host, air = air_host()
    assert host.command(CommandCode.VALVE, Valve.SUPPLY_FILL, 1, 300) is Refusal.NONE
    host.wait(0.2)
    assert host.snapshot().valves == 1

    host.wait(0.2)
    assert (host.snapshot().valves, air.energised) == (0, 0)
    assert host.snapshot().air[0] == pytest.approx(60_000, abs=1)


def test_pressure_above_the_ceiling_exhausts_within_a_tick():
    host, air = air_host(ceiling_pa=50_000)
    host.command(CommandCode.VALVE, Valve.SERVICE_EXHAUST, 1, 1000)
    host.command(CommandCode.VALVE, Valve.SUPPLY_FILL, 1, 1000)
    host.wait(0.4)

    assert air.energised == 0
    assert air.pressure_pa <= 50_000 + 2 * 200_000 * 0.001
    assert host.snapshot().faults == Fault.OVER_PRESSURE


def test_safe_exhausts_the_service_line():
    host, air = air_host()
    host.command(CommandCode.VALVE, Valve.SERVICE_EXHAUST, 1, 10_000)
    host.command(CommandCode.SAFE)

    assert air.energised == 0


def test_a_valve_needs_a_time_a_ceiling_and_to_be_there():
    host, _ = air_host(ceiling_pa=0)
    assert host.command(CommandCode.VALVE, 0, 1, 0) is Refusal.BAD_VALUE
    assert host.command(CommandCode.VALVE, 0, 1, 100) is Refusal.NO_LIMITS
    assert host.command(CommandCode.VALVE, 0, 0, 0) is Refusal.NONE


def test_a_set_point_above_the_ceiling_is_refused():
    host, air = air_host(ceiling_pa=600_000)

    assert host.command(CommandCode.REGULATE, 1, 700_000) is Refusal.BAD_VALUE
    assert host.command(CommandCode.REGULATE, 1, 600_000) is Refusal.NONE
    assert air.set_points[2:] == [(1, 600_000)]


def test_everything_off_takes_set_points_back():
    host, air = air_host()
    host.command(CommandCode.REGULATE, 0, 600_000)
    host.command(CommandCode.SAFE)

    assert air.set_points[2:] == [(0, 600_000), (0, 0)]


def test_a_restart_lets_valves_go_and_takes_set_points_back():
    host, air = air_host()
    host.command(CommandCode.REGULATE, 1, 600_000)
    host.command(CommandCode.VALVE, Valve.SERVICE_EXHAUST, 1, 10_000)
    host.command(CommandCode.RESTART)
    host.wait(0.01)

    assert air.energised == 0
    assert air.set_points[-2:] == [(0, 0), (1, 0)]

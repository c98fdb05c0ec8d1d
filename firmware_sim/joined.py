"""Several simulated boards on one harness: each with firmware and converters of its own, all in one time.

Wired as a joined bench is: supplies and negative sides joined, returns, reference and chassis sense the first board's.
The harness moves when the first board moves it; the others then find it moved, and take what they sample in the
meantime from where it stands (so captures of theirs are as good as 1 kS/s).
"""

from collections.abc import Sequence
from dataclasses import replace

from bench.contract.table import MAX_CHANNELS, Refusal, Return
from bench.profiles.model import Scenario
from firmware_sim.firmware import Board, Description
from firmware_sim.firmware.budget import TICKS_PER_SECOND
from firmware_sim.plant import build_plant
from firmware_sim.plant.board import PROBE_OHM, PULL_DOWN_OHM, PULSE_OHM, REFERENCE_OHM
from firmware_sim.port import Conditions, Feed, Plant, Switches, Truth
from firmware_sim.sensors import Sensors

ROUNDING_TICKS = 1e-6


class _Harness:
    """One plant behind several boards: all their switches together."""

    def __init__(self, plant: Plant, counts: Sequence[int]) -> None:
        self.plant = plant
        self._asked = [Switches(tuple(Feed() for _ in range(count)), Return.NONE) for count in counts]
        self.use()

    def switch(self, n: int, switches: Switches) -> None:
        """Take the switches of board ``n``."""
        if switches != self._asked[n]:
            self._asked[n] = switches
            self.use()

    def use(self) -> None:
        """Hand all of them to the plant: feeds of all, returns and reference of the first."""
        feeds = tuple(feed for each in self._asked for feed in each.feeds)
        self.plant.switch(Switches(feeds, self._asked[0].returns, self._asked[0].reference))


class _Share:
    """What one board sees of the harness: a plant with its channels alone."""

    def __init__(self, harness: _Harness, n: int, first: int, count: int) -> None:
        self._harness = harness
        self._n = n
        self._own = slice(first, first + count)
        self._first = first

    @property
    def time_s(self) -> float:
        return self._harness.plant.time_s

    def switch(self, switches: Switches) -> None:
        self._harness.switch(self._n, switches)

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        plant = self._harness.plant
        if until_s > plant.time_s:
            return plant.advance(until_s, channel + self._first if channel else 0, samples)
        truth = self.truth()
        at = channel - 1
        return (truth.pin_a[at],) * samples, (truth.pin_v[at],) * samples

    def truth(self) -> Truth:
        whole = self._harness.plant.truth()
        mine = replace(
            whole,
            pin_v=whole.pin_v[self._own],
            pin_a=whole.pin_a[self._own],
            limiting=whole.limiting[self._own],
            supply_a=sum(whole.pin_a[self._own]),
        )
        if self._n == 0:
            return mine
        return replace(
            mine, return_pin_a=0.0, return_chassis_a=0.0, chassis_sense_v=0.0, ground_pin_v=0.0, reference_a=0.0
        )

    def quiet_until_s(self) -> float:
        return self._harness.plant.quiet_until_s()

    def board_conditions(self) -> Conditions:
        return self._harness.plant.board_conditions()


class JoinedSimulator:
    """The boards of a scenario whose profile is wired to more channels than one board has.

    Attributes:
        boards: in the order of their channels; each with the registers of a board.

    Raises:
        InputError: the scenario asks for a fault that its profile cannot have.
    """

    def __init__(self, scenario: Scenario) -> None:
        channels = max(scenario.profile.channel_of_pin.values())
        counts = [min(MAX_CHANNELS, channels - first) for first in range(0, channels, MAX_CHANNELS)]
        self._plant = build_plant(scenario)
        harness = _Harness(self._plant, counts)
        nominal_v = scenario.profile.nominal_v
        self._boards = [
            Board(
                _Share(harness, n, n * MAX_CHANNELS, count),
                Sensors(scenario.sense, count, scenario.seed + n, nominal_v),
                Description(
                    probe_ohm=PROBE_OHM,
                    pulse_ohm=PULSE_OHM[nominal_v],
                    reference_ohm=REFERENCE_OHM,
                    pull_down_ohm=PULL_DOWN_OHM,
                    serial=f"SIM-{scenario.seed:04d}-{n + 1}"[:16],
                ),
                channels=count,
            )
            for n, count in enumerate(counts)
        ]
        self.boards = tuple(OneOfSeveral(self, board) for board in self._boards)

    def clip_sense(self, node: str) -> None:
        """Somebody clips the first board's sense lead to a node of the harness."""
        self._plant.clip_sense(node)

    def advance_to(self, time_s: float) -> None:
        """Let all boards and the harness run, tick by tick together."""
        goal = int(time_s * TICKS_PER_SECOND + ROUNDING_TICKS)
        while (now := min(board.tick for board in self._boards)) < goal:
            tick = max(min(board.next_tick(goal) for board in self._boards), now + 1)
            for board in self._boards:
                board.advance_to(tick / TICKS_PER_SECOND)


class OneOfSeveral:
    """One board's registers; time passes for all of them."""

    def __init__(self, bench: JoinedSimulator, board: Board) -> None:
        self._bench = bench
        self._board = board

    def advance_to(self, time_s: float) -> None:
        """Let all boards live until then."""
        self._bench.advance_to(time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """See :meth:`firmware_sim.firmware.Board.read_registers`."""
        return self._board.read_registers(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """See :meth:`firmware_sim.firmware.Board.write_registers`."""
        return self._board.write_registers(address, values)

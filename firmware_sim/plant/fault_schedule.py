"""The scenario's faults along plant time: which are present, when that changes next."""

from random import Random
from typing import TypeVar

from bench.profiles.model import Scenario
from firmware_sim.plant.as_built import Harness
from firmware_sim.plant.faults import DEFAULT_CHATTER_HZ, BoardTrouble, Effect, OneWay, Resolver
from firmware_sim.plant.timeline import Timeline

AnyEffect = TypeVar("AnyEffect", bound=Effect)


class FaultSchedule:
    """All faults of one scenario; only moves forward.

    Raises:
        InputError: a fault names a place that the profile lacks.
    """

    def __init__(self, scenario: Scenario, harness: Harness) -> None:
        profile = scenario.profile
        pins = [pin.number for pin in profile.connector.pins]
        resolver = Resolver(harness, pins, profile.nominal_v, scenario.supply_v)
        self.effects: tuple[Effect, ...] = tuple(resolver.resolve(fault) for fault in scenario.faults)
        self.one_way = tuple(effect for effect in self.effects if isinstance(effect, OneWay))
        self._timelines = tuple(
            Timeline(
                fault.at_s,
                fault.until_s,
                fault.chatter_hz or (DEFAULT_CHATTER_HZ if fault.kind == "intermittent" else None),
                Random(f"{scenario.seed} fault {index}"),
            )
            for index, fault in enumerate(scenario.faults)
        )
        self._find_present()

    def _find_present(self) -> None:
        pairs = zip(self.effects, self._timelines, strict=True)
        self.present: tuple[Effect, ...] = tuple(effect for effect, timeline in pairs if timeline.active)
        self.next_s = min((timeline.next_s for timeline in self._timelines), default=float("inf"))

    def advance(self, time_s: float) -> bool:
        """Move to ``time_s``; return whether any fault came or went."""
        if time_s < self.next_s:
            return False
        for timeline in self._timelines:
            timeline.advance(time_s)
        self._find_present()
        return True

    def of(self, kind: type[AnyEffect]) -> list[AnyEffect]:
        """Effects of one kind that are present now."""
        return [effect for effect in self.present if isinstance(effect, kind)]

    def restarts(self) -> int:
        """How many power glitches there have been."""
        return sum(
            timeline.begun
            for effect, timeline in zip(self.effects, self._timelines, strict=True)
            if isinstance(effect, BoardTrouble) and effect.what == "restart"
        )

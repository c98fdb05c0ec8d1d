"""The channel state machine as a table; BOARD.md prints it and the channel obeys it."""

from dataclasses import dataclass

from bench.contract.table import ChannelState as S


@dataclass(frozen=True, slots=True)
class Transition:
    """One allowed change of a channel's state."""

    before: S
    after: S
    when: str


TRANSITIONS: tuple[Transition, ...] = (
    Transition(S.HELD_OFF, S.OFF, "ARM carried out."),
    Transition(S.OFF, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.OFF, S.PROBE, "PROBE or WIGGLE command."),
    Transition(S.OFF, S.PULSE, "PULSE command."),
    Transition(S.OFF, S.RAMP, "DRIVE command."),
    Transition(S.PROBE, S.OFF, "Its time is up (shot latched), or OFF command."),
    Transition(S.PROBE, S.RAMP, "WIGGLE only: the next pulse is due."),
    Transition(S.PROBE, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.PULSE, S.OFF, "Its time is up (shot latched), or OFF command."),
    Transition(S.PULSE, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.RAMP, S.ON, "start_time is over and the current is below the limit."),
    Transition(S.RAMP, S.LIMIT, "start_time is over and the current is at the limit."),
    Transition(S.RAMP, S.PROBE, "WIGGLE only: wiggle_time is over."),
    Transition(S.RAMP, S.RETRY, "Tripped, tries are left."),
    Transition(S.RAMP, S.TRIPPED, "Tripped, no try is left (a WIGGLE pulse: by rms)."),
    Transition(S.RAMP, S.OFF, "OFF command."),
    Transition(S.RAMP, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.ON, S.LIMIT, "The current reaches the limit."),
    Transition(S.ON, S.TRIPPED, "Rolling rms current over rms_limit."),
    Transition(S.ON, S.OFF, "OFF command."),
    Transition(S.ON, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.LIMIT, S.ON, "The current falls below the limit."),
    Transition(S.LIMIT, S.RETRY, "Tripped, tries are left."),
    Transition(S.LIMIT, S.TRIPPED, "Tripped, no try is left."),
    Transition(S.LIMIT, S.OFF, "OFF command."),
    Transition(S.LIMIT, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.RETRY, S.RAMP, "retry_pause is over and a full try is allowed again."),
    Transition(S.RETRY, S.OFF, "OFF command."),
    Transition(S.RETRY, S.HELD_OFF, "Disarmed or fault."),
    Transition(S.TRIPPED, S.OFF, "OFF command while armed."),
    Transition(S.TRIPPED, S.HELD_OFF, "OFF command while not armed."),
)

ALLOWED = frozenset((row.before, row.after) for row in TRANSITIONS)

FEEDING = frozenset({S.PROBE, S.PULSE, S.RAMP, S.ON, S.LIMIT})
"""States in which current can leave the pin."""

ACTIVE = FEEDING | {S.RETRY}
"""States that end by themselves or can feed again without a command."""

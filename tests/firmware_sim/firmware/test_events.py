"""The event FIFO loses nothing that was not acknowledged, and counts what it had to drop."""

from hypothesis import given
from hypothesis import strategies as st

from bench.contract.table import CommandCode, EventKind, Refusal
from firmware_sim.firmware.events import EventFifo
from tests.firmware_sim.fake_plant import FakePlant
from tests.firmware_sim.host import armed_host


def test_reading_again_without_acknowledging_gives_the_same_events():
    host = armed_host(FakePlant())

    assert host.events() == host.events()


def test_acknowledging_forgets_what_was_read_and_no_more():
    host = armed_host(FakePlant())
    first = host.events(acknowledge=True)
    host.command(CommandCode.SAFE)

    page = host.events()
    assert page.events[0].position == first.events[-1].position + 1
    assert EventKind.DISARMED in [event.kind for event in page.events]


def test_acknowledging_the_past_again_is_harmless_and_the_future_is_refused():
    host = armed_host(FakePlant())
    head = host.snapshot().events_head
    assert host.command(CommandCode.ACKNOWLEDGE, head) is Refusal.NONE
    assert host.command(CommandCode.ACKNOWLEDGE, 0) is Refusal.NONE

    assert host.command(CommandCode.ACKNOWLEDGE, head + 1) is Refusal.BAD_VALUE
    assert host.events().events == ()


def test_events_carry_the_tick_they_happened_in():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.wait(0.25)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    (ramp, on) = [event for event in host.events().events if event.kind == EventKind.CHANNEL_STATE]
    assert (ramp.uptime_us, on.uptime_us) == (250_000, 255_000)


@given(
    st.integers(1, 6),
    st.lists(st.one_of(st.just("add"), st.just("read and acknowledge"), st.just("read, reply lost")), max_size=40),
)
def test_every_event_is_either_read_in_order_or_counted_as_lost(depth, steps):
    fifo = EventFifo(depth)
    read: list[int] = []
    for step in steps:
        if step == "add":
            fifo.add(0, EventKind.VALVE, 0, fifo.head)
            continue
        first, count, _, *rows = map(int, fifo.block())
        values = rows[3::4][:count]
        assert values == list(range(first, first + count)), "the value was made its position"
        if step == "read and acknowledge":
            read += values
            fifo.acknowledge(first + count)

    assert read == sorted(set(read))
    unread = fifo.head - fifo.first
    assert len(read) + unread + fifo.lost == fifo.head

from hypothesis import given
from hypothesis import strategies as st

from bench.page.lease import SILENT_S, Lease, current, freed, heard, kept, taken
from bench.page.lease import given as handed

DEVICES = st.sampled_from(["a", "b", "c"])


def test_the_first_device_takes_control_and_the_second_asks() -> None:
    lease = taken(taken(Lease(), "a", 0.0), "b", 1.0)

    assert (lease.holder, lease.asking) == ("a", "b")


def test_only_the_holder_hands_over() -> None:
    lease = taken(Lease(), "a", 0.0)

    assert handed(lease, "b", "c", 1.0).holder == "a"
    assert handed(lease, "a", "b", 1.0).holder == "b"


def test_a_silent_device_loses_control_and_a_heard_one_keeps_it() -> None:
    lease = taken(Lease(), "a", 0.0)

    assert current(lease, SILENT_S + 0.1).holder is None
    assert current(heard(lease, "a", 10.0), SILENT_S + 5.0).holder == "a"


def test_who_is_silent_is_not_revived_by_a_late_sign_of_life() -> None:
    lease = heard(taken(Lease(), "a", 0.0), "a", SILENT_S + 1)

    assert lease.holder is None


def test_the_sign_of_life_of_another_device_keeps_nobodys_control() -> None:
    lease = heard(taken(Lease(), "a", 0.0), "b", 15.0)

    assert current(lease, SILENT_S + 1).holder is None


def test_a_device_that_is_not_paired_any_more_neither_controls_nor_asks() -> None:
    lease = taken(taken(Lease(), "a", 0.0), "b", 1.0)

    assert freed(lease, "b") == Lease("a", 0.0, None)
    assert freed(lease, "a") == Lease()


def test_keeping_control_ends_the_other_ones_question() -> None:
    lease = kept(taken(taken(Lease(), "a", 0.0), "b", 1.0), "a", 2.0)

    assert (lease.holder, lease.asking) == ("a", None)


Act = st.tuples(st.sampled_from(["take", "give", "keep", "free", "hear", "wait"]), DEVICES, DEVICES)


@given(st.lists(Act, max_size=30))
def test_control_passes_only_by_being_free_or_by_being_handed_over(acts: list[tuple[str, str, str]]) -> None:
    lease, now_s = Lease(), 0.0
    for act, device, other in acts:
        now_s += 30.0 if act == "wait" else 1.0
        before = current(lease, now_s)
        match act:
            case "take":
                lease = taken(lease, device, now_s)
            case "give":
                lease = handed(lease, device, other, now_s)
            case "keep":
                lease = kept(lease, device, now_s)
            case "free":
                lease = freed(lease, device)
            case "hear":
                lease = heard(lease, device, now_s)
            case _:
                lease = current(lease, now_s)
        if before.holder is not None and lease.holder not in (before.holder, None):
            assert (act, device, other) == ("give", before.holder, lease.holder)

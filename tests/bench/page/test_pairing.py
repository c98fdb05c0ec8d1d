from bench.page.pairing import DIGITS, FREE_TRIES, LIVES_S, LONGEST_WAIT_S, NEW_CODE_AFTER, PairingDesk


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Desk:
    """A desk whose codes are known: 000001, 000002, ..."""

    def __init__(self) -> None:
        self.clock = Clock()
        self.shown: list[str] = []
        self._drawn = 0
        self.desk = PairingDesk(self.clock, self.shown.append, self._draw)

    def _draw(self, below: int) -> int:
        assert below == 10**DIGITS
        self._drawn += 1
        return self._drawn


def test_the_code_at_the_bench_pairs_once() -> None:
    bench = Desk()
    code = bench.shown[-1]

    assert bench.desk.try_code(code, "phone").right
    assert not bench.desk.try_code(code, "phone").right
    assert len(bench.shown) == 2


def test_an_address_that_guesses_waits_twice_as_long_each_time() -> None:
    bench = Desk()

    waits = []
    for _ in range(FREE_TRIES + 3):
        waits.append(bench.desk.try_code("999999", "thief").wait_s)
        bench.clock.now_s += waits[-1]

    assert waits[: FREE_TRIES - 1] == [0.0] * (FREE_TRIES - 1)
    assert waits[FREE_TRIES - 1 :] == [10.0, 20.0, 40.0, 80.0]


def test_while_an_address_waits_even_the_right_code_is_not_looked_at() -> None:
    bench = Desk()
    for _ in range(FREE_TRIES):
        bench.desk.try_code("999999", "thief")

    assert not bench.desk.try_code(bench.shown[-1], "thief").right
    assert bench.desk.try_code(bench.shown[-1], "phone").right


def test_a_hundred_wrong_codes_pair_nobody_and_change_the_code() -> None:
    bench = Desk()
    first = bench.shown[-1]

    tried = [bench.desk.try_code("999999", f"thief {number}") for number in range(100)]

    assert not any(each.right for each in tried)
    assert len(bench.shown) == 1 + 100 // NEW_CODE_AFTER
    assert not bench.desk.try_code(first, "phone").right


def test_no_wait_is_longer_than_ten_minutes() -> None:
    bench = Desk()

    for _ in range(40):
        wait_s = bench.desk.try_code("999999", "thief").wait_s
        bench.clock.now_s += wait_s
        assert wait_s <= LONGEST_WAIT_S


def test_a_code_that_nobody_used_is_replaced() -> None:
    bench = Desk()
    old = bench.shown[-1]

    bench.clock.now_s += LIVES_S + 1

    assert not bench.desk.try_code(old, "phone").right
    assert bench.shown[-1] != old


def test_many_addresses_do_not_make_the_desk_grow() -> None:
    bench = Desk()

    for number in range(3000):
        bench.desk.try_code("999999", str(number))

    assert len(bench.desk._addresses) <= 1000


def test_text_that_is_no_code_is_a_wrong_code() -> None:
    assert not Desk().desk.try_code("ä€ \x00", "phone").right

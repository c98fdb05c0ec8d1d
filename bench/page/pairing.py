"""The pairing code: shown at the bench, typed into the page, good once.

Six digits are few, so guessing is made slow. An address that typed five wrong ones waits, twice as long each time; and
after twenty wrong ones from wherever they came, the code is another one, so that nobody gets nearer by trying. A right
code from an address that does not wait still works meanwhile: who guesses can't keep others out.
"""

import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

DIGITS = 6
FREE_TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 10.0, 600.0
NEW_CODE_AFTER = 20
LIVES_S = 900.0
MOST_ADDRESSES = 1000


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a try; ``wait_s`` until the next from there is looked at."""

    right: bool
    wait_s: float = 0.0


@dataclass
class _Address:
    wrong: int = 0
    until_s: float = 0.0


class PairingDesk:
    """Has the code of the moment.

    Args:
        now_s: any clock that only goes on.
        announce: gets every new code; shows it at the bench and nowhere else.
        draw: a random number below its argument.
    """

    def __init__(
        self,
        now_s: Callable[[], float],
        announce: Callable[[str], None],
        draw: Callable[[int], int] = secrets.randbelow,
    ) -> None:
        self._now_s = now_s
        self._announce = announce
        self._draw = draw
        self._addresses: OrderedDict[str, _Address] = OrderedDict()
        self.renew()

    def renew(self) -> None:
        """Another code, from now on."""
        self._code = f"{self._draw(10**DIGITS):0{DIGITS}}"
        self._wrong = 0
        self._made_s = self._now_s()
        self._announce(self._code)

    def try_code(self, code: str, address: str) -> Tried:
        """Look at a code typed at ``address``."""
        if self._now_s() - self._made_s > LIVES_S:
            self.renew()
        seen = self._address(address)
        if (wait_s := seen.until_s - self._now_s()) > 0:
            return Tried(False, wait_s)
        if secrets.compare_digest(code.encode(), self._code.encode()):
            self._addresses.pop(address, None)
            self.renew()
            return Tried(True)
        return Tried(False, self._note_wrong(seen))

    def _address(self, address: str) -> _Address:
        seen = self._addresses.setdefault(address, _Address())
        self._addresses.move_to_end(address)
        if len(self._addresses) > MOST_ADDRESSES:
            self._addresses.popitem(last=False)
        return seen

    def _note_wrong(self, seen: _Address) -> float:
        seen.wrong += 1
        self._wrong += 1
        if self._wrong >= NEW_CODE_AFTER:
            self.renew()
        if seen.wrong < FREE_TRIES:
            return 0.0
        wait_s = min(FIRST_WAIT_S * 2.0 ** (seen.wrong - FREE_TRIES), LONGEST_WAIT_S)
        seen.until_s = self._now_s() + wait_s
        return wait_s

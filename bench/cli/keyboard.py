"""Lines from the keyboard while a run goes on."""

import asyncio
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from bench.errors import InputError


@contextmanager
def lines_to(take: Callable[[str], None]) -> Iterator[None]:
    """Give each line of stdin to ``take`` for as long as this lasts; the end of the input is no line.

    Raises:
        InputError: stdin is a plain file or closed, which can't be waited for.
    """
    loop = asyncio.get_running_loop()

    def come() -> None:
        line = sys.stdin.readline()
        if line:
            take(line)
        else:
            loop.remove_reader(sys.stdin)

    try:
        loop.add_reader(sys.stdin, come)
    except (OSError, ValueError) as error:
        raise InputError("lines can be typed at a terminal or come through a pipe, not from this input") from error
    try:
        yield
    finally:
        loop.remove_reader(sys.stdin)

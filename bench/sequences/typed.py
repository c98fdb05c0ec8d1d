"""Lines that a person types while a run goes on."""

import asyncio


class Typed:
    """A text names a place; Enter alone ends the run."""

    def __init__(self) -> None:
        self.over = False
        self._lines: list[tuple[float, str]] = []

    def put(self, line: str) -> None:
        """Take a line, typed now."""
        text = " ".join(line.split())
        if text:
            self._lines.append((asyncio.get_running_loop().time(), text))
        else:
            self.over = True

    def drain(self) -> list[tuple[float, str]]:
        """Texts since the last time, each with how many seconds ago it was typed."""
        lines, self._lines = self._lines, []
        now_s = asyncio.get_running_loop().time()
        return [(now_s - typed_s, text) for typed_s, text in lines]

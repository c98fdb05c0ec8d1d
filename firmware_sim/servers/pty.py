"""Pseudo terminals that behave like a serial port with somebody at the far end."""

import asyncio
import errno
import os
import select
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

CHUNK = 4096
NOBODY_POLL_S = 0.02
PIECE = 16  # bytes; how finely a paced reply arrives


class Pty:
    """The board's end of a pseudo terminal; ``path`` is what a host opens."""

    def __init__(self) -> None:
        self._fd, host_fd = os.openpty()
        self.path = os.ttyname(host_fd)
        os.set_blocking(self._fd, False)
        tty.setraw(self._fd)
        os.close(host_fd)
        self._open = False

    def close(self) -> None:
        """Hang up."""
        os.close(self._fd)

    async def read(self) -> bytes:
        """Bytes from the host; empty when the host has closed the port."""
        while True:
            try:
                data = os.read(self._fd, CHUNK)
            except BlockingIOError:
                await self._readable()
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
                if self._open:
                    self._open = False
                    return b""
                # The last host's close has reset the line discipline; the next one finds it raw.
                tty.setraw(self._fd)
                await asyncio.sleep(NOBODY_POLL_S)
            else:
                self._open = True
                return data

    async def write(self, data: bytes) -> None:
        """Send bytes; they are dropped while nobody has the port open."""
        while data and not self._deserted():
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                await asyncio.sleep(NOBODY_POLL_S)

    def _deserted(self) -> bool:
        poll = select.poll()
        poll.register(self._fd, select.POLLHUP)
        return any(event & select.POLLHUP for _, event in poll.poll(0))

    async def _readable(self) -> None:
        loop = asyncio.get_running_loop()
        readable = asyncio.Event()
        loop.add_reader(self._fd, readable.set)
        try:
            await readable.wait()
        finally:
            loop.remove_reader(self._fd)


@contextmanager
def opened(link: str | None = None) -> Iterator[Pty]:
    """A pty for as long as the block lasts, with a symbolic link to it when a name is given.

    Raises:
        FileExistsError: something else stands at ``link``.
    """
    pty = Pty()
    try:
        if link:
            _link(Path(link), pty.path)
        yield pty
    finally:
        if link:
            with suppress(OSError):
                if os.readlink(link) == pty.path:
                    os.unlink(link)
        pty.close()


def _link(link: Path, target: str) -> None:
    if link.is_symlink() and not link.exists():
        link.unlink()  # left over from a run that could not clean up
    link.symlink_to(target)


class Wire:
    """How long bytes take on a serial line; with ``baud`` None no time at all."""

    def __init__(self, baud: int | None, bits_per_byte: int) -> None:
        self._byte_s = bits_per_byte / baud if baud else 0.0

    async def carry(self, octets: int) -> None:
        """Wait until so many bytes have gone over the wire."""
        if self._byte_s:
            await asyncio.sleep(octets * self._byte_s)

    async def send(self, pty: Pty, data: bytes) -> None:
        """Send bytes as they would arrive."""
        if not self._byte_s:
            await pty.write(data)
            return
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        for start in range(0, len(data), PIECE):
            piece = data[start : start + PIECE]
            due_s += len(piece) * self._byte_s  # from one start, so that late wake-ups don't add up
            await asyncio.sleep(due_s - loop.time())
            await pty.write(piece)

"""The page on a port: uvicorn, host names, and the code at the bench."""

import asyncio
import os
import socket
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path

import uvicorn

from bench.errors import InputError, NoBoard
from bench.page.bay import Bay
from bench.page.devices import Devices
from bench.page.house import House
from bench.page.pairing import PairingDesk
from bench.page.server import page
from bench.safety.way_out import finish

CLOSES_IN_S = 3  # connections that are open when the server ends
GENTLE = 5  # how much the weighing of readings stands back


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be served.

    Attributes:
        bays: board URLs by the bay's name.
        host, port: where; port 0 for any free one.
        names: further host names under which the bench is reached.
        certificate, key: files for TLS.
        record: database of the runs.
        devices: file of the paired devices; None keeps them in memory.
        paired_only: whoever only watches must be paired, too.
        forget: all devices that were paired before.
        apart: where readings are weighed; a gentle process of its own when None.
    """

    bays: Mapping[str, str]
    record: str | Path
    host: str = "127.0.0.1"
    port: int = 8700
    names: Sequence[str] = ()
    certificate: str | None = None
    key: str | None = None
    devices: Path | None = None
    paired_only: bool = False
    forget: bool = False
    apart: Executor | None = None


class _Server(uvicorn.Server):
    """Leaves signals to the command, which cancels: everything is off before it ends."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


async def serve(wanted: Wanted, ready: Callable[[str], None], code: Callable[[str], None]) -> None:
    """Serve until cancelled; every output is off when this returns.

    Args:
        wanted: what, and where.
        ready: gets the page's address once it can be opened.
        code: gets every new pairing code.

    Raises:
        InputError: a certificate or the file of devices is wrong.
        NoBoard: the port can't be opened.
    """
    listening = _socket(wanted)
    apart = ProcessPoolExecutor(1, get_context("spawn"), os.nice, (GENTLE,))
    house = _house(wanted, code, wanted.apart or apart)
    config = uvicorn.Config(
        page(house, [*wanted.names, *own_names()]),
        log_level="warning",
        access_log=False,
        lifespan="on",
        ws="websockets-sansio",
        ws_max_size=4096,
        ws_ping_interval=5.0,
        ws_ping_timeout=5.0,
        server_header=False,
        timeout_graceful_shutdown=CLOSES_IN_S,
        ssl_certfile=wanted.certificate,
        ssl_keyfile=wanted.key,
    )
    try:
        config.load()
    except (OSError, ValueError) as error:
        listening.close()
        raise InputError(f"{wanted.certificate}, {wanted.key}: no certificate with its key: {error}") from error
    listening.listen()  # whoever comes before the bays live waits, and is not turned away
    ready(address(wanted, listening.getsockname()[1]))
    try:
        await _until_cancelled(_Server(config), house, listening)
    finally:
        _give_up(apart)


async def _until_cancelled(server: uvicorn.Server, house: House, listening: socket.socket) -> None:
    """Serve; when it ends, outputs first, then whoever is connected."""
    serving = asyncio.get_running_loop().create_task(server.serve([listening]), name="server")
    try:
        await asyncio.shield(serving)
    finally:
        await finish(_end(server, serving, house))


def _give_up(apart: ProcessPoolExecutor) -> None:
    """Whatever is still being weighed, nobody waits for any more."""
    apart.shutdown(wait=False, cancel_futures=True)
    for process in active_children():
        process.terminate()


async def _end(server: uvicorn.Server, serving: asyncio.Task[None], house: House) -> None:
    for bay in house.bays.values():
        await bay.stop("the server ends")
    server.should_exit = True
    await asyncio.wait({serving})


def _house(wanted: Wanted, code: Callable[[str], None], apart: Executor) -> House:
    devices = Devices(wanted.devices, _now)
    if wanted.forget:
        devices.revoke_all()
    loop = asyncio.get_running_loop()
    called = partial(_called, devices)
    bays = {name: Bay(name, url, wanted.record, called, apart) for name, url in wanted.bays.items()}
    return House(
        bays,
        devices,
        PairingDesk(loop.time, code),
        wanted.record,
        _now,
        paired_only=wanted.paired_only,
        tls=wanted.certificate is not None,
    )


def _called(devices: Devices, device_id: str) -> str:
    device = devices.called(device_id)
    return device.name if device is not None else "a device that is not paired any more"


def _now() -> datetime:
    return datetime.now().astimezone()


def _socket(wanted: Wanted) -> socket.socket:
    family = socket.AF_INET6 if ":" in wanted.host else socket.AF_INET
    listening = socket.socket(family)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((wanted.host, wanted.port))
    except OSError as error:
        listening.close()
        raise NoBoard(
            f"{wanted.host}:{wanted.port} can't be opened: {error.strerror}; choose another with --port"
        ) from error
    return listening


def address(wanted: Wanted, port: int) -> str:
    """The page's address, as another device of the bay's network can open it."""
    scheme = "http" if wanted.certificate is None else "https"
    return f"{scheme}://{_reached_at(wanted)}:{port}/"


def _reached_at(wanted: Wanted) -> str:
    if wanted.names:
        return wanted.names[0]
    if wanted.host not in ("0.0.0.0", "::"):  # noqa: S104 - compared, not bound
        return f"[{wanted.host}]" if ":" in wanted.host else wanted.host
    return outward_address() or socket.gethostname()


def outward_address() -> str | None:
    """The address of this machine in its network; asks the routing table and sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737)
        except OSError:
            return None
        return str(probe.getsockname()[0])


def own_names() -> Collection[str]:
    """Names that this machine calls itself."""
    name = socket.gethostname()
    return {name, f"{name}.local"}

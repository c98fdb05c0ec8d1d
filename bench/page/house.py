"""Everything one server has, and who is asking: what the routes are given."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from fastapi import HTTPException, Request

from bench.page.bay import Bay
from bench.page.devices import Device, Devices
from bench.page.pairing import PairingDesk
from bench.records import AsyncStore, Store

COOKIE = "umbilical_device"

T = TypeVar("T")


@dataclass
class House:
    """One server.

    Attributes:
        record: database of the runs.
        paired_only: whoever only watches must be paired, too.
        tls: pages come by https.
    """

    bays: Mapping[str, Bay]
    devices: Devices
    desk: PairingDesk
    record: str | Path
    now: Callable[[], datetime]
    paired_only: bool = False
    tls: bool = False
    records: AsyncStore | None = None

    async def ask_records(self, question: Callable[[Store], T]) -> T:
        """Something of the records, in their thread; the database is made when it is first needed."""
        if self.records is None:
            self.records = AsyncStore(await asyncio.to_thread(Store, self.record))
        return await self.records.call(question, self.records.store)

    async def close(self) -> None:
        """Let go of the records."""
        if self.records is not None:
            await self.records.call(self.records.store.close)
            self.records = None

    def bay(self, name: str) -> Bay:
        """The bay called so, or 404."""
        if name not in self.bays:
            raise HTTPException(404, f"there is no bay {name!r}")
        return self.bays[name]

    def device(self, request: Request) -> Device | None:
        """Who asks, if it is paired."""
        return self.devices.known(request.cookies.get(COOKIE))

    def watching(self, request: Request) -> Device | None:
        """Who asks, if it may watch."""
        device = self.device(request)
        if device is None and self.paired_only:
            raise HTTPException(401, "pair this device first")
        return device

    def paired(self, request: Request) -> Device:
        """Who asks; it must be paired."""
        device = self.device(request)
        if device is None:
            raise HTTPException(401, "pair this device first")
        return device

    def controlling(self, request: Request, bay: Bay) -> Device:
        """Who asks; it must have control of the bay."""
        device = self.paired(request)
        if not bay.controls(device.id):
            raise HTTPException(403, "take control of this bay first")
        bay.heard(device.id)
        return device

    def forget(self, device_id: str) -> bool:
        """A device is not paired any more, and controls nothing."""
        for bay in self.bays.values():
            bay.free(device_id)
        return self.devices.revoke(device_id)


def address_of(request: Request) -> str:
    """Where a request comes from, as far as the connection knows."""
    return request.client.host if request.client else "?"

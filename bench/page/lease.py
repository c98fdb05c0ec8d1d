"""Who controls a bay: one paired device at a time, for as long as it is heard.

Pure: every function takes the lease and the time, and gives the next lease. Stopping needs no lease.
"""

from dataclasses import dataclass, replace

SILENT_S = 20.0  # a phone in a pocket; holding what moves has a much shorter time of its own


@dataclass(frozen=True, slots=True)
class Lease:
    """Device ids; times by the server's clock.

    Attributes:
        holder: who controls.
        heard_s: when it was last heard.
        asking: who would like to take over.
    """

    holder: str | None = None
    heard_s: float = 0.0
    asking: str | None = None


def current(lease: Lease, now_s: float) -> Lease:
    """The lease as it is now: without a holder that has fallen silent."""
    silent = lease.holder is not None and now_s - lease.heard_s > SILENT_S
    return Lease() if silent else lease


def taken(lease: Lease, device: str, now_s: float) -> Lease:
    """After ``device`` wants control: it has it if nobody else does, and asks for it otherwise."""
    lease = current(lease, now_s)
    if lease.holder in (None, device):
        return Lease(device, now_s, lease.asking if lease.asking != device else None)
    return replace(lease, asking=device)


def given(lease: Lease, device: str, to: str, now_s: float) -> Lease:
    """After the holder hands over to another device; nothing changes if ``device`` is not the holder."""
    lease = current(lease, now_s)
    return Lease(to, now_s) if lease.holder == device else lease


def kept(lease: Lease, device: str, now_s: float) -> Lease:
    """After the holder says that it wants to keep it."""
    lease = heard(lease, device, now_s)
    return replace(lease, asking=None) if lease.holder == device else lease


def freed(lease: Lease, device: str) -> Lease:
    """After a device lets go, or is not paired any more."""
    if lease.holder == device:
        return Lease()
    return replace(lease, asking=None) if lease.asking == device else lease


def heard(lease: Lease, device: str | None, now_s: float) -> Lease:
    """After a sign of life of ``device``."""
    lease = current(lease, now_s)
    return replace(lease, heard_s=now_s) if device is not None and lease.holder == device else lease

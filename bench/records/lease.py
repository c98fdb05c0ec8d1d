"""Who writes a run, and whether that process still lives.

A run without an end is either still going, perhaps in another process on the same database, or was cut
(power, kill, crash). A lease row names host, process and when it last wrote. A run counts as cut when

- its process is gone: same host, and no process with that number that started at that moment; or
- it has not written for 12 hours, wherever it ran. No step takes that long.

A process on another host, or on a system where we can't look, is given the benefit of the 12 hours.
"""

import os
import socket
import sys
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

STALE_AFTER = timedelta(hours=12)


def own_lease(now: datetime) -> dict[str, Any]:
    """The lease columns of this very process."""
    process = os.getpid()
    return {
        "host": socket.gethostname(),
        "process": process,
        "process_mark": process_mark(process) or "",
        "renewed": now.isoformat(),
    }


def is_cut(lease: Mapping[str, Any] | None, now: datetime, mark: Callable[[int], str | None] | None = None) -> bool:
    """Whether an unfinished run with this lease (None: it has none) will never be finished by its writer."""
    if lease is None or now - datetime.fromisoformat(lease["renewed"]) > STALE_AFTER:
        return True
    if lease["host"] != socket.gethostname():
        return False
    found = (mark or process_mark)(lease["process"])
    return found is not None and found != lease["process_mark"]


def process_mark(process: int) -> str | None:
    """What tells a process from a later one with its number; "" when there is none, None when unknowable.

    Linux: boot id and start time. Other POSIX systems: only that it exists. Elsewhere unknowable.
    """
    if sys.platform == "linux":
        return _linux_mark(process)
    return _posix_mark(process) if os.name == "posix" else None


def _linux_mark(process: int) -> str:
    try:
        status = Path(f"/proc/{process}/stat").read_text()
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""
    after_name = status.rpartition(")")[2].split()  # the name itself may hold blanks and brackets
    if after_name[0] == "Z":  # killed but not yet reaped by its parent
        return ""
    return f"{boot} {after_name[19]}"  # field 22, start time in ticks since boot; proc(5)


def _posix_mark(process: int) -> str:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return ""
    except PermissionError:
        return "exists"
    return "exists"

"""Umbilical: a bench controller for wiring harnesses and air brakes.

import bench

async def main() -> None:
async with bench.connect("sim:") as session:
run = await session.inspect("tandem-53ft")

bench.run_virtual(main())   # simulated boards; for real ones asyncio.run
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.app import Session, connect
    from bench.virtual_time import run_virtual

__version__ = "0.1.0"
__all__ = ["Session", "__version__", "connect", "run_virtual"]


def __getattr__(name: str) -> Any:
    """Load what the package offers when it is first asked for: ``import bench`` alone costs nothing."""
    from importlib import import_module

    homes = {"Session": "bench.app", "connect": "bench.app", "run_virtual": "bench.virtual_time"}
    if name not in homes:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(homes[name]), name)

"""The server put together: gate, routes, static files, and the bays that live as long as it does."""

import asyncio
from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, Request
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import FileResponse, JSONResponse
from starlette.staticfiles import StaticFiles

import bench
from bench.errors import BenchError, InputError, LinkError, RecordError
from bench.page.bay import BusyBay
from bench.page.gate import Gate
from bench.page.house import House
from bench.page.routes_control import control_routes, pairing_routes
from bench.page.routes_watch import watch_routes

STATIC = Path(str(files("bench.page"))) / "static"
STATUS: dict[type[BenchError], int] = {BusyBay: 409, InputError: 422, LinkError: 503, RecordError: 507}
LEAST_GZIP_BYTES = 600


def page(house: House, names: Collection[str] = ()) -> FastAPI:
    """The application.

    Args:
        house: what the server has.
        names: host names, besides addresses and localhost, under which the bench is reached.
    """
    app = FastAPI(
        title="Umbilical live page",
        version=bench.__version__,
        docs_url=None,  # their page loads scripts from elsewhere; the document itself is at /api/openapi.json
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=lambda _: _living(house),
    )
    for routes in (watch_routes(house), pairing_routes(house), control_routes(house)):
        app.include_router(routes)
    app.add_exception_handler(BenchError, _said)

    @app.get("/", include_in_schema=False)
    def start() -> FileResponse:
        return FileResponse(STATIC / "index.html", headers={"cache-control": "no-cache"})

    app.mount("/static", StaticFiles(directory=STATIC))
    app.add_middleware(GZipMiddleware, minimum_size=LEAST_GZIP_BYTES)
    app.add_middleware(Gate, names=tuple(names), tls=house.tls)
    return app


@asynccontextmanager
async def _living(house: House) -> AsyncIterator[None]:
    """Bays live in here; leaving switches everything off and closes what runs."""
    async with asyncio.TaskGroup() as tasks:
        lives = [tasks.create_task(bay.live(), name=f"bay {bay.name}") for bay in house.bays.values()]
        try:
            yield
        finally:
            for life in lives:
                life.cancel()
    await house.close()


async def _said(_: Request, error: Exception) -> JSONResponse:
    status = next((status for kind, status in STATUS.items() if isinstance(error, kind)), 409)
    return JSONResponse({"detail": str(error)}, status)

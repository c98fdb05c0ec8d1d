"""What anybody who watches may ask: bays, drawings, photos, reports, the history of a unit, and to stop."""

import asyncio
from typing import Any

from fastapi import APIRouter, HTTPException, Request, WebSocket, WebSocketDisconnect
from starlette.responses import HTMLResponse, Response

from bench import keeping
from bench.page import shown
from bench.page.bay import Bay
from bench.page.gate import REPORT_POLICY
from bench.page.house import COOKIE, House, address_of
from bench.page.remarks import PHOTO_PREFIX
from bench.profiles import load_profile, profile_names
from bench.records.history import History
from bench.reports import words
from bench.reports.face_drawing import draw_face, pin_states
from bench.reports.harness_drawing import draw_harness
from bench.vin import doubt


def watch_routes(house: House) -> APIRouter:
    """The routes."""
    routes = APIRouter(prefix="/api", tags=["watch"])

    @routes.get("/me")
    async def me(request: Request) -> dict[str, Any]:
        """Who this device is, which bays there are, and whether it may watch them."""
        device = house.device(request)
        may = device is not None or not house.paired_only
        return {
            "device": None if device is None else {"id": device.id, "name": device.name},
            "bays": list(house.bays) if may else [],
            "watch": may,
        }

    @routes.get("/bays")
    async def bays(request: Request) -> list[dict[str, Any]]:
        """All bays at a glance."""
        house.watching(request)
        return [bay.state() for bay in house.bays.values()]

    @routes.get("/bays/{name}")
    async def bay(name: str, request: Request) -> dict[str, Any]:
        """One bay, whole."""
        house.watching(request)
        found = house.bay(name)
        return found.state() | found.visit_shown()

    @routes.get("/bays/{name}/curve")
    async def curve(name: str, request: Request) -> list[tuple[float, float | None, float | None]]:
        """Pressures of the last 20 minutes: board seconds, supply, service, Pa."""
        house.watching(request)
        return list(house.bay(name).curve)

    @routes.post("/bays/{name}/stop")
    async def stop(name: str, request: Request) -> dict[str, bool]:
        """Everything off, now. Needs no pairing and no control."""
        device = house.device(request)
        who = device.name if device is not None else f"a watcher at {address_of(request)}"
        return {"off": await house.bay(name).stop(f"by {who} on the page")}

    @routes.get("/bays/{name}/drawings/{which}")
    async def drawing(name: str, which: str, request: Request, run: str = "") -> Response:
        """A drawing of the connector (``face``) or of the harness (``harness``) with what a run found."""
        house.watching(request)
        text = await asyncio.to_thread(_drawn, house.bay(name), which, run)
        return Response(text, media_type="image/svg+xml")

    @routes.get("/bays/{name}/photos/{photo}")
    async def photo(name: str, photo: str, request: Request) -> Response:
        """A photo of this visit."""
        house.watching(request)
        visit = house.bay(name).visit
        if visit is None or photo not in {remark.photo for remark in visit.remarks} - {""}:
            raise HTTPException(404, "there is no such photo")
        run_id, _, file = photo.partition(".")
        kept = await house.ask_records(lambda store: store.attachments(run_id).get(f"{PHOTO_PREFIX}{file}"))
        if kept is None:
            raise HTTPException(404, "the photo is not in the record")
        return Response(kept, media_type="image/jpeg")

    @routes.get("/records/{record}/report")
    async def report(record: str, request: Request) -> Response:
        """The report of a record, one page that needs nothing else."""
        house.watching(request)
        page = await asyncio.to_thread(keeping.report_html, record, house.record)
        return HTMLResponse(page, headers={"content-security-policy": REPORT_POLICY})

    @routes.get("/units/{unit:path}")
    async def unit(unit: str, request: Request) -> dict[str, Any]:
        """What is known of a unit, by its number or VIN."""
        house.watching(request)
        return _history(await house.ask_records(lambda store: store.history(unit)))

    @routes.get("/profiles")
    async def profiles(request: Request) -> list[dict[str, Any]]:
        """What may be plugged in."""
        house.watching(request)
        return await asyncio.to_thread(_profiles)

    @routes.get("/vin/{vin:path}")
    async def vin(vin: str, request: Request) -> dict[str, str | None]:
        """Why a VIN looks mistyped, or null (49 CFR 565.15)."""
        house.watching(request)
        return {"doubt": doubt(vin[:80].strip().upper())}

    @routes.websocket("/bays/{name}/live")
    async def live(name: str, socket: WebSocket) -> None:
        """Everything that changes, as it does; from a device in control, its heartbeats."""
        device = house.devices.known(socket.cookies.get(COOKIE))
        if name not in house.bays or (device is None and house.paired_only):
            await socket.close(1008)
            return
        await socket.accept()
        bay = house.bays[name]
        async with asyncio.TaskGroup() as tasks:
            told = tasks.create_task(_tell(bay, socket), name="tell")
            await _listen(house, bay, socket)
            told.cancel()

    return routes


async def _tell(bay: Bay, socket: WebSocket) -> None:
    with bay.fanout.watcher() as watcher:
        try:
            async for message in watcher.messages():
                await socket.send_text(message)
        except (WebSocketDisconnect, RuntimeError, OSError):
            return


async def _listen(house: House, bay: Bay, socket: WebSocket) -> None:
    """Heartbeats: ``s`` is being there, ``f`` a finger that holds, ``k`` a device that keeps, ``r`` letting go."""
    holding = False
    try:
        while True:
            word = await socket.receive_text()
            device = house.devices.known(socket.cookies.get(COOKIE))
            if device is None or not bay.controls(device.id):
                continue
            bay.heard(device.id)
            if word in ("f", "k"):
                holding = True
                bay.hold.beat(finger=word == "f")
            elif word == "r":
                bay.hold.let_go()
    except (WebSocketDisconnect, KeyError):  # KeyError: bytes where text belongs
        return
    finally:
        if holding:
            bay.hold.let_go()


def _drawn(bay: Bay, which: str, run_id: str) -> str:
    visit = bay.visit
    if visit is None or which not in ("face", "harness"):
        raise HTTPException(404, "there is no such drawing")
    run = next((run for run in visit.runs if run.id == run_id), None)
    profile = visit.profile
    if which == "harness":
        return _alone(draw_harness(profile, run.findings if run else (), profile.units))
    if run is None:
        raise HTTPException(404, "nothing was tested yet")
    return _alone(draw_face(profile.connector, pin_states(run, profile)))


def _alone(drawing: str) -> str:
    """A drawing as a file of its own, which must say what it is."""
    return str(drawing).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def _profiles() -> list[dict[str, Any]]:
    return [shown.profile_line(load_profile(name)) for name in profile_names()]


def _history(history: History) -> dict[str, Any]:
    return {
        "unit": history.unit,
        "visits": [
            {
                "id": each.id,
                "command": each.command,
                "profile": each.profile,
                "started": each.started,
                "verdict": each.verdict.value,
                "state": each.state,
                "vin": each.vin,
                "unit": each.unit_number,
                "findings": each.findings,
                "failed": list(each.failed),
            }
            for each in reversed(history.visits)
        ],
        "findings": [
            {
                "run": each.run_id,
                "kind": words.kind_title(each.kind),
                "circuits": list(each.circuits),
                "place": each.place or "",
                "state": each.followup.state if each.followup else "open",
                "severity": each.severity,
            }
            for each in history.findings
        ],
    }

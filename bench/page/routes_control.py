"""What a paired device may do, and what only the one in control may."""

import asyncio
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import JSONResponse, Response

from bench.page import forms
from bench.page.bay import Bay
from bench.page.house import COOKIE, House, address_of
from bench.page.jobs import job_of
from bench.page.photos import MOST_BYTES, cleaned
from bench.page.remarks import PHOTO_PREFIX, Said, keep_remark
from bench.page.visit import Passed, Signature, Visit
from bench.profiles import load_profile, profile_names

COOKIE_LIVES_S = 400 * 24 * 3600  # as long as browsers keep one


def pairing_routes(house: House) -> APIRouter:
    """Pairing, and who is paired."""
    routes = APIRouter(prefix="/api", tags=["pairing"])

    @routes.post("/pair")
    async def pair(form: forms.Pair, request: Request) -> Response:
        """Pair this device with the code that the bench shows; its token comes in a cookie that no script reads."""
        tried = house.desk.try_code(form.code.replace(" ", ""), address_of(request))
        if tried.wait_s > 0:
            wait = f"{tried.wait_s:.0f}"
            return JSONResponse(
                {"detail": f"too many wrong codes: try again in {wait} s"}, 429, headers={"retry-after": wait}
            )
        if not tried.right:
            raise HTTPException(403, "this is not the code that the bench shows now")
        device, token = house.devices.pair(form.name)
        answer = JSONResponse({"device": {"id": device.id, "name": device.name}})
        answer.set_cookie(
            COOKIE, token, max_age=COOKIE_LIVES_S, httponly=True, samesite="strict", secure=house.tls, path="/"
        )
        return answer

    @routes.get("/devices")
    async def devices(request: Request) -> list[dict[str, Any]]:
        """Every paired device."""
        own = house.paired(request)
        return [
            {"id": each.id, "name": each.name, "paired": each.paired, "seen": each.seen, "own": each.id == own.id}
            for each in house.devices.all()
        ]

    @routes.delete("/devices/{device}")
    async def revoke(device: str, request: Request) -> dict[str, bool]:
        """Pair a device no more: its control ends at once."""
        house.paired(request)
        return {"removed": house.forget(device)}

    return routes


def control_routes(house: House) -> APIRouter:
    """What changes a bay."""
    routes = APIRouter(prefix="/api/bays/{name}", tags=["control"])

    @routes.post("/control")
    async def control(name: str, form: forms.Control, request: Request) -> dict[str, bool]:
        """Take control, or ask for it; hand it over, keep it, let go of it."""
        bay, device = house.bay(name), house.paired(request)
        match form.do:
            case "take":
                bay.take(device.id)
            case "give":
                if house.devices.called(form.to) is None:
                    raise HTTPException(404, "there is no such device")
                bay.give(device.id, form.to)
            case "keep":
                bay.keep(device.id)
            case "free":
                bay.free(device.id)
        return {"control": bay.controls(device.id)}

    @routes.put("/visit")
    async def check_in(name: str, form: forms.CheckIn, request: Request) -> dict[str, bool]:
        """A trailer comes in: another visit begins."""
        bay = house.bay(name)
        house.controlling(request, bay)
        if form.profile not in profile_names():  # a name only: pages don't read files of the bench
            raise HTTPException(422, f"there is no profile {form.profile!r}")
        profile = await asyncio.to_thread(load_profile, form.profile)
        visit = Visit(profile, form.unit_number, form.vin.upper(), form.operator, house.now())
        visit.passed["check-in"] = Passed("done")
        bay.begin(visit)
        return {"begun": True}

    @routes.delete("/visit")
    async def check_out(name: str, request: Request) -> dict[str, bool]:
        """The trailer leaves."""
        bay = house.bay(name)
        house.controlling(request, bay)
        bay.begin(None)
        return {"ended": True}

    @routes.post("/runs")
    async def start(name: str, form: forms.Start, request: Request) -> dict[str, bool]:
        """Make a run."""
        bay = house.bay(name)
        house.controlling(request, bay)
        bay.start(await asyncio.to_thread(job_of, form, bay, house.record))
        return {"started": True}

    @routes.post("/answer")
    async def answer(name: str, form: forms.Answered, request: Request) -> dict[str, bool]:
        """Answer what the run asks."""
        bay = house.bay(name)
        house.controlling(request, bay)
        bay.asking.answer(form.number, form.answer)
        return {"answered": True}

    @routes.post("/skip")
    async def skip(name: str, form: forms.SkipStep, request: Request) -> dict[str, bool]:
        """Leave out the step that is being done; it is then not tested, with this reason."""
        bay = house.bay(name)
        house.controlling(request, bay)
        return {"skipped": bay.job is not None and bay.job.skip is not None and bay.job.skip.now(form.reason)}

    @routes.post("/line")
    async def line(name: str, form: forms.Line, request: Request) -> dict[str, bool]:
        """Name the place where the wire is moved now, or, with nothing, end what lasts until then."""
        bay = house.bay(name)
        house.controlling(request, bay)
        typed = None if bay.job is None else bay.job.typed
        if typed is not None:
            typed.put(form.text)
        return {"heard": typed is not None}

    @routes.put("/stations/{station}")
    async def leave(name: str, station: forms.Station, form: forms.Left, request: Request) -> dict[str, bool]:
        """A station is done, skipped (with a reason), or open again."""
        bay = house.bay(name)
        device = house.controlling(request, bay)
        visit = _visit(bay)
        if form.how == "skipped" and len(form.reason) < 2:
            raise HTTPException(422, "say why it is skipped")
        if form.how == "open":
            visit.passed.pop(station, None)
        else:
            visit.passed[station] = Passed(form.how, form.reason)
        if form.how == "skipped":
            await keep_remark(house, bay, visit, Said(station, f"{station} skipped: {form.reason}", device.name))
        bay.visit_changed()
        return {"left": True}

    @routes.post("/notes")
    async def note(name: str, form: forms.Note, request: Request) -> dict[str, bool]:
        """Add a remark."""
        bay = house.bay(name)
        device = house.controlling(request, bay)
        visit = _visit(bay)
        await keep_remark(house, bay, visit, Said(form.about, form.text, visit.operator or device.name))
        return {"noted": True}

    @routes.post("/photos")
    async def photo(name: str, request: Request, about: str = "") -> dict[str, str]:
        """Add a photo, as JPEG, PNG or WebP; it is written anew, without anything but its pixels."""
        bay = house.bay(name)
        device = house.controlling(request, bay)
        visit = _visit(bay)
        run = visit.run_of(about)
        if run is None:
            raise HTTPException(409, "test something first: a photo is kept with a record")
        body = await request.body()
        if len(body) > MOST_BYTES:
            raise HTTPException(413, "the photo is too big")
        picture = await asyncio.to_thread(cleaned, body)
        number = len(visit.remarks) + 1
        file = f"{number:03}.jpg"
        await house.ask_records(lambda store: store.attach(run.id, f"{PHOTO_PREFIX}{file}", picture))
        shown = f"{run.id}.{file}"
        await keep_remark(house, bay, visit, Said(about[:80], f"photo {number}", device.name, shown))
        return {"photo": shown}

    @routes.post("/signature")
    async def sign(name: str, form: forms.Sign, request: Request) -> dict[str, bool]:
        """Stand by the visit: name and time go into the record."""
        bay = house.bay(name)
        house.controlling(request, bay)
        visit = _visit(bay)
        if visit.main is None:
            raise HTTPException(409, "nothing was tested: there is nothing to sign")
        text = f"signed by {form.name}: I have seen these results and stand by them"
        await keep_remark(house, bay, visit, Said("sign", text, form.name))
        visit.signature = Signature(form.name, house.now().isoformat(timespec="seconds"))
        visit.passed["sign"] = Passed("done")
        bay.visit_changed()
        return {"signed": True}

    return routes


def _visit(bay: Bay) -> Visit:
    if bay.visit is None:
        raise HTTPException(409, "check a trailer in first")
    return bay.visit

"""What comes over the network: who is heard, who may what, and what is refused."""

import asyncio
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import websockets
from PIL import Image

from tests.bench.page.served import Served, served


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served({"north": "sim:", "south": "sim:lamp-out"}, tmp_path_factory.mktemp("page")) as found:
        yield found


@pytest.fixture
def token(page: Served) -> str:
    return page.pair()


def take(page: Served, token: str, bay: str = "north") -> None:
    for device in page.ask("/api/devices", token=token).json:
        if not device["own"]:
            page.ask(f"/api/devices/{device['id']}", "DELETE", token=token)
    assert page.ask(f"/api/bays/{bay}/control", "POST", {"do": "take"}, token).json["control"]


def check_in(page: Served, token: str, unit: str = "TR-1", bay: str = "north") -> None:
    take(page, token, bay)
    form = {"profile": "tandem-53ft", "unit_number": unit, "vin": "1M8GDM9AXKP042788", "operator": "A. Fitter"}
    assert page.ask(f"/api/bays/{bay}/visit", "PUT", form, token).status == 200


# --- who is heard ---


def test_a_name_that_somebody_made_point_here_is_turned_away(page: Served) -> None:
    assert page.ask("/", host="evil.example").status == 403
    assert page.ask("/api/bays/north/stop", "POST", {}, host="evil.example").status == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1"])
def test_another_site_can_change_nothing_and_not_even_stop(page: Served, token: str, origin: str) -> None:
    for path in ("stop", "control", "runs", "answer", "notes"):
        assert page.ask(f"/api/bays/north/{path}", "POST", {"do": "take"}, token, origin=origin).status == 403


def test_another_site_cannot_listen(page: Served) -> None:
    async def listen() -> None:
        async with websockets.connect(f"ws://{page.host}/api/bays/north/live", origin="http://evil.example"):  # type: ignore[arg-type]
            pass

    with pytest.raises(websockets.InvalidStatus, match="403"):
        asyncio.run(listen())


def test_a_form_of_another_site_without_origin_is_known_by_what_the_browser_says_of_it(page: Served) -> None:
    assert page.ask("/api/bays/north/stop", "POST", {}, sec_fetch_site="cross-site").status == 403


def test_every_answer_carries_the_policy(page: Served) -> None:
    for path in ("/", "/static/main.js", "/api/bays", "/api/nothing"):
        headers = page.ask(path).headers
        assert "script-src 'self'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"


def test_the_interface_is_described(page: Served) -> None:
    paths = page.ask("/api/openapi.json").json["paths"]

    assert {"/api/pair", "/api/bays/{name}/stop", "/api/bays/{name}/runs"} <= set(paths)


# --- who may what ---


def test_whoever_watches_may_stop_and_nothing_else(page: Served) -> None:
    assert page.ask("/api/bays/north/stop", "POST", {}).json == {"off": True}
    assert page.ask("/api/bays/north/control", "POST", {"do": "take"}).status == 401
    assert page.ask("/api/bays/north/runs", "POST", {"run": {"kind": "walk"}}).status == 401
    assert page.ask("/api/devices").status == 401


def test_a_paired_device_without_control_starts_nothing(page: Served) -> None:
    first = page.pair("first")
    take(page, first)
    second = page.pair("second")

    assert page.ask("/api/bays/north/runs", "POST", {"run": {"kind": "walk"}}, second).status == 403
    assert not page.ask("/api/bays/north/control", "POST", {"do": "take"}, second).json["control"]
    state = page.ask("/api/bays/north").json
    assert state["control"]["holder"]["name"] == "first"
    assert state["control"]["asking"]["name"] == "second"


def test_control_is_handed_over_and_the_first_has_it_no_more(page: Served) -> None:
    first = page.pair("first")
    take(page, first)
    second = page.pair("second")
    page.ask("/api/bays/north/control", "POST", {"do": "take"}, second)
    asking = page.ask("/api/bays/north").json["control"]["asking"]["id"]

    page.ask("/api/bays/north/control", "POST", {"do": "give", "to": asking}, first)

    assert page.ask("/api/bays/north").json["control"]["holder"]["name"] == "second"
    assert page.ask("/api/bays/north/visit", "DELETE", {}, first).status == 403


def test_a_revoked_device_controls_nothing_from_that_moment_on(page: Served) -> None:
    first = page.pair("first")
    take(page, first)
    mine = page.ask("/api/me", token=first).json["device"]["id"]

    page.ask(f"/api/devices/{mine}", "DELETE", token=page.pair("second"))

    assert page.ask("/api/bays/north").json["control"]["holder"] is None
    assert page.ask("/api/bays/north/visit", "DELETE", {}, first).status == 401


def test_a_hundred_wrong_codes_pair_nobody_and_are_slowed_down(tmp_path: Path) -> None:
    with served({"north": "sim:"}, tmp_path) as page:
        answers = [page.ask("/api/pair", "POST", {"code": "000000", "name": "thief"}) for _ in range(100)]

        assert {answer.status for answer in answers} == {403, 429}
        assert sum(answer.status == 429 for answer in answers) >= 95
        assert int(answers[-1].headers["retry-after"]) > 0
        assert page.ask("/api/pair", "POST", {"code": page.codes[-1]}).status == 429
        assert "thief" not in (tmp_path / "devices.json").read_text() if (tmp_path / "devices.json").exists() else True


def test_thirty_devices_are_paired_and_each_is_known(page: Served) -> None:
    tokens = [page.pair(f"phone {number}") for number in range(30)]

    names = [page.ask("/api/me", token=token).json["device"]["name"] for token in tokens]
    assert names == [f"phone {number}" for number in range(30)]


def test_the_token_is_in_a_cookie_that_no_script_and_no_other_site_gets(page: Served) -> None:
    answer = page.ask("/api/pair", "POST", {"code": page.codes[-1], "name": "x"})
    cookie = answer.headers["set-cookie"].lower()

    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert cookie.split(";")[0].partition("=")[2] not in answer.body.decode().lower()


def test_only_paired_devices_watch_where_that_is_wanted_and_everybody_stops(tmp_path: Path) -> None:
    with served({"north": "sim:"}, tmp_path, paired_only=True) as page:
        assert page.ask("/api/bays").status == 401
        assert page.ask("/api/bays/north/stop", "POST", {}).json == {"off": True}
        assert page.ask("/api/bays", token=page.pair()).status == 200


# --- what is refused ---


@pytest.mark.parametrize(
    ("method", "path", "form"),
    [
        ("PUT", "visit", {"profile": "/etc/passwd"}),
        ("PUT", "visit", {"profile": "tandem-53ft", "more": 1}),
        ("PUT", "visit", {"profile": "tandem-53ft", "unit_number": "x" * 1000}),
        ("POST", "runs", {"run": {"kind": "launch"}}),
        ("POST", "runs", {"run": {"kind": "walk", "seconds": -1}}),
        ("POST", "runs", {"run": {"kind": "power", "only": ["no such circuit"]}}),
        ("POST", "runs", {"run": {"kind": "inspect", "only": ["no such step"]}}),
        ("POST", "answer", {"number": 7, "answer": True}),
        ("POST", "notes", {"about": "", "text": ""}),
        ("PUT", "stations/wiggle", {"how": "skipped", "reason": ""}),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(
    page: Served, token: str, method: str, path: str, form: dict[str, Any]
) -> None:
    check_in(page, token)
    answer = page.ask(f"/api/bays/north/{path}", method, form, token)

    assert answer.status == 422
    assert answer.json["detail"]


def test_a_body_that_is_too_long_or_does_not_say_how_long_is_not_read(page: Served, token: str) -> None:
    assert page.ask("/api/bays/north/notes", "POST", b"x" * 70_000, token).status == 413
    assert page.ask("/api/bays/north/notes", "POST", None, token, transfer_encoding="chunked").status == 411


def test_a_file_that_is_no_photo_is_refused(page: Served, token: str) -> None:
    check_in(page, token)

    assert page.ask("/api/bays/north/photos", "POST", b"<svg/>", token).status == 409  # nothing was tested yet


def test_no_secret_is_in_an_address(page: Served) -> None:
    """Addresses are kept in histories and logs; codes and tokens travel in bodies and cookies."""
    paths = page.ask("/api/openapi.json").json["paths"]
    named = {each["name"] for path in paths.values() for way in path.values() for each in way.get("parameters", [])}

    assert named == {"name", "which", "run", "photo", "record", "unit", "vin", "device", "station", "about"}


# --- a visit over the network ---


def finished(page: Served, token: str, bay: str) -> dict[str, Any]:
    """Answer yes until nothing is being done any more."""
    for _ in range(2000):
        state: dict[str, Any] = page.ask(f"/api/bays/{bay}").json
        if (asked := state["question"]) is not None:
            page.ask(f"/api/bays/{bay}/answer", "POST", {"number": asked["number"], "answer": True}, token)
        elif state["doing"] is None and state["visit"]["runs"]:
            return state
    raise AssertionError("it never ended")


def test_notes_photos_and_signature_are_in_the_record_and_what_people_typed_is_just_text(
    page: Served, token: str
) -> None:
    check_in(page, token, unit="<script>alert(1)</script>", bay="south")
    page.ask("/api/bays/south/runs", "POST", {"run": {"kind": "inspect", "only": ["supply", "circuits"]}}, token)
    state = finished(page, token, "south")
    run = state["visit"]["runs"][-1]
    about = run["findings"][0]["key"]
    out = io.BytesIO()
    Image.new("RGB", (20, 20), "red").save(out, "PNG")

    photo = page.ask(f"/api/bays/south/photos?about={about}", "POST", out.getvalue(), token).json["photo"]
    assert page.ask("/api/bays/south/photos", "POST", b"<svg/>", token).status == 422
    page.ask("/api/bays/south/notes", "POST", {"about": about, "text": "socket <b>corroded</b>"}, token)
    page.ask("/api/bays/south/stations/wiggle", "PUT", {"how": "skipped", "reason": "no time"}, token)
    assert page.ask("/api/bays/south/signature", "POST", {"name": "A. Fitter"}, token).json == {"signed": True}

    assert page.ask(f"/api/bays/south/photos/{photo}").body.startswith(b"\xff\xd8")
    assert page.ask("/api/bays/south/photos/no.jpg").status == 404
    report = page.ask(f"/api/records/{run['id']}/report")
    assert b"<script>" not in report.body
    assert b"&lt;script&gt;" in report.body
    assert "sandbox" in report.headers["content-security-policy"]
    kept = page.ask("/api/units/%3Cscript%3Ealert(1)%3C%2Fscript%3E").json
    assert kept["visits"][0]["id"] == run["id"]
    drawing = page.ask(f"/api/bays/south/drawings/face?run={run['id']}").body
    assert drawing.startswith(b"<svg xmlns=")


# --- many watchers ---


def test_fifty_watchers_see_twenty_readings_a_second_and_all_of_them_the_stop(page: Served) -> None:
    async def watch(heard: list[int]) -> None:
        async with websockets.connect(f"ws://{page.host}/api/bays/north/live") as line:
            async with asyncio.timeout(30):
                first = {json.loads(await line.recv())["t"] for _ in range(2)}
                assert first == {"state", "visit"}
                while heard[0] < 20:
                    heard[0] += json.loads(await line.recv())["t"] == "live"
                while True:
                    message = json.loads(await line.recv())
                    if message["t"] == "state" and any("stopped" in each["text"] for each in message["notices"]):
                        return

    async def all_of_them() -> None:
        heards = [[0] for _ in range(50)]
        async with asyncio.TaskGroup() as tasks:
            for heard in heards:
                tasks.create_task(watch(heard))
            async with asyncio.timeout(30):
                while min(heard[0] for heard in heards) < 20:  # noqa: ASYNC110 - fifty conditions
                    await asyncio.sleep(0.05)
            await asyncio.to_thread(page.ask, "/api/bays/north/stop", "POST", {})

    asyncio.run(all_of_them())

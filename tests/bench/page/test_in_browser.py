"""The page in a real browser, as technician and watcher have it: whole flow, holding, dropping out, handing over."""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.bench.page.served import Served, served
from tests.bench.page.trailers import full_of_air

ROOT = Path(__file__).resolve().parents[3]
CHROMIUM = "/usr/bin/chromium"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 780}, "has_touch": True}
DESK: dict[str, Any] = {"viewport": {"width": 1360, "height": 820}, "color_scheme": "dark"}
PATIENCE_MS = 30_000
AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield started
        started.close()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("page")
    with served({"north": "sim:lamp-out", "south": "sim:", "air": full_of_air(folder)}, folder) as found:
        yield found


class Device:
    """A browser of its own, as another phone would be."""

    def __init__(self, browser: Browser, served_page: Served, **looks: Any) -> None:
        self.served = served_page
        self.token = ""
        self.context = browser.new_context(**(looks or PHONE))
        self.context.add_init_script(AXE)
        self.wrong: list[str] = []
        self.tab()

    def tab(self) -> None:
        """Another tab, in place of the one before."""
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda message: message.type == "error" and self.wrong.append(message.text))

    def open(self, *parts: str) -> "Device":
        self.page.goto(self.served.url + "#/" + "/".join(parts))
        return self

    def pair(self, name: str) -> "Device":
        self.token = self.served.pair(name)
        self.context.add_cookies(
            [
                {
                    "name": "umbilical_device",
                    "value": self.token,
                    "url": self.served.url,
                    "httpOnly": True,
                    "sameSite": "Strict",
                }
            ]
        )
        return self

    def press(self, name: str, *, exact: bool = True) -> None:
        self.page.get_by_role("button", name=name, exact=exact).first.click()

    def see(self, text: str) -> None:
        self.page.get_by_text(text).first.wait_for()

    def sound(self) -> None:
        """No violation that the checker knows, and no error of the page's own."""
        self.page.locator("header.top h1, .wall h1").first.wait_for(state="attached")
        found = self.page.evaluate(
            "axe.run(document).then(done => done.violations.map(one => [one.id, one.nodes[0].html]))"
        )
        assert found == []
        assert self.wrong == []

    def check_in(self, bay: str, unit: str) -> None:
        """Control of the bay and a trailer in it, without the page: the whole visit does that with the page."""
        assert self.served.ask(f"/api/bays/{bay}/control", "POST", {"do": "take"}, self.token).json["control"]
        form = {"profile": "tandem-53ft", "unit_number": unit}
        wait_for(lambda: self.served.ask(f"/api/bays/{bay}/visit", "PUT", form, self.token).status == 200)


@pytest.fixture
def device(browser: Browser, page: Served) -> Iterator[Callable[..., Device]]:
    made: list[Device] = []

    def make(**looks: Any) -> Device:
        made.append(Device(browser, page, **looks))
        return made[-1]

    yield make
    for each in made:
        each.context.close()


def free(page: Served, bay: str) -> None:
    """Whoever had control in an earlier test has it no more, and nothing is being done."""
    page.ask(f"/api/bays/{bay}/stop", "POST", {})
    token = page.pair("tidy")
    for other in page.ask("/api/devices", token=token).json:
        if not other["own"]:
            page.ask(f"/api/devices/{other['id']}", "DELETE", token=token)


def test_a_whole_visit_on_a_phone(device: Callable[..., Device], page: Served) -> None:
    phone = device()
    phone.open("pair", "north")
    phone.sound()
    phone.page.locator("input.code").fill(page.codes[-1])
    phone.press("Pair")
    phone.page.get_by_label("Unit number").fill("TR-117 <b>")
    phone.page.get_by_label("VIN").fill("1M8GDM9AXKP042789")
    phone.see("position 9 should be")
    phone.page.get_by_text("SAE J560").first.click()
    phone.page.get_by_text("53-ft tandem van trailer, bulbs").first.click()
    phone.sound()
    phone.press("Check in")
    phone.see("TR-117 <b>")
    phone.press("Read, and seen to")
    phone.press("Test all circuits")
    phone.see("Are the wheels chocked")
    phone.sound()
    phone.page.reload()  # a dead phone, in the middle of a question
    phone.see("Are the wheels chocked")
    phone.press("Yes")
    phone.press("To the findings")
    phone.page.locator(".card h3", has_text="Lamp out").wait_for()
    phone.page.locator(".drawing.face svg circle").first.wait_for()
    phone.sound()
    phone.page.get_by_role("button", name="Note").first.click()
    phone.page.get_by_role("textbox", name="Note").fill("socket corroded")
    phone.press("Keep the note")
    phone.see("socket corroded")
    phone.press("Next")
    phone.page.get_by_text("5 s", exact=True).click()
    phone.press("Start the walk-round")
    phone.press("Yes")
    phone.page.locator(".countdown").wait_for()
    phone.sound()
    phone.press("STOP", exact=False)
    phone.press("Next")
    phone.press("Leave this station out…")
    phone.press("no time")
    phone.page.get_by_role("button", name="Tap at every blink").wait_for()
    phone.sound()
    phone.press("Tap at every blink", exact=False)
    phone.press("Tap at every blink", exact=False)
    phone.page.get_by_text("2", exact=True).first.wait_for()
    phone.press("Keep and go on")
    phone.page.wait_for_url("**/air")  # else the button of the station before is still there
    phone.press("Leave this station out…")
    phone.press("not fitted")
    phone.see("Test again what failed")
    phone.sound()
    phone.press("Next")
    phone.page.get_by_label("I have seen these results").fill("A. Fitter")
    phone.press("Sign")
    phone.see("Signed by A. Fitter")
    phone.sound()
    said = {each["text"] for each in page.ask("/api/bays/north").json["visit"]["remarks"]}
    assert {"socket corroded", "wiggle skipped: no time", "air skipped: not fitted"} <= said
    assert any("blink code counted by a person: 2" in text for text in said)


def test_a_watcher_sees_the_run_and_stops_it_with_one_tap(device: Callable[..., Device], page: Served) -> None:
    free(page, "south")
    phone, desk = device().pair("phone"), device(**DESK)
    phone.check_in("south", "TR-1")
    phone.open("bay", "south", "lamps")
    phone.press("Start the walk-round")
    phone.press("Yes")
    phone.page.locator(".countdown").wait_for()

    desk.open("wall")
    desk.page.get_by_text("TR-1", exact=True).wait_for()
    desk.sound()
    desk.open("bay", "south")
    desk.page.locator(".countdown").wait_for()
    desk.sound()
    desk.press("STOP", exact=False)

    phone.page.get_by_role("button", name="Start the walk-round").wait_for()
    assert page.ask("/api/bays/south").json["doing"] is None


def test_control_is_asked_for_and_handed_over(device: Callable[..., Device], page: Served) -> None:
    free(page, "south")
    first, second = device().pair("first"), device().pair("second")
    first.open("bay", "south")
    first.press("Take control")
    second.open("bay", "south")
    second.press("Ask for control")

    first.see("second asks for control")
    first.sound()
    first.press("Hand it over")
    second.see("You control")
    first.see("second controls")


# --- holding ---


def state(page: Served) -> dict[str, Any]:
    found: dict[str, Any] = page.ask("/api/bays/air").json
    return found


def wait_for(so: Callable[[], object], longest_s: float = 60.0) -> None:
    until_s = time.monotonic() + longest_s
    while not so():
        assert time.monotonic() < until_s
        time.sleep(0.02)


def holding(phone: Device, page: Served) -> None:
    """Brakes that a finger holds applied; a slow machine may lose the finger, and the finger presses again."""
    answered = 0
    deadline_s = time.monotonic() + 90
    while state(page)["hold"] | {"keeps": 0} != {
        "needed": True,
        "waits": False,
        "held": True,
        "keeps": 0,
        "stage": "apply",
    }:
        assert time.monotonic() < deadline_s
        now = state(page)
        if now["doing"] is None:
            phone.press("Hold the brakes by hand")
        elif now["question"] and now["question"]["number"] != answered:
            answered = now["question"]["number"]
            phone.press("Yes")
        elif now["hold"]["waits"]:
            phone.page.mouse.up()
            phone.page.locator(".hold-button").hover()
            phone.page.mouse.down()
        phone.page.wait_for_timeout(50)


# --- the network and the server ---


class Relay:
    """A network between a browser and the server, which can go dead without a word."""

    def __init__(self, host: str) -> None:
        address, _, port = host.partition(":")
        self._server = (address, int(port))
        self._dead = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._open = [self._listening]
        self.port = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def die(self) -> None:
        self._dead.set()

    def close(self) -> None:
        self.die()
        for each in self._open:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            far = socket.create_connection(self._server)
            self._open += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65536):
                if self._dead.is_set():
                    return
                other.sendall(data)
            other.shutdown(socket.SHUT_WR)
        except OSError:
            return


def released(page: Served) -> None:
    wait_for(lambda: not state(page)["hold"]["held"])
    wait_for(lambda: state(page)["hold"]["stage"] != "apply" or state(page)["hold"]["waits"])


def test_a_lifted_finger_a_closed_tab_and_a_dead_network_release_the_brakes(browser: Browser, page: Served) -> None:
    free(page, "air")
    relay = Relay(page.host)
    phone = Device(browser, Served(f"http://127.0.0.1:{relay.port}/", page.codes)).pair("phone")
    phone.check_in("air", "TR-9")
    phone.open("bay", "air", "air")
    holding(phone, page)
    phone.sound()

    phone.page.mouse.up()
    released(page)
    phone.see("Press and keep pressing")

    holding(phone, page)
    phone.page.close()
    released(page)

    phone.tab()
    phone.open("bay", "air")
    holding(phone, page)
    relay.die()
    released(page)
    phone.see("No connection to the bench")

    phone.context.close()
    relay.close()
    page.ask("/api/bays/air/stop", "POST", {})
    wait_for(lambda: state(page)["doing"] is None)


def command(folder: Path, *words: str) -> "subprocess.Popen[str]":
    code = "import sys; from bench.cli import main; sys.exit(main())"
    environment = {**os.environ, "PYTHONUNBUFFERED": "1", "XDG_DATA_HOME": str(folder)}
    return subprocess.Popen(
        [sys.executable, "-c", code, *words],
        cwd=ROOT,
        env=environment,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )


def line_with(process: "subprocess.Popen[str]", pattern: str) -> "re.Match[str]":
    assert process.stdout
    for line in process.stdout:
        if found := re.search(pattern, line):
            return found
    raise AssertionError(pattern)


def test_a_killed_server_leaves_a_board_that_switches_off_by_itself(tmp_path: Path) -> None:
    """The last defence is the board's watchdog: nobody is left who could tell it anything."""
    board = command(tmp_path, "sim", "healthy-tandem", "--tcp", "0")
    url = line_with(board, r"tcp://127.0.0.1:(\d+)")
    server = command(
        tmp_path, "serve", "--board", url[0], "--port", "0", "--record", str(tmp_path / "r.sqlite"), "--forget-devices"
    )
    try:
        code = line_with(server, r"code +(\d{3}) (\d{3})")
        page = Served(line_with(server, r"page +(\S+)")[1], ["".join(code.groups())])
        token = page.pair()
        wait_for(lambda: page.ask("/api/bays/bay").json["board"]["connected"])
        page.ask("/api/bays/bay/control", "POST", {"do": "take"}, token)
        page.ask("/api/bays/bay/visit", "PUT", {"profile": "tandem-53ft"}, token)
        page.ask("/api/bays/bay/runs", "POST", {"run": {"kind": "power", "only": ["stop"]}}, token)
        wait_for(lambda: page.ask("/api/bays/bay").json["question"])
        page.ask("/api/bays/bay/answer", "POST", {"number": 1, "answer": True}, token)
        wait_for(lambda: current_a(int(url[1])) > 0.1)

        server.send_signal(signal.SIGKILL)

        wait_for(lambda: current_a(int(url[1])) < 0.05, 10.0)
    finally:
        for process in (server, board):
            process.kill()
            process.communicate(timeout=10)


def current_a(port: int) -> float:
    """What the stop circuit's channel gives, read by another client that holds nothing."""
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(b"MEAS:CURR? (@3)\n")
        return float(line.recv(200).split()[-1].split(b",")[-1])

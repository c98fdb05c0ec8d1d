"""What the live page costs and how fast it is, in a real browser on this machine: run ``python -m tools.bench_page``.

- value to pixel: from a change on the (simulated) board to the frame of a browser that shows it. A page shows the
  board's clock of its newest reading; a change at any instant is on the screen with the first reading that is not
  older. How far the board's clock is from ours is asked over a line of its own, to a millisecond.
- stop: from the request to the answer that the board has everything off, with 50 others watching.
- size: every file that a browser gets, compressed as it travels. Interactive: from navigation to the first button,
  with the processor slowed down four times by the browser's own tool.
- memory of a bay over 100,000 events.

Board, server, browser and watchers share this machine, and whatever else runs on it: its load is printed beside.
"""

import argparse
import asyncio
import gzip
import itertools
import json
import os
import random
import re
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import websockets
from playwright.async_api import Page, async_playwright

from bench.events import Changed
from bench.page.bay import Bay, Job
from bench.page.doing import Doing
from bench.page.server import STATIC

CHROMIUM = "/usr/bin/chromium"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
BAY = "/api/bays/bay"
CIRCUIT_PIN = "4"
WARM_UP, EVENTS = 20_000, 100_000
LOOK = """() => {
  window.frames_seen = [];
  const note = () => {
    const u = Number(document.querySelector("output.supply")?.dataset.u);
    requestAnimationFrame(() => requestAnimationFrame(() => {
      window.frames_seen.push([u, performance.timeOrigin + performance.now()]);
    }));
  };
  const what = {subtree: true, attributes: true, attributeFilter: ["data-u"]};
  new MutationObserver(note).observe(document.querySelector("header.top"), what);
}"""


class Client:
    """A paired device that controls the bay."""

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        self.token = ""

    def ask(self, path: str, body: dict[str, Any] | None = None, method: str | None = None) -> Any:
        """One request; the cookie that comes is kept."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"content-type": "application/json", "cookie": self.token}
        request = urllib.request.Request(self.url + path, data, headers, method=method)  # noqa: S310 - our own server
        with urllib.request.urlopen(request, timeout=60) as answer:  # noqa: S310
            if cookie := answer.headers.get("set-cookie"):
                self.token = cookie.split(";")[0]
            return json.load(answer)

    def wait(self, what: str) -> Any:
        """Until the bay's state has it."""
        while not (found := self.ask(BAY)[what]):
            time.sleep(0.02)
        return found


@contextmanager
def command(folder: str, *words: str) -> Iterator["subprocess.Popen[str]"]:
    """``umbilical`` in a process of its own."""
    code = "import sys; from bench.cli import main; sys.exit(main())"
    process = subprocess.Popen(
        [sys.executable, "-u", "-c", code, *words],
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, "XDG_DATA_HOME": folder},  # paired devices are kept there
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(30)


def read(process: "subprocess.Popen[str]", pattern: str) -> "re.Match[str]":
    """The first line that a process prints of this form."""
    for line in process.stdout or ():
        if found := re.search(pattern, line):
            return found
    raise RuntimeError(f"the process ended without {pattern}")


def began_s(port: int) -> float:
    """Wall clock at which the board's clock was zero: half-way between question and answer, the quickest of many."""
    best = (float("inf"), 0.0)
    with socket.create_connection(("127.0.0.1", port)) as line:
        answers = line.makefile()
        for _ in range(200):
            sent_s = time.time()
            line.sendall(b"SYST:UPT?\n")
            uptime = float(answers.readline().split()[-1])
            got_s = time.time()
            seconds = uptime / 1e6 if uptime > 1e5 else uptime
            best = min(best, (got_s - sent_s, (sent_s + got_s) / 2 - seconds))
    return best[1]


def percentile(values: Sequence[float], share: float) -> float:
    """The value that ``share`` of all do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


async def watcher(url: str) -> None:
    """Listen for ever, as one more phone."""
    async with websockets.connect(f"{url.replace('http', 'ws', 1).rstrip('/')}{BAY}/live") as line:
        async for _ in line:
            pass


async def value_to_pixel(page: Page, port: int, seconds: float) -> list[float]:
    """Delays of changes at random instants, in seconds.

    A simulated board on a busy machine may fall behind the wall clock, so its zero is asked before and after.
    """
    first_s = await asyncio.to_thread(began_s, port)
    await page.evaluate(LOOK)
    await asyncio.sleep(seconds)
    seen: list[tuple[float, float]] = await page.evaluate("window.frames_seen")
    zero_s = (first_s + await asyncio.to_thread(began_s, port)) / 2
    draw = random.Random(1)
    delays = []
    for (before_u, _), (u, shown_ms) in itertools.pairwise(seen):
        delays += [shown_ms / 1000 - (zero_s + draw.uniform(before_u, u)) for _ in range(4)]
    return delays


def stops(client: Client, count: int) -> list[float]:
    """How long stopping a lit circuit took, each time.

    Raises:
        RuntimeError: the board did not confirm.
    """
    took = []
    for _ in range(count):
        client.ask(BAY + "/control", {"do": "take"})
        client.ask(BAY + "/runs", {"run": {"kind": "power", "only": ["stop"]}})
        asked = client.wait("question")
        client.ask(BAY + "/answer", {"number": asked["number"], "answer": True})
        while client.ask(BAY)["doing"]["progress"] is None:
            time.sleep(0.05)
        began = time.perf_counter()
        said = client.ask(BAY + "/stop", {})
        took.append(time.perf_counter() - began)
        if not said["off"]:
            raise RuntimeError("the board did not confirm")
        while client.ask(BAY)["doing"] is not None:
            time.sleep(0.02)
    return took


async def interactive(page: Page, url: str) -> float:
    """Seconds from navigation to the first button, at a quarter of the processor."""
    session = await page.context.new_cdp_session(page)
    await session.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    began = time.perf_counter()
    await page.goto(url + "#/bay/bay", wait_until="commit")
    await page.locator("button.stop").wait_for()
    took = time.perf_counter() - began
    await session.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    return took


async def measure(url: str, client: Client, port: int, options: argparse.Namespace) -> None:
    """Everything that needs a browser."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        opened = []
        for _ in range(3):
            page = await (await browser.new_context()).new_page()
            opened.append(await interactive(page, url))
            await page.context.close()
        print(f"interactive, 4 times slower processor: {min(opened):.2f} to {max(opened):.2f} s (goal 1 s)")
        page = await browser.new_page()
        await page.goto(url + "#/bay/bay")
        await page.locator("output.supply").wait_for()
        async with asyncio.TaskGroup() as watchers:
            tasks: list[asyncio.Task[None]] = []
            for count, goal in ((10, 150), (50, 250)):
                tasks += [watchers.create_task(watcher(url)) for _ in range(len(tasks), count - 1)]
                await asyncio.sleep(1.0)
                delays = await value_to_pixel(page, port, options.seconds)
                print(
                    f"value to pixel, {count} watchers: median {percentile(delays, 0.5) * 1000:.0f}, "
                    f"p95 {percentile(delays, 0.95) * 1000:.0f} ms of {len(delays)} (goal {goal})"
                )
                await page.reload()
                await page.locator("output.supply").wait_for()
            took = await asyncio.to_thread(stops, client, options.stops)
            print(
                f"stop to outputs off, 50 watchers: median {percentile(took, 0.5) * 1000:.0f}, "
                f"p99 {percentile(took, 0.99) * 1000:.0f} ms of {len(took)} (goal 150)"
            )
            for task in tasks:
                task.cancel()
        await browser.close()


# --- without a browser ---


def size() -> None:
    """What travels for a whole visit, each file compressed."""
    files = [
        path for path in STATIC.rglob("*") if path.suffix in {".html", ".js", ".css", ".json", ".svg", ".webmanifest"}
    ]
    total = sum(len(gzip.compress(path.read_bytes(), 9)) for path in files)
    print(f"page, {len(files)} files compressed: {total / 1000:.0f} kB (goal 150)")


def resident_kb() -> int:
    """Memory of this process."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") // 1024


async def memory() -> None:
    """A bay with ten watchers that hears very many events."""
    bay = Bay("bay", "sim:", None, str)

    async def never(_: object) -> Any:
        await asyncio.Event().wait()

    bay.job = Job(Doing("wiggle"), never)
    with bay.fanout.watcher() as one, bay.fanout.watcher() as slow:
        messages = one.messages()
        for number in range(WARM_UP + EVENTS):
            bay._tell(Changed("wiggle", number * 0.01, "stop", "broke", number, "nose"))
            if number % 50 == 0:
                await asyncio.sleep(0)
                bay.fanout.live(lambda: {"u": 0.0})
            if number % 2000 == 0:
                await asyncio.sleep(0.04)
                await anext(messages)
            if number == WARM_UP:
                before_kb = resident_kb()
        del slow
    print(f"memory over {EVENTS:,} events: {resident_kb() - before_kb:+,} kB of {before_kb:,} kB (goal: flat)")


def main() -> None:
    """Measure all of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=15.0, help="of watching, for each number of watchers")
    parser.add_argument("--stops", type=int, default=50)
    options = parser.parse_args()
    size()
    asyncio.run(memory())
    with TemporaryDirectory() as folder, command(folder, "sim", "healthy-tandem", "--tcp", "0") as board:
        where = read(board, r"tcp://127.0.0.1:(\d+)")
        record = str(Path(folder) / "records.sqlite")
        with command(folder, "serve", "--board", where[0], "--port", "0", "--record", record) as server:
            code = "".join(read(server, r"code +(\d{3}) (\d{3})").groups())
            url = read(server, r"page +(\S+)")[1]
            client = Client(url)
            while not client.ask(BAY)["board"]["connected"]:
                time.sleep(0.1)
            client.ask("/api/pair", {"code": code, "name": "bench"})
            client.ask(BAY + "/control", {"do": "take"})
            client.ask(BAY + "/visit", {"profile": "tandem-53ft"}, "PUT")
            asyncio.run(measure(url, client, int(where[1]), options))
    print("load of the machine: " + " ".join(f"{each:.1f}" for each in os.getloadavg()))


if __name__ == "__main__":
    main()

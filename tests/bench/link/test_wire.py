import asyncio
import errno
import socket

import pytest

from bench.link.url import parse_board_url
from bench.link.wire import BackOff, cannot_open

PORT = parse_board_url("serial:///dev/ttyUSB0?baud=9600")
HOST = parse_board_url("tcp://bay-2:5025")


@pytest.mark.parametrize(
    ("url", "error", "advice"),
    [
        (PORT, PermissionError(errno.EACCES, "denied"), "permission denied; give your user access .* group dialout"),
        (PORT, BlockingIOError(errno.EAGAIN, "lock"), "the port is busy; close the other program"),
        (PORT, FileNotFoundError(errno.ENOENT, "none"), "there is no port /dev/ttyUSB0; serial ports here:"),
        (PORT, OSError(errno.EIO, "I/O"), "unplug the adapter and plug it in again"),
        (PORT, OSError("something else"), "cannot be opened: something else"),
        (HOST, ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "connection refused; check the port number"),
        (HOST, TimeoutError(), "no answer within 3 s; check the address"),
        (HOST, socket.gaierror(-2, "unknown"), "no host is called 'bay-2'"),
        (HOST, OSError(errno.EHOSTUNREACH, "no route"), "no route to the host; check cable"),
        (HOST, OSError(errno.ENETUNREACH, "no net"), "no network; check cable"),
    ],
)
def test_why_a_board_cannot_be_reached_is_one_line_with_advice(url, error, advice):
    told = cannot_open(url, error)

    assert told.exit_code == 69
    assert str(told).startswith(f"{url.text}: ")
    assert "\n" not in str(told)
    with pytest.raises(type(told), match=advice):
        raise told


@pytest.mark.virtual_time
async def test_attempts_follow_each_other_ever_more_slowly_up_to_a_bound():
    back_off, pauses_s = BackOff(), []
    loop = asyncio.get_running_loop()

    for _ in range(8):
        begun_s = loop.time()
        await back_off.wait()
        pauses_s.append(round(loop.time() - begun_s, 3))
        back_off.failed()
    back_off.succeeded()
    back_off.failed()
    begun_s = loop.time()
    await back_off.wait()

    assert pauses_s == [0, 0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0]
    assert loop.time() - begun_s == pytest.approx(0.1)

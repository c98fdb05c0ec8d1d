import pytest

from bench.errors import InputError
from bench.link.line import LineLink
from bench.link.modbus import ModbusLink
from bench.link.ports import open_link
from bench.link.url import parse_board_url


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("serial:///dev/ttyUSB0", LineLink),
        ("tcp://bay-2:5025", LineLink),
        ("modbus-rtu:///dev/ttyUSB0", ModbusLink),
        ("modbus-tcp://bay-2", ModbusLink),
    ],
)
def test_every_port_has_its_link(text, kind):
    link = open_link(parse_board_url(text))

    assert isinstance(link, kind)
    assert link.url == text


def test_a_simulated_board_has_no_port():
    with pytest.raises(InputError, match="has no port"):
        open_link(parse_board_url("sim:"))


async def test_a_link_is_closed_without_having_been_opened():
    for text in ("tcp://bay-2:5025", "modbus-tcp://bay-2"):
        link = open_link(parse_board_url(text))
        await link.close()
        await link.close()

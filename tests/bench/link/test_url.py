import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import InputError
from bench.link.url import BoardUrl, parse_board_url


@pytest.mark.parametrize(
    ("text", "url"),
    [
        ("sim:", BoardUrl("sim:", "sim")),
        ("sim:a b/faults.yaml", BoardUrl("sim:a b/faults.yaml", "sim", path="a b/faults.yaml")),
        ("serial:///dev/ttyUSB0", BoardUrl("serial:///dev/ttyUSB0", "serial", path="/dev/ttyUSB0", baud=115_200)),
        (
            "serial:///dev/ttyS1?baud=9600",
            BoardUrl("serial:///dev/ttyS1?baud=9600", "serial", path="/dev/ttyS1", baud=9600),
        ),
        ("serial://COM3", BoardUrl("serial://COM3", "serial", path="COM3")),
        ("tcp://bay-2:5025", BoardUrl("tcp://bay-2:5025", "tcp", host="bay-2", port=5025)),
        ("tcp://[::1]:5025", BoardUrl("tcp://[::1]:5025", "tcp", host="::1", port=5025)),
        ("modbus-tcp://10.0.0.9", BoardUrl("modbus-tcp://10.0.0.9", "modbus-tcp", host="10.0.0.9", port=502)),
        (
            "modbus-tcp://h:1502?unit=255",
            BoardUrl("modbus-tcp://h:1502?unit=255", "modbus-tcp", host="h", port=1502, unit=255),
        ),
        (
            "modbus-rtu:///dev/ttyUSB0?baud=19200&unit=7",
            BoardUrl(
                "modbus-rtu:///dev/ttyUSB0?baud=19200&unit=7", "modbus-rtu", path="/dev/ttyUSB0", baud=19_200, unit=7
            ),
        ),
    ],
)
def test_every_kind_of_board_has_a_url(text, url):
    assert parse_board_url(text) == url


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "start with one of sim: or"),
        ("/dev/ttyUSB0", "start with one of"),
        ("usb://x", r"start with one of .*serial:///dev/ttyUSB0\?baud=115200, tcp://HOST:PORT"),
        ("tcp://host", "which port"),
        ("tcp://host:0", "which port"),
        ("tcp://:5025", "which host"),
        ("tcp://host:99999", r"the port is a number 1\.\.65535"),
        ("tcp://host:abc", "the port is a number"),
        ("tcp://host:5025/path", "means nothing here"),
        ("tcp://host:5025?baud=9600", "unknown option 'baud', tcp: takes no options"),
        ("tcp://me@host:5025", "neither a user name"),
        ("serial://", "which serial port"),
        ("serial:///dev/ttyUSB0?baud=fast", r"baud= must be 1200\.\.4000000, not 'fast'"),
        ("serial:///dev/ttyUSB0?baud=", "baud= must be"),
        ("serial:///dev/ttyUSB0?baud=9600&baud=19200", "given twice"),
        ("serial:///dev/ttyUSB0?speed=9600", "unknown option 'speed', serial: takes baud="),
        ("serial:///dev/ttyUSB0?unit=1", "unknown option 'unit'"),
        ("modbus-rtu:///dev/ttyUSB0?unit=0", r"unit= must be 1\.\.247"),
        ("modbus-rtu:///dev/ttyUSB0?unit=²", "unit= must be"),
        ("modbus-tcp://host?unit=256", r"unit= must be 0\.\.255"),
        ("modbus-tcp://", "which host"),
        ("modbus-tcp://host?map=", "map= names no board map"),
        ("tcp://host:1?map=relays", "unknown option 'map'"),
    ],
)
def test_a_wrong_url_is_told_what_is_right(text, complaint):
    with pytest.raises(InputError, match=complaint) as error:
        parse_board_url(text)
    assert repr(text) in str(error.value)
    assert "\n" not in str(error.value)


@given(
    st.text(max_size=40)
    | st.sampled_from(["serial://", "tcp://", "modbus-tcp://"]).flatmap(lambda s: st.text(max_size=20).map(s.__add__))
)
def test_no_text_does_anything_but_parse_or_complain(text):
    try:
        url = parse_board_url(text)
    except InputError as error:
        assert "\n" not in str(error)  # noqa: PT017 - either outcome is right, each has its check
    else:
        assert url.text == text

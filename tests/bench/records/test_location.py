from pathlib import Path

import pytest

from bench.records import default_path

HOME = Path("/home/sam")


@pytest.mark.parametrize(
    ("environ", "platform", "expected"),
    [
        ({}, "linux", "/home/sam/.local/share/umbilical/records.sqlite"),
        ({"XDG_DATA_HOME": ""}, "linux", "/home/sam/.local/share/umbilical/records.sqlite"),
        ({"XDG_DATA_HOME": "/data"}, "linux", "/data/umbilical/records.sqlite"),
        ({"XDG_DATA_HOME": "relative"}, "linux", "/home/sam/.local/share/umbilical/records.sqlite"),
        ({}, "darwin", "/home/sam/Library/Application Support/Umbilical/records.sqlite"),
        ({}, "win32", "/home/sam/AppData/Local/Umbilical/records.sqlite"),
        ({"LOCALAPPDATA": "/local"}, "win32", "/local/Umbilical/records.sqlite"),
    ],
)
def test_records_live_where_the_platform_keeps_application_data(environ: dict[str, str], platform: str, expected: str):
    assert default_path(environ, platform, HOME) == Path(expected)

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from bench.records.lease import STALE_AFTER, is_cut, own_lease, process_mark

NOW = datetime(2026, 1, 12, 14, 30, tzinfo=UTC)
LEASE = own_lease(NOW)


@pytest.mark.parametrize(
    ("lease", "cut"),
    [
        (None, True),
        (LEASE, False),
        (LEASE | {"process_mark": "the number was used before"}, True),
        (LEASE | {"host": "elsewhere", "process_mark": "not to be seen from here"}, False),
        (LEASE | {"renewed": (NOW - STALE_AFTER - timedelta(seconds=1)).isoformat()}, True),
        (LEASE | {"host": "elsewhere", "renewed": (NOW - STALE_AFTER - timedelta(seconds=1)).isoformat()}, True),
    ],
)
def test_a_run_is_cut_when_its_process_is_gone_or_silent_for_long(lease, cut: bool):
    assert is_cut(lease, NOW) is cut


def test_a_process_that_cannot_be_looked_at_is_taken_to_live():
    assert not is_cut(LEASE, NOW, mark=lambda _: None)


def test_a_process_that_ended_has_no_mark():
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    alive = process_mark(child.pid)
    child.communicate()

    assert alive
    assert process_mark(child.pid) == ""
    assert process_mark(os.getpid()) == process_mark(os.getpid()) != alive

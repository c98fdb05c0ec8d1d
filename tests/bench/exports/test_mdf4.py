"""MDF 4 read back by the library's own reader, from the file alone."""

import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from asammdf import MDF

from bench.errors import InputError
from bench.exports import write_mdf4
from tests.bench.exports.made_runs import INRUSH, RUN, SLOW, run, step


def test_recordings_read_back_identical_on_their_own_time_base(tmp_path: Path) -> None:
    file = tmp_path / "run.mf4"
    write_mdf4(RUN, file)

    with MDF(file) as read:
        for group, trace in enumerate((INRUSH, SLOW)):
            for name, samples in trace.columns.items():
                signal = read.get(name, group=group)
                assert signal.samples.dtype == np.float32
                assert signal.samples.tolist() == list(samples)
                assert signal.timestamps.tolist() == [trace.started_s + i * trace.dt_s for i in range(len(samples))]


def test_units_names_and_the_moment_read_back(tmp_path: Path) -> None:
    file = tmp_path / "run.mf4"
    write_mdf4(RUN, file)

    with MDF(file) as read:
        units = {name: read.get(name).unit for name in ("current_a", "voltage_v", "supply_psi")}
        assert units == {"current_a": "A", "voltage_v": "V", "supply_psi": "psi"}
        assert [group.channel_group.acq_name for group in read.groups] == ["inrush stop", "leak-down"]
        assert read.version >= "4.10"
        assert read.start_time == datetime.fromisoformat(RUN.started)


def test_a_run_without_recordings_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no recording"):
        write_mdf4(run(step("supply")), tmp_path / "run.mf4")


def test_without_the_extra_the_message_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)

    with pytest.raises(InputError, match=r"pip install 'umbilical\[mdf\]'"):
        write_mdf4(RUN, tmp_path / "run.mf4")

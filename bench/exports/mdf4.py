"""ASAM MDF 4: every recording as a channel group of its own, on its own time base.

Samples are the stored float32; the time base is float64 seconds of the board's clock, so that recordings
of one run lie beside each other as they were taken. Needs the extra ``mdf``.
"""

from datetime import datetime
from pathlib import Path

import numpy as np

from bench.errors import InputError
from bench.results import Run, Trace
from bench.units import column_quantity, sign


def write_mdf4(run: Run, file: Path) -> None:
    """Write the run's recordings; an old file is written over.

    Raises:
        InputError: the extra is not installed, or the run has no recording.
    """
    try:
        from asammdf import MDF, Signal
    except ImportError:
        raise InputError("MDF 4 needs asammdf: pip install 'umbilical[mdf]'") from None
    traces = [trace for step in run.steps for trace in step.traces if trace.columns]
    if not traces:
        raise InputError(f"record {run.id} has no recording to write as MDF 4")
    with MDF(version="4.10") as mdf:
        mdf.start_time = datetime.fromisoformat(run.started)
        mdf.header.comment = (
            f"Umbilical record {run.id}, profile {run.profile}, unit {run.unit_number or run.vin or '-'}"
        )
        for trace in traces:
            signals = [
                Signal(np.asarray(samples, np.float32), time_base(trace), unit=_unit(name), name=name)
                for name, samples in trace.columns.items()
            ]
            mdf.append(signals, acq_name=trace.name, comment=trace.name, common_timebase=True)
        mdf.save(file, overwrite=True)


def time_base(trace: Trace) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """Board clock of each sample, shape (n,), seconds."""
    count = len(next(iter(trace.columns.values())))
    return trace.started_s + trace.dt_s * np.arange(count, dtype=np.float64)


def _unit(column: str) -> str:
    return sign(column_quantity(column)[1])

"""How long it takes to read a profile: with all it names, checked, frozen; no cache warm but Python's own imports.

    python tools/bench_profiles.py            every profile that comes along
    python tools/bench_profiles.py --runs 20  more runs for the medians

Beside each stands the time that the YAML library's round-trip loader alone needs for the profile's own file
in the same run: the ratio is what stays when a shared machine is fast one minute and slow the next.
"""

import argparse
import statistics
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from ruamel.yaml import YAML

from bench.profiles import load_profile, loading, profile_names
from bench.profiles.library import find


def median_ms(action: Callable[[], object], runs: int) -> float:
    """Of ``runs`` runs, in milliseconds."""
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        action()
        times.append((time.perf_counter() - began) * 1000)
    return statistics.median(times)


def read_cold(path: Path) -> None:
    """Read a profile as the first of its process."""
    loading.forget()
    load_profile(path)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    for name in profile_names():
        path = find("harness", name)
        read_cold(path)
        reference_ms = median_ms(partial(YAML().load, path), runs)
        ours_ms = median_ms(partial(read_cold, path), runs)
        print(f"{name:24s} {ours_ms:6.1f} ms, round-trip YAML of its file alone {reference_ms:6.1f} ms, "
              f"ratio {ours_ms / reference_ms:.2f}")  # fmt: skip


if __name__ == "__main__":
    main()

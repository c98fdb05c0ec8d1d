import os
import subprocess
import sys


def threads(*, environment: dict[str, str]) -> str:
    script = "import bench, os; print(os.environ['OPENBLAS_NUM_THREADS'])"
    plain = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    return subprocess.check_output([sys.executable, "-c", script], env=plain | environment, text=True).strip()


def test_small_matrices_get_one_thread_unless_somebody_wants_more() -> None:
    assert threads(environment={}) == "1"
    assert threads(environment={"OPENBLAS_NUM_THREADS": "3"}) == "3"

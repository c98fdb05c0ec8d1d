import pytest

from bench.profiles import load_profile
from bench.profiles.model import Profile


@pytest.fixture(scope="session")
def profile() -> Profile:
    return load_profile("tandem-53ft")

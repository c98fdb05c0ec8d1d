"""One PostgreSQL for every test of this room that wants one."""

from collections.abc import Iterator

import pytest

from tests.bench.records.postgres import Cluster, cluster


@pytest.fixture(scope="session")
def server() -> Iterator[Cluster]:
    """A running server; ask it for a database of your own."""
    with cluster() as running:
        yield running

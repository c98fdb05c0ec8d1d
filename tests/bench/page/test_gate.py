import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.page.gate import POLICY, host_of, known_host, same_origin


@pytest.mark.parametrize(
    "host", ["localhost", "localhost:8700", "127.0.0.1:8700", "10.1.2.3", "[::1]:8700", "bench.example:1"]
)
def test_the_bench_is_reached_by_address_and_by_its_own_names(host: str) -> None:
    assert known_host(host, {"bench.example"})


@pytest.mark.parametrize(
    "host", [None, "", "evil.example", "bench.example.evil.example", "127.0.0.1.evil.example", "[bad"]
)
def test_another_name_that_points_here_is_turned_away(host: str | None) -> None:
    """DNS rebinding: the name is the attacker's, the address is ours."""
    assert not known_host(host, {"bench.example"})


def test_a_browser_must_come_from_this_very_page() -> None:
    assert same_origin("http://127.0.0.1:8700", "127.0.0.1:8700", tls=False)
    assert not same_origin("http://127.0.0.1:8701", "127.0.0.1:8700", tls=False)
    assert not same_origin("https://127.0.0.1:8700", "127.0.0.1:8700", tls=False)
    assert not same_origin("null", "127.0.0.1:8700", tls=False)
    assert same_origin(None, "127.0.0.1:8700", tls=False)


@given(st.text())
def test_no_host_header_breaks_the_gate(host: str) -> None:
    assert isinstance(host_of(host), str)
    assert isinstance(known_host(host, set()), bool)


def test_the_policy_lets_no_inline_and_no_foreign_script_run() -> None:
    assert "script-src 'self'" in POLICY
    assert "unsafe" not in POLICY
    assert "default-src 'none'" in POLICY

"""Volumes by sharing and by a metered charge, on simulated and closed cases."""

import numpy as np
import pytest

from bench.air.gas import ATMOSPHERE_PA, PSI_PA
from bench.air.volume import keeps_reservoir_rule, metered_mass_kg, volume_by_charge, volume_by_sharing
from tools.tank_truth import random_trailers, watch

IN3 = 1.6387064e-5


def test_sharing_follows_boyles_law() -> None:
    """10 L at 100 psig into 40 L at nothing gives 20 psig."""
    found = volume_by_sharing(0.010, 100 * PSI_PA, 0.0, 20 * PSI_PA, 0.05 * PSI_PA, waited_s=120)

    assert found.volume_m3 == pytest.approx(0.040)
    assert (found.high_m3 - found.low_m3) / 2 / found.volume_m3 < 0.02
    assert found.cannot_tell


@pytest.mark.parametrize(("weak", "waited_s"), [(False, 120), (True, 240)])
def test_a_charge_reads_the_volume_within_5_percent_once_settled(weak: bool, waited_s: int) -> None:
    """The independent thermal simulation says how warm the air still is; the mass is the perfect gas's."""
    trailers = random_trailers(20, weak, np.random.default_rng(2))
    true_m3 = trailers.volume_m3.sum(axis=0)
    pressure, _ = watch(trailers, 25.0, np.zeros(20), 0.0, 400.0, 1.0)
    start_pa = ATMOSPHERE_PA + 2 * PSI_PA
    end_pa = pressure[:, -1]  # settled: the mass that went in follows from it
    for i in range(20):
        mass = (end_pa[i] - start_pa) * true_m3[i] / (287.05 * trailers.room_k[i])
        read = volume_by_charge(mass, start_pa, float(pressure[i, waited_s]), trailers.room_k[i], 690.0, waited_s)
        assert read.volume_m3 == pytest.approx(true_m3[i], rel=0.05)


def test_a_volume_read_too_soon_says_so_in_its_interval() -> None:
    soon, later = (volume_by_charge(0.4, 1e5, 8e5, 293.15, 700.0, waited) for waited in (5.0, 120.0))

    assert soon.high_m3 - soon.low_m3 > 1.5 * (later.high_m3 - later.low_m3)


def test_a_metered_mass_is_the_flow_over_time() -> None:
    """C = 4 L/(s bar), choked: 4 x 7.9 bar = 31.6 L/s ANR of 1.185 kg/m3, for 2 s."""
    times = np.linspace(0, 2, 21)
    mass = metered_mass_kg(times, np.full(21, 7.9e5), np.full(21, 1e5), 4e-8, 0.3, 293.15)

    assert mass == pytest.approx(2 * 0.0316 * 1.185, rel=1e-3)


@pytest.mark.parametrize(("times", "expected"), [(10.0, True), (6.0, False), (8.0, None)])
def test_eight_times_the_chambers_is_said_only_with_margin(times: float, expected: bool | None) -> None:
    """49 CFR 571.121 S5.2.1.1 (second-hand)."""
    chambers = 4 * 89 * IN3
    share = volume_by_sharing(0.01, 1.0 + times * chambers / 0.01, 0.0, 1.0, 0.001, waited_s=120)

    assert share.volume_m3 == pytest.approx(times * chambers)
    assert keeps_reservoir_rule(share, chambers) is expected


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="between"):
        volume_by_sharing(0.01, 5e5, 1e5, 6e5, 700, 120)
    with pytest.raises(ValueError, match="did not rise"):
        volume_by_charge(0.1, 5e5, 5e5, 293, 700, 120)

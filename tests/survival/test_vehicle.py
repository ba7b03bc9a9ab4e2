"""A closed vehicle gives a temperature and never a loss (§2.8)."""

from __future__ import annotations

import numpy as np
import pytest

from rhizoledger.errors import InputError
from rhizoledger.survival.vehicle import closed_vehicle_range, closed_vehicle_rise


def test_rises_from_nothing_towards_the_amplitude() -> None:
    rise = closed_vehicle_rise(np.array([0.0, 15.0, 30.0, 1e6]), 20.0, 15.0)
    assert rise[0] == 0.0
    assert rise[1] == pytest.approx(20.0 * (1 - np.exp(-1)))
    assert rise[3] == 20.0
    assert (np.diff(rise) > 0).all()


@pytest.mark.parametrize(
    ("minutes", "amplitude", "tau"),
    [(-1.0, 20.0, 15.0), (np.nan, 20.0, 15.0), (1.0, -1.0, 15.0), (1.0, 20.0, 0.0)],
)
def test_refuses_what_it_cannot_use(minutes: float, amplitude: float, tau: float) -> None:
    with pytest.raises(InputError):
        closed_vehicle_rise(minutes, amplitude, tau)


@pytest.mark.parametrize(("low", "high", "rise"), [(20.0, 10.0, 5.0), (1.0, 2.0, np.nan)])
def test_range_refuses_what_it_cannot_use(low: float, high: float, rise: float) -> None:
    with pytest.raises(InputError):
        closed_vehicle_range(low, high, rise)

"""Air in a closed vehicle in the sun: the published table, its means and its fit. Temperature only.

Null 2003, "Study of Excessive Temperatures in Enclosed Vehicles", Table 1, the first 12 rows (the
later ones were not seen), and the mean rises over all trials on the same author's page. McLaren,
Null and Quinn 2005, Pediatrics 116:e109, give the rate in the first half hour (abstract read).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from rhizoledger.survival.vehicle import closed_vehicle_rise

DATA = Path(__file__).parent / "data"
MINUTES = np.array([10.0, 20.0, 30.0, 60.0])


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


def rises_f() -> np.ndarray:
    """Rise over ambient, one row for each trial [°F]."""
    return np.array(
        [
            [float(r[f"at_{m:.0f}_min_f"]) - float(r["ambient_f"]) for m in MINUTES]
            for r in rows("closed_vehicle_rows.csv")
        ]
    )


def test_the_table_has_the_rows_that_were_read() -> None:
    table = rises_f()
    assert table.shape == (12, 4)
    assert (np.diff(table, axis=1) >= 0).all()


@pytest.mark.parametrize("i", range(4), ids=[f"{m:.0f} min" for m in MINUTES])
def test_means_and_spread_of_the_twelve_rows(i: int) -> None:
    line = rows("closed_vehicle_summary.csv")[i]
    assert float(line["minutes"]) == MINUTES[i]
    assert rises_f()[:, i].mean() == pytest.approx(float(line["twelve_row_mean_f"]), abs=0.05)
    assert rises_f()[:, i].std(ddof=1) == pytest.approx(float(line["twelve_row_sd_f"]), abs=0.05)


def test_printed_summary_in_both_units() -> None:
    for line in rows("closed_vehicle_summary.csv"):
        celsius = float(line["rise_f"]) * 5 / 9
        assert celsius == pytest.approx(float(line["rise_c"]), abs=0.05)


def test_the_twelve_rows_agree_with_the_printed_means_of_all_trials() -> None:
    """Twelve of the trials cannot repeat the mean of all; it lies within two standard errors."""
    table = rises_f()
    se = table.std(axis=0, ddof=1) / np.sqrt(len(table))
    printed = np.array([float(r["rise_f"]) for r in rows("closed_vehicle_summary.csv")])
    assert (np.abs(table.mean(axis=0) - printed) < 2 * se).all()


@pytest.mark.parametrize(
    ("which", "amplitude_c", "tau_min"),
    [("printed means of all trials", 24.6, 19.0), ("means of the twelve rows", 24.3, 19.5)],
)
def test_fit_of_one_exponential(which: str, amplitude_c: float, tau_min: float) -> None:
    """A and τ as our evidence gives them (derived, to 0.1): a refit must give them back."""
    if which.startswith("printed"):
        means_c = np.array([float(r["rise_c"]) for r in rows("closed_vehicle_summary.csv")])
    else:
        means_c = rises_f().mean(axis=0) * 5 / 9
    (a, tau), _ = curve_fit(closed_vehicle_rise, MINUTES, means_c, p0=(20.0, 15.0))
    assert a == pytest.approx(amplitude_c, abs=0.05)
    assert tau == pytest.approx(tau_min, abs=0.05)


def test_single_trials_span_the_fitted_range() -> None:
    """Single trials: A 19.0 to 30.5 °C and τ 12.6 to 27.3 min in our evidence file (derived)."""
    fits = np.array(
        [curve_fit(closed_vehicle_rise, MINUTES, r, p0=(20.0, 15.0))[0] for r in rises_f() * 5 / 9]
    )
    assert fits[:, 0].min() == pytest.approx(19.0, abs=0.05)
    assert fits[:, 0].max() == pytest.approx(30.5, abs=0.05)
    assert fits[:, 1].min() == pytest.approx(12.6, abs=0.05)
    assert fits[:, 1].max() == pytest.approx(27.3, abs=0.05)


def test_one_exponential_is_stiff_by_a_degree_at_half_an_hour() -> None:
    """Residuals down to −1.0 °C at 30 min: the curve is warmer than the mean there."""
    means_c = rises_f().mean(axis=0) * 5 / 9
    residual = means_c - closed_vehicle_rise(MINUTES, 24.3, 19.5)
    assert residual.argmin() == 2
    assert residual.min() == pytest.approx(-1.0, abs=0.1)  # parameters are rounded to 0.1


def test_four_fifths_of_the_rise_in_the_first_half_hour() -> None:
    """McLaren et al. 2005: 80 % of the rise falls in the first 30 of 60 minutes."""
    printed = np.array([float(r["rise_f"]) for r in rows("closed_vehicle_summary.csv")])
    assert printed[2] / printed[3] == pytest.approx(0.80, abs=0.01)

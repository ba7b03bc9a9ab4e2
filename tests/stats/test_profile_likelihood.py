"""Profile limits of any likelihood, held against closed forms, a second search and R."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import optimize, special
from scipy.stats import chi2, gamma, norm

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.profile import likelihood_limits
from rhizoledger.stats.profile_likelihood import maximum_likelihood

FloatArray = NDArray[np.float64]
LENGTHS = np.array([4.1, 5.6, 3.8, 7.2, 6.1, 5.0, 4.4, 6.6])


def normal_loglik(y: FloatArray) -> object:
    def at(x: FloatArray) -> float:
        return float(norm.logpdf(y, x[0], math.exp(x[1])).sum())

    return at


@given(st.floats(-50, 1e4), st.floats(1e-3, 1e3))
def test_a_normal_mean_has_its_closed_form(shift: float, scale: float) -> None:
    """2(ℓ - ℓ(μ)) = n·ln(1 + t²/(n - 1)): the limits are symmetric, whatever the unit."""
    y = shift + scale * LENGTHS
    fit = maximum_likelihood(
        lambda x: float(norm.logpdf(y, x[0] * scale, scale * math.exp(x[1])).sum()),
        {"mean": float(y[0] / scale), "ln_sd": 0.0},
    )
    n = y.size
    half = math.sqrt(y.var() * math.expm1(chi2.ppf(0.95, 1) / n)) / scale
    mean = fit["mean"]
    assert mean.value * scale == pytest.approx(y.mean(), rel=1e-6)
    assert mean.high - mean.value == pytest.approx(half, rel=2e-4)
    assert mean.value - mean.low == pytest.approx(half, rel=2e-4)
    assert fit["ln_sd"].se == pytest.approx(1 / math.sqrt(2 * n), rel=1e-3)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
def test_one_coordinate_is_what_the_one_parameter_search_gives(level: float) -> None:
    def loglik(t: float) -> float:
        return 20 * t - 10 * math.exp(t)

    fit = maximum_likelihood(lambda x: loglik(float(x[0])), {"t": -2.0}, level=level)
    low, high = likelihood_limits(loglik, math.log(2), level)
    assert math.exp(fit["t"].low) == pytest.approx(low, rel=2e-5)
    assert math.exp(fit["t"].high) == pytest.approx(high, rel=2e-5)


def gamma_loglik(x: FloatArray) -> float:
    return float(gamma.logpdf(LENGTHS, math.exp(x[0]), scale=math.exp(x[1] - x[0])).sum())


def test_a_curved_likelihood_against_a_search_of_its_own() -> None:
    """Gamma shape and mean: the profile is searched anew by another minimiser at both limits."""
    fit = maximum_likelihood(gamma_loglik, {"ln_shape": 1.0, "ln_mean": 1.0})
    for i, name in enumerate(("ln_shape", "ln_mean")):
        for end in (fit[name].low, fit[name].high):
            best = optimize.minimize_scalar(
                lambda other, end=end, i=i: (
                    -gamma_loglik(np.array([end, other] if i == 0 else [other, end]))
                ),
                bounds=(-3, 8),
                method="bounded",
                options={"xatol": 1e-10},
            )
            drop = 2 * (fit.loglik + best.fun)
            assert drop == pytest.approx(chi2.ppf(0.95, 1), abs=1e-3)
            assert math.copysign(1, end - fit[name].value) == (1 if end == fit[name].high else -1)


def test_standard_errors_are_those_of_the_true_hessian() -> None:
    """Gamma with its mean: the information is diagonal, n·a for ln mean, closed for ln shape."""
    fit = maximum_likelihood(gamma_loglik, {"ln_shape": 1.0, "ln_mean": 1.0})
    a, n = math.exp(fit["ln_shape"].value), LENGTHS.size
    assert fit["ln_mean"].value == pytest.approx(math.log(LENGTHS.mean()), abs=1e-6)
    assert fit["ln_mean"].se == pytest.approx(1 / math.sqrt(n * a), rel=1e-4)
    by_shape = n * a * a * (float(special.polygamma(1, a)) - 1 / a)
    assert fit["ln_shape"].se == pytest.approx(1 / math.sqrt(by_shape), rel=1e-4)


def test_names_and_order_do_not_matter() -> None:
    one = maximum_likelihood(gamma_loglik, {"a": 1.0, "m": 1.0})
    two = maximum_likelihood(lambda x: gamma_loglik(x[::-1]), {"m": 1.0, "a": 1.0})
    for name in "am":
        assert one[name].low == pytest.approx(two[name].low, abs=1e-4)
        assert one[name].high == pytest.approx(two[name].high, abs=1e-4)


def test_a_maximum_at_its_bound_has_no_error_and_one_limit() -> None:
    """Excess variance that the data do not show: the best is zero, the upper limit stands."""
    y = np.array([-0.2, 0.1, 0.3, -0.1])
    fit = maximum_likelihood(
        lambda x: float(norm.logpdf(y, 0.0, math.sqrt(1 + x[0])).sum()),
        {"excess": 1.0},
        bounds={"excess": (0.0, math.inf)},
    )["excess"]
    assert (fit.value, fit.low, fit.se) == (0.0, 0.0, None)
    loss = [2 * norm.logpdf(y, 0.0, math.sqrt(1 + v)).sum() for v in (0.0, fit.high)]
    assert loss[0] - loss[1] == pytest.approx(chi2.ppf(0.95, 1), abs=1e-3)


def test_a_side_that_never_falls_far_enough_is_open() -> None:
    """Saturating counts: a rate above what they can tell has no upper limit."""
    fit = maximum_likelihood(
        lambda x: 9 * math.log(-math.expm1(-math.exp(x[0]))) - 1e-3 * math.exp(x[0]),
        {"ln_rate": 0.0},
        bounds={"ln_rate": (-20.0, 5.0)},
    )["ln_rate"]
    assert math.isfinite(fit.low)
    assert fit.high == 5.0


def test_numbers_that_cannot_be_told_apart_have_no_error() -> None:
    fit = maximum_likelihood(
        lambda x: -((x[0] + x[1] - 3) ** 2),
        {"a": 0.0, "b": 0.0},
        bounds={"a": (-9.0, 9.0), "b": (-9.0, 9.0)},
    )
    assert fit["a"].se is None
    assert fit["b"].se is None
    assert fit["a"].high == 9.0  # b gives way until its own bound: 3 - 9 - a is all that is lost
    assert fit["a"].low == pytest.approx(3 - 9 - math.sqrt(chi2.ppf(0.95, 1) / 2), abs=1e-4)


def test_a_better_maximum_met_on_the_way_is_begun_from() -> None:
    """Two hills in two coordinates: held near the other hill, the rest climbs it."""

    def two_hills(x: FloatArray) -> float:
        near = -0.5 * (x[0] ** 2 + 9 * x[1] ** 2)
        far = 2 - 0.5 * ((x[0] - 2) ** 2 + 9 * (x[1] - 1.3) ** 2)
        return float(np.logaddexp(near, far))

    fit = maximum_likelihood(two_hills, {"x": -1.0, "y": -0.5})
    assert fit["x"].value == pytest.approx(2.0, abs=0.01)
    assert fit["y"].value == pytest.approx(1.3, abs=0.01)


@pytest.mark.parametrize(
    ("loglik", "start", "bounds", "level", "words"),
    [
        (lambda x: -(x[0] ** 2), {"a": 3.0}, {"a": (0.0, 1.0)}, 0.95, "outside its bounds"),
        (lambda x: -(x[0] ** 2), {"a": 3.0}, {"b": (0.0, 1.0)}, 0.95, "no start"),
        (lambda x: math.nan, {"a": 3.0}, None, 0.95, "likelihood of zero"),
        (lambda x: -(x[0] ** 2), {"a": math.nan}, None, 0.95, "outside its bounds"),
        (lambda x: -(x[0] ** 2), {"a": 3.0}, {"a": (1.0, 1.0)}, 0.95, "outside its bounds"),
        (lambda x: -(x[0] ** 2), {"a": 3.0}, None, 1.0, "level"),
        (lambda x: -(x[0] ** 2), {}, None, 0.95, "no coordinate"),
    ],
)
def test_what_cannot_be_searched_is_said(
    loglik: object, start: dict[str, float], bounds: object, level: float, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        maximum_likelihood(loglik, start, bounds=bounds, level=level)  # type: ignore[arg-type]


def test_a_likelihood_without_an_end_is_said() -> None:
    with pytest.raises(FitError, match="without end"):
        maximum_likelihood(lambda x: float(x[0]), {"a": 0.0})


def test_a_step_into_the_impossible_is_taken_back() -> None:
    """exp() of a far step overflows; the search goes on as if nothing could live there."""

    def loglik(x: FloatArray) -> float:
        return -math.exp(-50 * float(x[0])) - math.exp(50 * float(x[0])) + 1e-3 * float(x[0])

    assert maximum_likelihood(loglik, {"x": 1.5})["x"].value == pytest.approx(0.0, abs=1e-5)

"""The normal hierarchy by quadrature: printed posteriors, brute-force twins, closed forms.

The printed numbers come from R 4.2.2, a midpoint rule with 40,000 mapped points. Its quantiles of
tau are grid points, so they are held to the step of that grid; the twin here holds the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm

from rhizoledger.errors import InputError
from rhizoledger.stats.hierarchy import two_levels
from rhizoledger.stats.hierarchy_posterior import Mixture
from rhizoledger.stats.hierarchy_priors import FLAT, MuPrior, TauPrior
from rhizoledger.stats.hierarchy_regions import ThreeLevels, three_levels
from rhizoledger.stats.pooling import pool

pytestmark = pytest.mark.thorough  # witnesses by brute force take their time

FloatArray = NDArray[np.float64]
close = pytest.approx

# Log risk ratios of the 13 BCG trials, from the counts in Colditz and others (1994).
COUNTS = np.array(
    [
        [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619],
        [33, 5036, 47, 5761], [180, 1361, 372, 1079], [8, 2537, 10, 619],
        [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
        [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
    ],
    dtype=float,
)  # fmt: skip
A, B, C, D = COUNTS.T
BCG = (np.log(A / (A + B) / (C / (C + D))), 1 / A - 1 / (A + B) + 1 / C - 1 / (C + D))
SCHOOLS = (
    np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
    np.array([15.0, 10, 16, 11, 9, 11, 10, 18]) ** 2,
)
PRINTED: list[tuple[tuple[FloatArray, FloatArray], TauPrior, dict[str, Any]]] = [
    (
        SCHOOLS,
        FLAT,
        {
            "mu_mean": 7.93237501822322,
            "mu_sd": 5.1783947796648,
            "mu_q025": -2.09022038207245,
            "mu_q50": 7.89170024709125,
            "mu_q975": 18.2181430725533,
            "tau_mean": 6.57548334665812,
            "tau_median": 5.23821508288898,
            "tau_q025": 0.242552488277215,
            "tau_q975": 20.7513105204805,
            "theta_mean": [
                11.400260870225,
                7.89455228367366,
                6.13074685702515,
                7.64467862427864,
                5.12642411209027,
                6.13853624300805,
                10.6669833279689,
                8.45681782751602,
            ],
            "theta_sd": [
                8.34141623735861,
                6.27483543009603,
                7.76516738766077,
                6.54626115131969,
                6.35741974429397,
                6.71029496758106,
                6.78558662231217,
                7.88819829383575,
            ],
            "new_mean": 7.93237501822322,
            "new_sd": 10.0984919856548,
            "new_q025": -12.4128342099538,
            "new_q975": 28.8603321073551,
            "P_mu_gt0": 0.944444144626052,
            "P_new_gt0": 0.853100573163513,
            "breakeven": 5,
            "P_mu_gt_brk": 0.726639381452979,
            "P_new_gt_brk": 0.661384269442252,
        },
    ),
    (
        SCHOOLS,
        TauPrior("half_normal", 5.0),
        {
            "mu_mean": 7.78687331312643,
            "mu_sd": 4.36372512007056,
            "mu_q025": -0.75672192517875,
            "mu_q50": 7.77882338915944,
            "mu_q975": 16.3784712482308,
            "tau_mean": 3.3100573220622,
            "tau_median": 2.79989736349889,
            "tau_q025": 0.130192636275649,
            "tau_q975": 9.30505880043136,
            "theta_mean": [
                9.0601147899567,
                7.79773802043039,
                7.16597515665203,
                7.69135682752622,
                6.53619803415924,
                7.06411974629974,
                9.00407608568154,
                7.97540784430557,
            ],
            "theta_sd": [
                5.77394015637081,
                5.14348553332026,
                5.62119897760572,
                5.24945240051839,
                5.15959385193032,
                5.2974134890029,
                5.33368776549954,
                5.66945850698187,
            ],
            "new_mean": 7.78687331312643,
            "new_sd": 6.02151316054877,
            "new_q025": -4.17007477932974,
            "new_q975": 19.9294075071194,
            "P_mu_gt0": 0.963202590825843,
            "P_new_gt0": 0.916670937841593,
            "breakeven": 5,
            "P_mu_gt_brk": 0.739794869985612,
            "P_new_gt_brk": 0.698008403299863,
        },
    ),
    (
        SCHOOLS,
        TauPrior("half_cauchy", 5.0),
        {
            "mu_mean": 7.80302089853522,
            "mu_sd": 4.46502648929519,
            "mu_q025": -0.914662513735284,
            "mu_q50": 7.78889431449429,
            "mu_q975": 16.6050840770715,
            "tau_mean": 3.63386728610093,
            "tau_median": 2.77396775915075,
            "tau_q025": 0.124077014323787,
            "tau_q975": 12.0616613464593,
            "theta_mean": [
                9.33282387972837,
                7.80604177875909,
                7.04131197924505,
                7.68409844857113,
                6.38881019909924,
                6.9599146299465,
                9.18019430010802,
                8.03097197282437,
            ],
            "theta_sd": [
                6.20863826951394,
                5.27690597695814,
                5.92886525020746,
                5.40741688959623,
                5.33736039994731,
                5.48653187759613,
                5.56027886683034,
                5.98046958410438,
            ],
            "new_mean": 7.80302089853522,
            "new_sd": 6.61707848224011,
            "new_q025": -5.13998326163249,
            "new_q975": 21.0343421662674,
            "P_mu_gt0": 0.960913015500474,
            "P_new_gt0": 0.910235740720008,
            "breakeven": 5,
            "P_mu_gt_brk": 0.738176759030942,
            "P_new_gt_brk": 0.695119042001557,
        },
    ),
    (
        SCHOOLS,
        TauPrior("half_cauchy", 25.0),
        {
            "mu_mean": 7.90548911866901,
            "mu_sd": 4.96203823606322,
            "mu_q025": -1.74538021614545,
            "mu_q50": 7.87254960897339,
            "mu_q975": 17.764522152482,
            "tau_mean": 5.89773747667488,
            "tau_median": 4.78343274712503,
            "tau_q025": 0.221799907262039,
            "tau_q975": 18.0316119429775,
            "theta_mean": [
                10.9407755113212,
                7.88073088849359,
                6.3456053854956,
                7.65681766499989,
                5.37078932290608,
                6.31017066240926,
                10.3766882826011,
                8.3623352311254,
            ],
            "theta_sd": [
                7.87298213193135,
                6.08976353196014,
                7.37526224191368,
                6.33083346464798,
                6.1651747306005,
                6.47366192458305,
                6.55039140295532,
                7.48348721455552,
            ],
            "new_mean": 7.90548911866901,
            "new_sd": 9.11392190303267,
            "new_q025": -10.5311759562855,
            "new_q975": 26.8575444095923,
            "P_mu_gt0": 0.948863772443693,
            "P_new_gt0": 0.864075792994503,
            "breakeven": 5,
            "P_mu_gt_brk": 0.729583840705986,
            "P_new_gt_brk": 0.667189969743715,
        },
    ),
    (
        BCG,
        FLAT,
        {
            "mu_mean": -0.717083078963028,
            "mu_sd": 0.208808898219422,
            "mu_q025": -1.14112551255043,
            "mu_q50": -0.714016291417976,
            "mu_q975": -0.309228523813664,
            "tau_mean": 0.645282927537028,
            "tau_median": 0.613658671651775,
            "tau_q025": 0.366561645198732,
            "tau_q975": 1.10736106222487,
            "theta_mean": [
                -0.807944262279014,
                -1.28249970467661,
                -1.01891347246627,
                -1.40038183995907,
                -0.281516177837643,
                -0.784551263879738,
                -1.27898141952656,
                0.00341964695976755,
                -0.5033603257491,
                -1.25679362398517,
                -0.352642677369714,
                -0.222427607761978,
                -0.135487297988264,
            ],
            "theta_sd": [
                0.428487409587571,
                0.378259729878291,
                0.466564806455762,
                0.139686767491504,
                0.21433692852529,
                0.0823474907606114,
                0.397109842614552,
                0.0627749062577821,
                0.222183681760771,
                0.253552303475227,
                0.109795462725653,
                0.508099169215369,
                0.250480030773207,
            ],
            "new_mean": -0.717083078963028,
            "new_sd": 0.704861534111314,
            "new_q025": -2.14102048579909,
            "new_q975": 0.68827309030717,
            "P_mu_gt0": 0.00132691333388912,
            "P_new_gt0": 0.136726920481412,
            "breakeven": 0,
            "P_mu_gt_brk": 0.00132691333388912,
            "P_new_gt_brk": 0.136726920481412,
        },
    ),
    (
        BCG,
        TauPrior("half_normal", 0.5),
        {
            "mu_mean": -0.711860008181819,
            "mu_sd": 0.187327060412811,
            "mu_q025": -1.09119687420252,
            "mu_q50": -0.709150823125544,
            "mu_q975": -0.346999673578962,
            "tau_mean": 0.571909671620108,
            "tau_median": 0.553722271130772,
            "tau_q025": 0.34548625673124,
            "tau_q975": 0.90183116542529,
            "theta_mean": [
                -0.796625719713024,
                -1.24046287179818,
                -0.983602168157329,
                -1.39214224589209,
                -0.292159558337709,
                -0.784127439341025,
                -1.23359405637248,
                0.00175238139058976,
                -0.508554626058875,
                -1.23666207361977,
                -0.355073055325465,
                -0.27841372434744,
                -0.154514948790859,
            ],
            "theta_sd": [
                0.409079412887457,
                0.36523264604118,
                0.441595702624366,
                0.139230891483046,
                0.211828082424745,
                0.0821993360201036,
                0.381929881778267,
                0.0627285575408319,
                0.219298496208449,
                0.249872960106591,
                0.109454574371565,
                0.474259021236974,
                0.246582812643303,
            ],
            "new_mean": -0.711860008181819,
            "new_sd": 0.618564883814303,
            "new_q025": -1.95811038307866,
            "new_q975": 0.517247426824446,
            "P_mu_gt0": 0.000379593906066122,
            "P_new_gt0": 0.11390945169938,
            "breakeven": 0,
            "P_mu_gt_brk": 0.000379593906066122,
            "P_new_gt_brk": 0.11390945169938,
        },
    ),
]


@pytest.mark.parametrize(("data", "prior", "printed"), PRINTED)
def test_posteriors_as_printed(
    data: tuple[FloatArray, FloatArray], prior: TauPrior, printed: dict[str, Any]
) -> None:
    r = two_levels(*data, tau=prior)
    threshold = printed["breakeven"]
    found = {
        "mu_mean": r.mu.mean,
        "mu_sd": r.mu.sd,
        "mu_q025": r.mu.quantile(0.025),
        "mu_q50": r.mu.quantile(0.5),
        "mu_q975": r.mu.quantile(0.975),
        "tau_mean": r.tau.mean,
        "new_mean": r.new.mean,
        "new_sd": r.new.sd,
        "new_q025": r.new.quantile(0.025),
        "new_q975": r.new.quantile(0.975),
        "P_mu_gt0": r.mu.above(0),
        "P_new_gt0": r.new.above(0),
        "P_mu_gt_brk": r.mu.above(threshold),
        "P_new_gt_brk": r.new.above(threshold),
    }
    for name, value in found.items():
        assert value == close(printed[name], rel=1e-8, abs=1e-8), name
    assert [t.mean for t in r.theta] == close(printed["theta_mean"], rel=1e-8)
    assert [t.sd for t in r.theta] == close(printed["theta_sd"], rel=1e-8)
    step = 2e-3 if data is SCHOOLS else 1e-4
    for p, name in ((0.025, "tau_q025"), (0.5, "tau_median"), (0.975, "tau_q975")):
        assert r.tau.quantile(p) == close(printed[name], abs=step), name


def test_eight_schools_as_the_book_prints_them() -> None:
    """Posterior medians 10, 8, 7, 8, 5, 6, 10, 8 with flat priors, from 200 simulation draws."""
    r = two_levels(*SCHOOLS)
    medians = [t.quantile(0.5) for t in r.theta]
    assert medians == close([10, 8, 7, 8, 5, 6, 10, 8], abs=1.0)


# ------------------------------------------------------------------------ twins by brute force

PRIORS = [FLAT, TauPrior("half_normal", 0.7), TauPrior("half_cauchy", 2.0)]
MEANS = [None, MuPrior(0.5, 1.5)]
Y5 = np.array([0.3, 1.9, -0.8, 2.4, 1.1])
V5 = np.array([0.2, 0.5, 0.9, 0.4, 1.3])


def prior_of(tau: TauPrior) -> Callable[[FloatArray], FloatArray]:
    if tau.scale is None:
        return np.ones_like
    s = tau.scale
    if tau.kind == "half_normal":
        return lambda t: np.exp(-t * t / (2 * s * s))
    return lambda t: 1 / (1 + (t / s) ** 2)


def midpoints(power: float, n: int, scale: float) -> tuple[FloatArray, FloatArray]:
    """Midpoint rule on [0, ∞) by t = s (x / (1 - x))^power, with its widths."""
    x = (np.arange(n) + 0.5) / n
    t = scale * (x / (1 - x)) ** power
    return t, power * t / (x * (1 - x)) / n


@pytest.mark.parametrize("tau", PRIORS, ids=lambda p: p.kind)
@pytest.mark.parametrize("mu", MEANS, ids=["flat", "normal"])
def test_two_levels_by_a_double_sum_over_mu_and_tau(tau: TauPrior, mu: MuPrior | None) -> None:
    """The joint density of mu and tau on a grid; no step of the algebra is shared."""
    t, dt = midpoints(1.0, 2000, 1.0)
    m = np.linspace(-1, 1, 1201)  # of the conditional spread around each tau's centre
    weights = np.zeros((t.size, m.size))
    grid = np.zeros_like(weights)
    for i, s in enumerate(t.tolist()):
        reach = 9 * math.sqrt((s * s + 1.3) / 5)
        grid[i] = 1.0 + reach * m
        log_p = norm.logpdf(Y5[:, np.newaxis], grid[i], np.sqrt(V5 + s * s)[:, np.newaxis]).sum(0)
        if mu is not None:
            log_p += norm.logpdf(grid[i], mu.mean, mu.sd)
        weights[i] = np.exp(log_p) * reach * dt[i] * float(prior_of(tau)(np.array([s]))[0])
    weights /= weights.sum()
    of_tau = weights.sum(axis=1)
    r = two_levels(Y5, V5, mu=mu, tau=tau)
    assert r.mu.mean == close(float((weights * grid).sum()), rel=2e-5)
    edge = 0.475 / 0.525  # between two cells
    assert r.tau.below(edge) == close(float(of_tau[t < edge].sum()), abs=1e-6)
    assert r.mu.above(1.3) == close(float((weights * norm.sf((1.3 - grid) / 1e-3)).sum()), abs=2e-4)
    s2 = (t * t)[:, np.newaxis]
    new = (weights * norm.sf((2.0 - grid) / t[:, np.newaxis])).sum()
    assert r.new.above(2.0) == close(float(new), abs=1e-5)
    for i in range(5):
        centre = (Y5[i] / V5[i] + grid / s2) / (1 / V5[i] + 1 / s2)
        assert r.theta[i].mean == close(float((weights * centre).sum()), abs=1e-5)
        tail = norm.sf((1.0 - centre) / np.sqrt(1 / (1 / V5[i] + 1 / s2)))
        assert r.theta[i].above(1.0) == close(float((weights * tail).sum()), abs=1e-5)


@pytest.mark.parametrize("tau", PRIORS, ids=lambda p: p.kind)
def test_tau_by_adaptive_integration_of_the_dense_likelihood(tau: TauPrior) -> None:
    one = np.ones((5, 1))

    def density(s: float) -> float:
        cov = np.diag(V5 + s * s)
        w = np.linalg.inv(cov)
        p = w - w @ one @ one.T @ w / float(w.sum())
        height = math.exp(-0.5 * float(Y5 @ p @ Y5)) / math.sqrt(
            float(np.linalg.det(cov)) * float(w.sum())
        )
        return height * float(prior_of(tau)(np.array([s]))[0])

    def integral(f: Callable[[float], float], a: float, b: float) -> float:
        return float(quad(f, a, b, epsabs=1e-13, epsrel=1e-11, limit=200)[0])

    def whole(f: Callable[[float], float]) -> float:
        return integral(f, 0, 2) + integral(f, 2, math.inf)

    total = whole(density)
    r = two_levels(Y5, V5, tau=tau)
    for x in (0.05, 0.8, 1.9):
        assert r.tau.below(x) == close(integral(density, 0, x) / total, rel=1e-8)
        assert r.tau.quantile(r.tau.below(x)) == close(x, rel=1e-9)
    assert r.tau.mean == close(whole(lambda s: s * density(s)) / total, rel=1e-7)


Y7 = np.array([0.2, 1.1, 0.7, 2.9, 2.1, -0.6, 0.1])
V7 = np.array([0.3, 0.5, 0.2, 0.4, 0.6, 0.3, 0.8])
R7 = ["N", "N", "N", "S", "S", "W", "W"]


@pytest.mark.parametrize("mu", MEANS, ids=["flat", "normal"])
@pytest.mark.parametrize(
    ("region", "field"),
    [
        (TauPrior("half_normal", 1.5), TauPrior("half_normal", 0.8)),
        (TauPrior("half_cauchy", 1.0), TauPrior("half_cauchy", 0.5)),
    ],
    ids=["normal", "cauchy"],
)
def test_three_levels_by_a_double_sum_of_the_dense_posterior(
    mu: MuPrior | None, region: TauPrior, field: TauPrior
) -> None:
    """All effects at once: the joint normal of (mu, regions, fields) given y, for each pair."""
    n, names = 240, ["N", "S", "W"]
    tf, wf = midpoints(1.5, n, 0.5)
    tr, wr = midpoints(1.5, n, 1.0)
    belongs = np.array([[float(r == name) for name in names] for r in R7])
    one, same = np.ones(7), belongs @ belongs.T
    # A flat mean is the limit of a wide one; 1e5 is wide enough for the digits asked.
    m0, s0 = (0.0, 1e5) if mu is None else (mu.mean, mu.sd)
    tf2, tr2 = np.meshgrid(tf**2, tr**2, indexing="ij")
    tf2, tr2 = tf2.ravel()[:, None, None], tr2.ravel()[:, None, None]
    prior = s0**2 + tr2 * same + tf2 * np.eye(7)
    cov = prior + np.diag(V7)
    resid = np.broadcast_to((Y7 - m0)[:, None], (n * n, 7, 1))
    solved = np.linalg.solve(cov, resid)
    log_p = -0.5 * (np.linalg.slogdet(cov)[1] + (resid * solved).sum((1, 2)))
    weights = np.exp(log_p - log_p.max()).reshape(n, n)
    weights *= (wf * prior_of(field)(tf))[:, None] * wr * prior_of(region)(tr)
    weights /= weights.sum()
    flat = weights.ravel()

    r = three_levels(Y7, V7, R7, mu=mu, tau_region=region, tau_field=field)
    assert r.regions == ("N", "S", "W")

    def agrees(found: Mixture, link: FloatArray, variance: FloatArray, at: float) -> None:
        """``link`` is the prior covariance of the quantity with the true field effects."""
        mean = m0 + (link * solved[:, :, 0]).sum(1)
        left = variance - (link * np.linalg.solve(cov, link[:, :, None])[:, :, 0]).sum(1)
        expected = float(flat @ norm.sf((at - mean) / np.sqrt(left)))
        assert found.above(at) == close(expected, abs=2e-5)
        if found.mean is not None:
            assert found.mean == close(float(flat @ mean), abs=2e-4)

    v_mu = np.full(n * n, s0**2)
    f, g = tf2[:, 0, 0], tr2[:, 0, 0]
    wide = np.broadcast_to(s0**2 * one, (n * n, 7))
    agrees(r.mu, wide, v_mu, 1.0)
    agrees(r.new, wide, v_mu + g + f, 1.5)
    for i in range(3):
        link = s0**2 + g[:, None] * belongs[:, i]
        agrees(r.region[i], link, v_mu + g, 0.8)
        agrees(r.new_in_region[i], link, v_mu + g + f, 0.8)
    for j in range(7):
        agrees(r.theta[j], prior[:, j, :], v_mu + g + f, 0.9)
    for share in (0.3, 0.5, 0.65):  # of the cells of the twin: an edge between two
        x = (share / (1 - share)) ** 1.5
        below_f, below_r = weights[tf < 0.5 * x].sum(), weights[:, tr < x].sum()
        assert r.tau_field.below(0.5 * x) == close(float(below_f), abs=1e-4)
        assert r.tau_region.below(x) == close(float(below_r), abs=1e-4)


# ---------------------------------------------------------------------- closed forms, invariants


def test_no_spread_is_the_fixed_effect_and_great_spread_the_plain_mean() -> None:
    fixed = pool(Y5, V5, method="FE", test="z")
    r = two_levels(Y5, V5, tau=TauPrior("half_normal", 1e-7))
    assert (r.mu.mean, r.mu.sd) == close((fixed.mu, fixed.se), rel=1e-10)
    assert [t.mean for t in r.theta] == close([fixed.mu] * 5, rel=1e-10)
    assert r.mu.interval() == close((fixed.low, fixed.high), rel=1e-9)
    # Effects a million times farther apart than their errors: the variances no longer matter.
    far = two_levels(1e6 * Y5, V5)
    assert far.mu.mean == close(1e6 * float(Y5.mean()), rel=1e-9)
    assert [t.mean for t in far.theta] == close((1e6 * Y5).tolist(), rel=1e-6)
    assert [t.sd for t in far.theta] == close(np.sqrt(V5).tolist(), rel=1e-6)


def test_great_spread_is_a_t_distribution() -> None:
    """Negligible variances and flat priors: mu is t with k - 2 degrees of freedom (tau flat)."""
    from scipy.stats import t as student

    y = 1e5 * Y5
    r = two_levels(y, V5)
    s = math.sqrt(float(((y - y.mean()) ** 2).sum()) / (3 * 5))
    for p in (0.025, 0.3, 0.975):
        assert r.mu.quantile(p) == close(float(y.mean() + s * student.ppf(p, 3)), rel=1e-7)


def test_a_tight_prior_of_the_mean_decides_it() -> None:
    r = two_levels(Y5, V5, mu=MuPrior(7.0, 1e-6), tau=TauPrior("half_normal", 1.0))
    assert (r.mu.mean, r.mu.sd) == close((7.0, 1e-6), rel=1e-6)
    wide = two_levels(Y5, V5, mu=MuPrior(0.0, 1e6), tau=TauPrior("half_normal", 1.0))
    flat = two_levels(Y5, V5, tau=TauPrior("half_normal", 1.0))
    assert (wide.mu.mean, wide.mu.sd) == close((flat.mu.mean, flat.mu.sd), rel=1e-9)


def test_three_levels_without_spread_within_regions_pools_them_first() -> None:
    tiny, tau = TauPrior("half_normal", 1e-7), TauPrior("half_cauchy", 1.0)
    r = three_levels(Y7, V7, R7, tau_region=tau, tau_field=tiny)
    means, variances = [], []
    for name in ("N", "S", "W"):
        inside = np.array([x == name for x in R7])
        one = pool(Y7[inside], V7[inside], method="FE", test="z")
        means.append(one.mu)
        variances.append(one.se**2)
    two = two_levels(means, variances, tau=tau)
    assert r.mu.quantile(0.9) == close(two.mu.quantile(0.9), rel=1e-9)
    assert r.tau_region.quantile(0.5) == close(two.tau.quantile(0.5), rel=1e-9)
    assert [x.mean for x in r.region] == close([x.mean for x in two.theta], rel=1e-9)


def test_three_levels_without_spread_of_regions_is_two_levels() -> None:
    tiny, tau = TauPrior("half_normal", 1e-7), TauPrior("half_normal", 1.0)
    r = three_levels(Y7, V7, R7, tau_region=tiny, tau_field=tau)
    two = two_levels(Y7, V7, tau=tau)
    assert r.mu.interval() == close(two.mu.interval(), rel=1e-9)
    assert r.tau_field.interval() == close(two.tau.interval(), rel=1e-9)
    assert [x.sd for x in r.theta] == close([x.sd for x in two.theta], rel=1e-9)
    assert r.new.above(1) == close(two.new.above(1), rel=1e-9)


@pytest.mark.parametrize("tau", PRIORS, ids=lambda p: p.kind)
@pytest.mark.parametrize("scale", [-1.0, 1e-3, 250.0])
def test_shift_scale_and_order(tau: TauPrior, scale: float) -> None:
    size = abs(scale)
    moved = TauPrior(tau.kind, None if tau.scale is None else size * tau.scale)
    a = two_levels(Y5, V5, mu=MuPrior(0.5, 1.5), tau=tau)
    turn = [3, 0, 4, 2, 1]
    b = two_levels(
        (scale * Y5 + 12)[turn],
        (scale**2 * V5)[turn],
        mu=MuPrior(scale * 0.5 + 12, size * 1.5),
        tau=moved,
    )
    assert a.mu.mean is not None
    assert b.mu.mean == close(scale * a.mu.mean + 12, rel=1e-10)
    assert b.tau.quantile(0.7) == close(size * a.tau.quantile(0.7), rel=1e-9)
    p = 0.8 if scale > 0 else 0.2
    assert b.new.quantile(0.8) == close(scale * a.new.quantile(p) + 12, rel=1e-9)
    assert [t.sd for t in b.theta] == close([size * (a.theta[i].sd or 0) for i in turn], rel=1e-8)


def test_three_levels_do_not_depend_on_order_or_names() -> None:
    prior = TauPrior("half_cauchy", 1.0)
    a = three_levels(Y7, V7, R7, tau_region=prior, tau_field=prior)
    turn = [6, 2, 4, 0, 5, 1, 3]
    names = [{"N": 3, "S": 1, "W": 2}[R7[i]] for i in turn]
    b = three_levels(Y7[turn], V7[turn], names, tau_region=prior, tau_field=prior)
    assert b.regions == (2, 3, 1)
    assert b.mu.mean == close(a.mu.mean, rel=1e-10)
    assert [t.mean for t in b.theta] == close([a.theta[i].mean for i in turn], rel=1e-9)
    assert [x.sd for x in b.region] == close([a.region[i].sd for i in (2, 0, 1)], rel=1e-9)


def test_quantiles_undo_probabilities_far_into_both_tails() -> None:
    r = two_levels(Y5, V5, tau=TauPrior("half_cauchy", 1.0))
    for m in (r.mu, r.new, r.theta[0]):
        for p in (1e-9, 1e-4, 0.3, 0.5, 0.9999):
            x = m.quantile(p)
            assert m.below(x) == close(p, rel=1e-7)
            assert m.above(x) == close(1 - p, rel=1e-7)
    for p in (1e-9, 0.2, 0.9999):
        assert r.tau.below(r.tau.quantile(p)) == close(p, rel=1e-7)
    assert r.tau.below(0) == r.tau.below(1e-300) == 0
    assert r.tau.below(1e60) == 1


def test_many_studies_and_a_narrow_posterior() -> None:
    rng = np.random.default_rng(5)
    v = rng.uniform(0.01, 0.02, 3000)
    y = rng.normal(1.0, np.sqrt(4 + v))
    r = two_levels(y, v)
    likely = pool(y, v, test="z")
    assert likely.tau2 is not None
    assert r.mu.mean == close(likely.mu, abs=1e-4)
    assert r.tau.quantile(0.5) == close(math.sqrt(likely.tau2), rel=1e-3)
    assert r.tau.sd == close(math.sqrt(likely.tau2) / math.sqrt(2 * 3000), rel=1e-2)


def test_many_regions() -> None:
    rng = np.random.default_rng(6)
    region = np.repeat(np.arange(60), 4)
    v = rng.uniform(0.05, 0.1, 240)
    y = 2 + rng.normal(0, 1.0, 60)[region] + rng.normal(0, np.sqrt(0.25 + v))
    r = three_levels(y, v, region.tolist())
    assert r.tau_region.interval(0.99)[0] < 1.0 < r.tau_region.interval(0.99)[1]
    assert r.tau_field.interval(0.99)[0] < 0.5 < r.tau_field.interval(0.99)[1]


def test_infinite_moments_are_said_and_not_printed() -> None:
    r = two_levels([1.0, 2.0, 4.0], [1.0, 1.0, 1.0])  # flat priors: tau falls as 1/tau²
    assert r.tau.mean is r.tau.sd is r.mu.mean is r.mu.sd is r.new.mean is None
    assert all(t.mean is not None and t.sd is not None for t in r.theta)
    assert r.mu.quantile(0.5) > 1
    four = two_levels([1.0, 2.0, 4.0, 3.0], [1.0, 1.0, 1.0, 1.0])
    assert four.tau.mean is not None and four.tau.sd is None
    known = two_levels([1.0, 2.0], [1.0, 1.0], mu=MuPrior(0.0, 1.0))
    assert known.mu.sd is not None and known.new.sd is None
    three: ThreeLevels = three_levels(Y7, V7, R7)
    assert three.tau_region.mean is None and three.tau_field.mean is not None


def test_one_study_with_proper_priors_is_answered() -> None:
    r = two_levels([2.0], [1.0], mu=MuPrior(0.0, 1.0), tau=TauPrior("half_normal", 1e-7))
    assert (r.mu.mean, r.mu.sd) == close((1.0, math.sqrt(0.5)), rel=1e-9)
    same = two_levels([1.0, 1.0, 1.0], [1.0, 1.0, 1.0], tau=TauPrior("half_normal", 1.0))
    assert same.mu.mean == close(1.0, rel=1e-12)


# ------------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("y", "v", "said"),
    [
        ([1.0, 2.0], [1.0, 1.0], "2 studies with a flat prior"),
        ([1.0, 2.0, 3.0], [1.0, -1.0, 1.0], "row 3, column variance"),
        ([1.0, math.nan, 3.0], [1.0, 1.0, 1.0], "row 3, column effect"),
        ([1.0, "a", 3.0], [1.0, 1.0, 1.0], "not a number"),
        ([], [], "No study"),
    ],
)
def test_bad_studies_are_named(y: Any, v: Any, said: str) -> None:
    with pytest.raises(InputError, match=said):
        two_levels(y, v)


def test_bad_regions_are_named() -> None:
    with pytest.raises(InputError, match="2 regions for 3 fields"):
        three_levels([1.0, 2, 3], [1.0, 1, 1], ["a", "b"])
    with pytest.raises(InputError, match="Field 2 has no region"):
        three_levels([1.0, 2, 3], [1.0, 1, 1], ["a", "", "b"])
    with pytest.raises(InputError, match="2 regions and 4 fields with flat priors"):
        three_levels([1.0, 2, 3, 4], [1.0, 1, 1, 1], ["a", "a", "b", "b"])
    with pytest.raises(InputError, match="3 regions and 3 fields with flat priors"):
        three_levels([1.0, 2, 3], [1.0, 1, 1], ["a", "b", "c"])


def test_bad_priors_are_named() -> None:
    bad: Any = "gamma"
    with pytest.raises(InputError, match="'gamma'"):
        TauPrior(bad, 1.0)
    for scale in (None, 0.0, -1.0, math.nan, math.inf):
        with pytest.raises(InputError, match="above zero"):
            TauPrior("half_normal", scale)
    with pytest.raises(InputError, match="no scale"):
        TauPrior("flat", 1.0)
    for mean, sd in ((0.0, 0.0), (math.nan, 1.0), (0.0, math.inf)):
        with pytest.raises(InputError, match="mu prior"):
            MuPrior(mean, sd)
    with pytest.raises(InputError, match="level"):
        two_levels(Y5, V5).mu.quantile(1.0)


@pytest.mark.slow
def test_simulated_posterior_calibration() -> None:
    """Parameters drawn from the priors lie below their posterior quantiles as often as they say."""
    rng = np.random.default_rng(11)
    n, below = 1500, np.zeros((3, 3))
    ranks = (0.05, 0.5, 0.95)
    for _ in range(n):
        tau, mu = abs(rng.normal(0, 1.0)), rng.normal(0, 2.0)
        v = np.exp(rng.normal(-1, 0.5, 6))
        theta = rng.normal(mu, tau, 6)
        r = two_levels(
            rng.normal(theta, np.sqrt(v)), v, mu=MuPrior(0, 2), tau=TauPrior("half_normal", 1.0)
        )
        new = rng.normal(mu, tau)
        for i, share in enumerate((r.mu.below(mu), r.tau.below(tau), r.new.below(new))):
            below[i] += [share < p for p in ranks]
    print("share below the 5, 50 and 95 % points (mu, tau, new):", below / n)
    assert below / n == close(np.tile(ranks, (3, 1)), abs=0.04)

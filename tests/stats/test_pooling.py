"""Pooling: metafor's numbers, slow twins from the definitions, invariants, bad input.

Published witnesses: R 4.2.2 with metafor 3.8.1 on two data sets typed from their sources, the BCG
vaccine trials (Colditz and others, JAMA 271 (1994) 698-702, the 2 x 2 counts) and the eight schools
(Rubin 1981; Gelman and others, Bayesian Data Analysis, table 5.2). metafor stops its searches when
τ² moves by less than 1e-5 and its Q-profile at uniroot's tolerance; where that shows the tolerance
here says so, and a twin holds the digits beyond.
"""

from __future__ import annotations

import json
import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2, norm
from scipy.stats import t as student

from rhizoledger.errors import InputError
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Convention, Pooled
from rhizoledger.stats.sensitivity import cumulative, egger, leave_one_out, shrink
from rhizoledger.stats.studies import Method

FloatArray = NDArray[np.float64]
close = pytest.approx

# Vaccinated: cases, others; control: cases, others; latitude; allocation.
BCG_ROWS: list[tuple[float, float, float, float, float, str]] = [
    (4, 119, 11, 128, 44, "random"),
    (6, 300, 29, 274, 55, "random"),
    (3, 228, 11, 209, 42, "random"),
    (62, 13536, 248, 12619, 52, "random"),
    (33, 5036, 47, 5761, 13, "alternate"),
    (180, 1361, 372, 1079, 44, "alternate"),
    (8, 2537, 10, 619, 19, "random"),
    (505, 87886, 499, 87892, 13, "random"),
    (29, 7470, 45, 7232, 27, "random"),
    (17, 1699, 65, 1600, 42, "systematic"),
    (186, 50448, 141, 27197, 18, "systematic"),
    (5, 2493, 3, 2338, 33, "systematic"),
    (27, 16886, 29, 17825, 33, "systematic"),
]
COUNTS = np.array([row[:4] for row in BCG_ROWS])
A, B, C, D = COUNTS.T
BCG_Y = np.log(A / (A + B) / (C / (C + D)))
BCG_V = 1 / A - 1 / (A + B) + 1 / C - 1 / (C + D)
LATITUDE = [row[4] for row in BCG_ROWS]
ALLOCATION = [row[5] for row in BCG_ROWS]
SCHOOLS_Y = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
SCHOOLS_V = np.array([15.0, 10, 16, 11, 9, 11, 10, 18]) ** 2

METHODS: tuple[Method, ...] = ("FE", "DL", "HE", "HS", "SJ", "ML", "REML", "EB", "PM")
LIKELY: tuple[Method, ...] = ("ML", "REML")

# mu, tau2, I2, H2, plain se, Knapp-Hartung se, its p and lower limit; lower prediction limits:
# t with the Knapp-Hartung se, normal, HTS.
BCG: dict[Method, tuple[float, ...]] = {
    "DL": (
        -0.714117222073227,
        0.308760262862376,
        92.1173468545621,
        12.6860840068644,
        0.178742089535403,
        0.180696628335547,
        0.00192076676704736,
        -1.10782135416833,
        -1.98720696343074,
        -1.85815375273217,
        -1.99883849575212,
    ),
    "HE": (
        -0.715878588758735,
        0.328563857995769,
        92.5570974066271,
        13.435618529932,
        0.183279985988782,
        0.181104069191232,
        0.00191787656895761,
        -1.11047045821753,
        -2.02563788654495,
        -1.89537216612409,
        -2.04041714185555,
    ),
    "HS": (
        -0.704535373916257,
        0.228362863676907,
        89.6299666640896,
        9.64317054350343,
        0.158652093056656,
        0.178623307721992,
        0.0019478928893339,
        -1.09372212845853,
        -1.8160911775574,
        -1.69141830764317,
        -1.8127775196975,
    ),
    "SJ": (
        -0.717248592557584,
        0.345515701598595,
        92.8963240955401,
        14.0772188012148,
        0.187059458416427,
        0.181428451527755,
        0.00191620341445529,
        -1.11254723041292,
        -2.05758508367082,
        -1.92625717437808,
        -2.07493167653262,
    ),
    "ML": (
        -0.711199135474184,
        0.280028137268671,
        91.3782837894469,
        11.5986188315498,
        0.171896808776897,
        0.180042222144363,
        0.00192716565913341,
        -1.10347743896412,
        -1.92908210950177,
        -1.80171550552428,
        -1.93581875412525,
    ),
    "REML": (
        -0.71453234215814,
        0.313243258136486,
        92.2213845212691,
        12.8557582353094,
        0.179781516105207,
        0.180791744092848,
        0.0019200150960573,
        -1.10844371368555,
        -1.99601683419621,
        -1.8666922179029,
        -2.00837590692259,
    ),
    "EB": (
        -0.714968153493445,
        0.318068452205031,
        92.3303379541534,
        13.0383841429041,
        0.180892191537625,
        0.180892191537624,
        0.001919271831278,
        -1.10909838120224,
        -2.00542592292812,
        -1.87580708248403,
        -2.01855805418467,
    ),
    "PM": (
        -0.714970405632446,
        0.318093711863015,
        92.3309002898848,
        13.039340180713,
        0.180897984125838,
        0.180892712222961,
        0.00191926811457661,
        -1.10910176781713,
        -2.00547498224065,
        -1.8758545960438,
        -2.01861113364306,
    ),
}
SCHOOLS_ZERO = (
    7.68561672495604,
    0,
    0,
    1,
    4.0719191584023,
    3.33907262073266,
    0.0548517393825176,
    -0.210035371857895,
    -0.210035371857895,
    -0.29519817347111,
    -2.27801052064279,
)
SCHOOLS_SJ = (
    7.9191861084317,
    38.6122432436259,
    22.1112910754897,
    1.28388313763064,
    4.70022781181059,
    3.40971485020564,
    0.0531953825770299,
    -0.143508317380619,
    -8.84104616679078,
    -7.35148493650247,
    -11.1454427569576,
)


def check_against_metafor(
    y: FloatArray, v: FloatArray, method: Method, row: tuple[float, ...], tolerance: float
) -> None:
    mu, tau2, i2, h2, se, se_kh, p_kh, low_kh, pi_t, pi_z, pi_hts = row
    near: dict[str, Any] = {"abs": tolerance, "rel": tolerance}
    z = pool(y, v, method=method, test="z", prediction="z")
    kh = pool(y, v, method=method)
    for r in (z, kh):
        assert close(mu, **near) == r.mu
        assert close(tau2, **near) == r.tau2
        assert close(i2, **near) == r.i2
        assert close(h2, **near) == r.h2
    assert z.se == close(se, **near)
    assert z.prediction_low == close(pi_z, **near)
    assert kh.se == close(se_kh, **near)
    assert kh.coefficients[0].p == close(p_kh, **near)
    assert kh.low == close(low_kh, **near)
    assert kh.prediction_low == close(pi_t, **near)
    for test in ("z", "knha"):  # the SE of this convention is the plain one whatever the test
        hts = pool(y, v, method=method, test=test, prediction="hts")
        assert hts.prediction_low == close(pi_hts, **near)


@pytest.mark.parametrize("method", [m for m in BCG if m != "PM"])
def test_bcg_as_metafor(method: Method) -> None:
    check_against_metafor(BCG_Y, BCG_V, method, BCG[method], 1e-11)


def test_bcg_pm_is_eb_whose_root_metafor_finds_more_exactly() -> None:
    """One equation, y'Py = k - p. metafor's PM stops 2.5e-5 from its root, its EB does not."""
    check_against_metafor(BCG_Y, BCG_V, "PM", BCG["EB"], 1e-11)
    check_against_metafor(BCG_Y, BCG_V, "PM", BCG["PM"], 1e-4)


@pytest.mark.parametrize("method", [m for m in BCG if m != "SJ"])
def test_eight_schools_as_metafor_with_no_variance_between(method: Method) -> None:
    check_against_metafor(SCHOOLS_Y, SCHOOLS_V, method, SCHOOLS_ZERO, 1e-12)


def test_eight_schools_as_metafor_sidik_jonkman() -> None:
    check_against_metafor(SCHOOLS_Y, SCHOOLS_V, "SJ", SCHOOLS_SJ, 1e-12)


def test_q_and_fixed_effect_as_metafor() -> None:
    r = pool(BCG_Y, BCG_V, method="FE", test="z")
    assert (r.mu, r.se) == close((-0.430285163654091, 0.0404987517108638), rel=1e-12)
    assert (r.low, r.high) == close((-0.509661258426214, -0.350909068881968), rel=1e-12)
    assert (r.q, r.p_q) == close((152.233008082373, 1.99676459084597e-26), rel=1e-11)
    s = pool(SCHOOLS_Y, SCHOOLS_V, method="FE", test="z")
    assert (s.mu, s.se) == close((7.68561672495604, 4.0719191584023), rel=1e-12)
    assert (s.q, s.p_q) == close((4.70707886440016, 0.695659166635196), rel=1e-12)


@pytest.mark.parametrize(
    ("y", "v", "method", "expected"),
    [
        (BCG_Y, BCG_V, "REML", -12.2023714154936),
        (BCG_Y, BCG_V, "ML", -12.6650763482768),
        (SCHOOLS_Y, SCHOOLS_V, "REML", -26.3114699579456),
        (SCHOOLS_Y, SCHOOLS_V, "ML", -29.6742436879967),
    ],
)
def test_log_likelihood_as_metafor(
    y: FloatArray, v: FloatArray, method: Method, expected: float
) -> None:
    r = pool(y, v, method=method)
    assert r.loglik == close(expected, abs=1e-12)
    assert ("restricted" if method == "REML" else "full") in r.loglik_convention


def test_q_profile_as_metafor_to_its_root_tolerance() -> None:
    r = pool(BCG_Y, BCG_V)
    assert r.tau2_low == close(0.119695312816638, abs=3e-5)
    assert r.tau2_high == close(1.11148626221544, abs=1e-5)
    # metafor ends at 0.01 × 100² = 100 for the eight schools: its search went no further.
    s = pool(SCHOOLS_Y, SCHOOLS_V)
    assert s.tau2_low == 0.0
    assert s.tau2_high is not None and s.tau2_high > 100


LEFT_OUT_MU = [
    -0.707083788031437,
    -0.654031200397814,
    -0.685554417972832,
    -0.628409407862505,
    -0.764170094987222,
    -0.710876564850935,
    -0.655247599791984,
    -0.794767610948287,
    -0.741197299313848,
    -0.653032925763431,
    -0.757858625204249,
    -0.759812097339421,
    -0.777536180774624,
]
LEFT_OUT_SE = [
    0.189961024702717,
    0.180695386623819,
    0.185706227113709,
    0.176618945949925,
    0.191787644314985,
    0.200254073054524,
    0.180473369240703,
    0.179877712551241,
    0.19667491774175,
    0.184267511663668,
    0.195786860992938,
    0.18209097901272,
    0.185535967620234,
]
LEFT_OUT_TAU2 = [
    0.336156745300306,
    0.292583085554123,
    0.320738056887219,
    0.262758356241501,
    0.327803258618395,
    0.359554181152191,
    0.29302586988829,
    0.273183034116211,
    0.349452009922899,
    0.298724600913035,
    0.340488265334648,
    0.308162202718279,
    0.303733326561131,
]
LEFT_OUT_I2 = [
    93.2259349111223,
    92.2539555054861,
    92.9354144023304,
    90.4124708002877,
    92.7634357348045,
    90.911810088948,
    92.2777177244936,
    87.031367066562,
    93.2132620377894,
    92.2322332510751,
    91.8109514233007,
    92.6782056989328,
    92.3443996196025,
]
SCHOOLS_LEFT_OUT_MU = [
    6.06953380552701,
    7.62312963797973,
    8.4256281316137,
    7.79448421113247,
    9.92115329455516,
    8.74721026532918,
    5.63552113789116,
    7.45292247997444,
]


def test_leave_one_out_as_metafor() -> None:
    """metafor stops at 1e-5 of τ², which moves the mean by some 1e-8 and I² by some 1e-6."""
    found = leave_one_out(BCG_Y, BCG_V, test="z")
    assert [r.mu for r in found] == close(LEFT_OUT_MU, abs=1e-6)
    assert [r.se for r in found] == close(LEFT_OUT_SE, abs=1e-6)
    assert [r.tau2 for r in found] == close(LEFT_OUT_TAU2, abs=1e-5)
    assert [r.i2 for r in found] == close(LEFT_OUT_I2, abs=3e-4)
    schools = leave_one_out(SCHOOLS_Y, SCHOOLS_V)
    assert [r.mu for r in schools] == close(SCHOOLS_LEFT_OUT_MU, rel=1e-12)
    assert all(r.tau2 == 0 for r in schools)


BLUP = [
    -0.800233574593967,
    -1.25170602725994,
    -0.986903130526215,
    -1.39789770575491,
    -0.287379794348943,
    -0.784571534107046,
    -1.24396351544211,
    0.00287924975981698,
    -0.506836353373111,
    -1.24717303898151,
    -0.35365839777828,
    -0.284733658158121,
    -0.146743048181987,
]
BLUP_SE = [
    0.409930468631639,
    0.353227315076077,
    0.434831601645061,
    0.137568416459907,
    0.211311761254044,
    0.0822903528964552,
    0.368591975219455,
    0.0625870944856972,
    0.22039127151693,
    0.245712216265601,
    0.109480966115369,
    0.45830050554394,
    0.243440301777208,
]
BLUP_LOW = [
    -1.60368252927761,
    -1.94401884316483,
    -1.8391574090904,
    -1.66752684742653,
    -0.701543235916595,
    -0.945857662059189,
    -1.96639051186272,
    -0.119789201329155,
    -0.938795308053282,
    -1.7287601334236,
    -0.568237148357053,
    -1.18298614312074,
    -0.623877272050877,
]


def test_shrunken_effects_as_metafor() -> None:
    found = shrink(BCG_Y, BCG_V, pool(BCG_Y, BCG_V, test="z"))
    assert [s.estimate for s in found] == close(BLUP, abs=1e-6)
    assert [s.se for s in found] == close(BLUP_SE, abs=1e-6)
    assert [s.low for s in found] == close(BLUP_LOW, abs=1e-6)


def test_egger_as_metafor() -> None:
    b = egger(BCG_Y, BCG_V, test="z")
    assert (b.t, b.p) == close((-0.803329112070106, 0.421784535672228), abs=1e-6)
    s = egger(SCHOOLS_Y, SCHOOLS_V, test="z")
    assert (s.t, s.p) == close((0.569479057401984, 0.569031079141615), abs=1e-6)


def test_chance_of_a_new_effect_as_metafor() -> None:
    b = math.log(0.9)
    printed: list[tuple[Convention, float, float]] = [
        ("z", 0.150036882265997, 0.745227291369714),
        ("hts", 0.161158960524859, 0.732986431391061),
    ]
    for convention, bcg, schools in printed:
        r = pool(BCG_Y, BCG_V, prediction=convention)
        assert r.p_new_above(b) == close(bcg, abs=1e-7)
        s = pool(SCHOOLS_Y, SCHOOLS_V, prediction=convention)
        assert s.p_new_above(5) == close(schools, abs=1e-12)


def test_meta_regression_on_latitude_as_metafor() -> None:
    """metafor stops 7e-6 from the top in τ² here; its likelihood is lower than ours by 4e-9."""
    z = pool(BCG_Y, BCG_V, test="z", moderators={"latitude": LATITUDE})
    kh = pool(BCG_Y, BCG_V, moderators={"latitude": LATITUDE})
    assert [c.term for c in z.coefficients] == ["intercept", "latitude"]
    for r in (z, kh):
        assert [c.estimate for c in r.coefficients] == close(
            [0.251464294374285, -0.0291016609280148], abs=5e-6
        )
        assert r.tau2 == close(0.0763546947056598, abs=1e-5)
        assert r.i2 == close(68.3931305090481, abs=2e-3)
        assert (r.q, r.p_q) == close((30.7330900107493, 0.00121429098742004), rel=1e-10)
        assert r.loglik is not None
        assert -8.08732006198062 <= r.loglik <= -8.08732006198062 + 1e-8
        assert r.moderator_test is not None
        assert r.moderator_test.r2 == close(75.6244783614905, abs=3e-3)
    assert [c.se for c in z.coefficients] == close(
        [0.249103666389133, 0.00719555475708091], abs=1e-5
    )
    assert [c.se for c in kh.coefficients] == close(
        [0.283930037419131, 0.00820154179600833], abs=1e-5
    )
    assert [c.p for c in kh.coefficients] == close([0.394751838059422, 0.00456554558895661], 2e-4)
    assert z.moderator_test is not None and kh.moderator_test is not None
    assert z.moderator_test.statistic == close(16.3571255721594, rel=1e-4)
    assert (kh.moderator_test.statistic, kh.moderator_test.p) == close(
        (12.5905455260742, 0.0045655455889566), rel=2e-4
    )
    assert kh.df == 11


def test_meta_regression_at_metafors_tau2_agrees_to_the_last_digit() -> None:
    """With τ² moved into the variances metafor's coefficients come out as printed."""
    r = pool(
        BCG_Y,
        BCG_V + 0.0763546947056598,
        method="FE",
        test="knha",
        moderators={"latitude": LATITUDE},
    )
    assert [c.estimate for c in r.coefficients] == close(
        [0.251464294374285, -0.0291016609280148], rel=1e-12
    )
    assert [c.se for c in r.coefficients] == close(
        [0.283930037419131, 0.00820154179600833], rel=1e-12
    )


def test_meta_regression_on_words_as_metafor() -> None:
    r = pool(BCG_Y, BCG_V, test="z", moderators={"alloc": ALLOCATION})
    assert [c.term for c in r.coefficients] == ["intercept", "alloc=random", "alloc=systematic"]
    assert [c.estimate for c in r.coefficients] == close(
        [-0.517955810531562, -0.447818223641861, 0.0890381476549171], abs=1e-6
    )
    assert [c.se for c in r.coefficients] == close(
        [0.44119400081867, 0.515821120532872, 0.560035030266911], abs=1e-6
    )
    assert r.tau2 == close(0.361502855889479, abs=1e-5)
    assert r.loglik == close(-10.3300840369866, abs=1e-9)
    assert r.moderator_test is not None
    assert (r.moderator_test.statistic, r.moderator_test.p) == close(
        (1.767513041773, 0.41322769394331), rel=1e-5
    )
    assert r.moderator_test.r2 == 0


def test_equal_variances_of_35_soybean_trials_as_metafor() -> None:
    """Equal variances leave only k, the mean and the sum of squares; these are of 35 soybean
    trials against white mould (agridat's lehner.soybeanmold, T05 less T01), the effects invented
    to have them. metafor's interval there is Knapp-Hartung's.
    """
    v = 2 * 48878.281052854
    x = np.arange(35.0) - 17
    y = 585.52 + x * math.sqrt(43.3537563587512 * v / float(x @ x))
    for method in ("DL", "REML", "PM"):
        r = pool(y, np.full(35, v), method=method)
        assert (r.mu, r.se, r.i2) == close((585.52, 59.6778056234779, 21.5754230875616), rel=1e-11)
        assert r.tau2 == close(26893.8548354684, rel=1e-10)
        assert (r.low, r.high) == close((464.240107193557, 706.799892806444), rel=1e-11)


# ------------------------------------------------------------- slow twins, from the definitions


def projector(v: FloatArray, tau2: float, x: FloatArray) -> FloatArray:
    w = np.linalg.inv(np.diag(v + tau2))
    p: FloatArray = w - w @ x @ np.linalg.inv(x.T @ w @ x) @ x.T @ w
    return p


def dense_log_likelihood(
    y: FloatArray, v: FloatArray, x: FloatArray, tau2: float, restricted: bool
) -> float:
    k, p = x.shape
    cov = np.diag(v + tau2)
    quad = y @ projector(v, tau2, x) @ y
    ll = np.linalg.slogdet(cov)[1] + quad
    n = k
    if restricted:
        ll += np.linalg.slogdet(x.T @ np.linalg.inv(cov) @ x)[1] - np.linalg.slogdet(x.T @ x)[1]
        n = k - p
    return float(-0.5 * (ll + n * math.log(2 * math.pi)))


def invented(seed: int, k: int, spread: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    v = np.exp(rng.normal(0, 1.2, k))
    moderator = rng.normal(size=k)
    y = 3 + 0.5 * moderator + rng.normal(size=k) * np.sqrt(v + spread)
    return y, v, moderator


CASES = [(s, k, spread) for s in range(4) for k, spread in ((4, 0.0), (9, 1.0), (25, 6.0))]


@pytest.mark.parametrize(("seed", "k", "spread"), CASES)
@pytest.mark.parametrize("moderated", [False, True])
@pytest.mark.parametrize("method", LIKELY)
def test_tau2_maximises_the_dense_likelihood(
    seed: int, k: int, spread: float, moderated: bool, method: Method
) -> None:
    y, v, moderator = invented(seed, k, spread)
    x = np.column_stack([np.ones(k), moderator]) if moderated else np.ones((k, 1))
    r = pool(y, v, method=method, moderators={"m": moderator} if moderated else None)
    assert r.tau2 is not None and r.loglik is not None

    def minus(tau2: float) -> float:
        return -dense_log_likelihood(y, v, x, tau2, method == "REML")

    assert r.loglik == close(-minus(r.tau2), rel=1e-11)
    twin = minimize_scalar(minus, bounds=(0, 200), method="bounded", options={"xatol": 1e-12})
    assert r.loglik >= max(-float(twin.fun), -minus(0.0)) - 1e-10
    # A maximum is flat: a likelihood good to 1e-13 gives its place to about 1e-6.
    best = float(twin.x) if -float(twin.fun) > -minus(0.0) else 0.0
    assert r.tau2 == close(best, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize(("seed", "k", "spread"), CASES)
@pytest.mark.parametrize("moderated", [False, True])
def test_moment_estimators_and_q_profile_from_their_definitions(
    seed: int, k: int, spread: float, moderated: bool
) -> None:
    y, v, moderator = invented(seed, k, spread)
    x = np.column_stack([np.ones(k), moderator]) if moderated else np.ones((k, 1))
    mods = {"m": moderator} if moderated else None
    df = k - x.shape[1]
    p0 = projector(v, 0.0, x)
    hat = np.eye(k) - x @ np.linalg.inv(x.T @ x) @ x.T

    def q(tau2: float) -> float:
        return float(y @ projector(v, tau2, x) @ y)

    def root(target: float) -> float:
        if q(0.0) <= target:
            return 0.0
        return float(brentq(lambda t: q(t) - target, 0, 1e6, xtol=1e-13, rtol=1e-14))

    start = float(((y - y.mean()) ** 2).sum()) / k
    expected: dict[Method, float] = {
        "FE": 0.0,
        "DL": max(0.0, (q(0.0) - df) / float(np.trace(p0))),
        "HS": max(0.0, (q(0.0) - k) / float((1 / v).sum())),
        "HE": max(0.0, float(y @ hat @ y - np.trace(hat @ np.diag(v))) / df),
        "SJ": start * q(start) / df,
        "PM": root(df),
        "EB": root(df),
    }
    for method, tau2 in expected.items():
        r = pool(y, v, method=method, moderators=mods)
        assert r.tau2 == close(tau2, rel=1e-9, abs=1e-12), method
        assert r.q == close(q(0.0), rel=1e-11)
        assert r.p_q == close(chi2.sf(q(0.0), df), rel=1e-9)
        cov = np.linalg.inv(x.T @ np.linalg.inv(np.diag(v + tau2)) @ x)
        beta = cov @ x.T @ np.linalg.inv(np.diag(v + tau2)) @ y
        se = np.sqrt(np.diag(cov) * q(tau2) / df)
        assert [c.estimate for c in r.coefficients] == close(beta.tolist(), rel=1e-9, abs=1e-11)
        assert [c.se for c in r.coefficients] == close(se.tolist(), rel=1e-9)
        centre = x.mean(axis=0)
        assert r.mu == close(float(centre @ beta), rel=1e-9)
        assert r.plain_se == close(math.sqrt(float(centre @ cov @ centre)), rel=1e-9)
        if method != "FE":
            assert r.tau2_low == close(root(chi2.ppf(0.975, df)), rel=1e-9, abs=1e-12)
            assert r.tau2_high == close(root(chi2.ppf(0.025, df)), rel=1e-9, abs=1e-12)
            typical = df / float(np.trace(p0))
            assert r.i2 == close(100 * tau2 / (tau2 + typical), rel=1e-9, abs=1e-9)
            assert r.h2 == close(1 + tau2 / typical, rel=1e-9)
        else:
            assert r.i2 == close(100 * max(0, 1 - df / q(0.0)), rel=1e-9, abs=1e-9)
            assert r.h2 == close(q(0.0) / df, rel=1e-9)


@pytest.mark.parametrize(("seed", "k", "spread"), CASES[:6])
def test_prediction_conventions_from_their_definitions(seed: int, k: int, spread: float) -> None:
    y, v, m = invented(seed, k, spread)
    for mods, p in ((None, 1), ({"m": m}, 2)):
        for test in ("z", "knha"):
            r = {
                c: pool(y, v, test=test, moderators=mods, prediction=c, level=0.9)
                for c in ("t", "hts", "z")
            }
            tau2, se, plain = r["t"].tau2 or 0.0, r["t"].se, r["t"].plain_se
            for c, quantile, s in (
                ("t", student.ppf(0.95, k - p), se),
                ("hts", student.ppf(0.95, k - p - 1), plain),
                ("z", norm.ppf(0.95), plain),
            ):
                reach = quantile * math.sqrt(tau2 + s * s)
                assert r[c].prediction_low == close(r[c].mu - reach, rel=1e-9)
                assert r[c].prediction_high == close(r[c].mu + reach, rel=1e-9)
                high = r[c].prediction_high
                assert high is not None
                assert r[c].p_new_above(high) == close(0.05, rel=1e-9)


def test_equal_variances_have_a_closed_form() -> None:
    """S/(k - 1) - v for all but HS, ML (S/k - v) and SJ, and Knapp-Hartung is then the t test."""
    y, v = np.array([1.0, 4, 2, 9, 5, 3]), 2.0
    s, k = float(((y - y.mean()) ** 2).sum()), y.size
    for method in METHODS[1:]:
        r = pool(y, np.full(k, v), method=method)
        expected = s / k - v if method in ("HS", "ML") else s / (k - 1) - v
        if method == "SJ":
            expected = (s / k) * (s / (v + s / k)) / (k - 1)
        assert r.tau2 == close(expected, rel=1e-12)
        assert r.mu == close(float(y.mean()), rel=1e-14)
        assert r.se == close(float(y.std(ddof=1)) / math.sqrt(k), rel=1e-12)


def test_of_two_maxima_the_higher_is_taken_and_the_other_named() -> None:
    y = np.array([-2.27, -3.81, -2.26, -1.29, 5.28, 0.03, -2.53, 0.48])
    v = np.array([0.308, 0.47, 0.001, 4.016, 5.163, 198.598, 0.233, 1.327])
    r = pool(y, v)
    one = np.ones((8, 1))
    grid = np.geomspace(1e-6, 1e3, 4000)
    best = max(dense_log_likelihood(y, v, one, t, True) for t in grid)
    assert r.loglik is not None and best <= r.loglik <= best + 1e-4
    assert any("another maximum" in w for w in r.warnings)


# ------------------------------------------------------------------------------------ invariants


studies = st.lists(
    st.tuples(st.floats(-50, 50), st.floats(0.01, 100)), min_size=3, max_size=12
).map(lambda rows: (np.array([r[0] for r in rows]), np.array([r[1] for r in rows])))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(studies, st.sampled_from(METHODS), st.floats(-1e3, 1e3), st.sampled_from([-3.0, 0.01, 40]))
def test_shift_and_scale(
    data: tuple[FloatArray, FloatArray], method: Method, shift: float, scale: float
) -> None:
    y, v = data
    base = pool(y, v, method=method)
    moved = pool(scale * y + shift, scale**2 * v, method=method)
    size = abs(scale) * (1 + abs(base.mu)) + abs(shift)
    assert moved.mu == close(scale * base.mu + shift, abs=1e-6 * size)
    assert moved.tau2 == close(scale**2 * (base.tau2 or 0), rel=1e-5, abs=1e-5 * scale**2)
    assert moved.q == close(base.q, rel=1e-6, abs=1e-6)
    assert moved.i2 == close(base.i2 or 0, abs=1e-3)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(studies, st.sampled_from(METHODS), st.randoms(use_true_random=False))
def test_order_does_not_matter(
    data: tuple[FloatArray, FloatArray], method: Method, shuffle: Any
) -> None:
    y, v = data
    turn = list(range(y.size))
    shuffle.shuffle(turn)
    one, two = pool(y, v, method=method), pool(y[turn], v[turn], method=method)
    assert (two.mu, two.tau2, two.q) == close((one.mu, one.tau2, one.q), rel=1e-6, abs=1e-6)


def test_a_great_offset_changes_nothing() -> None:
    base, moved = pool(BCG_Y, BCG_V), pool(BCG_Y + 2.0**20, BCG_V)
    assert (moved.tau2, moved.se) == close((base.tau2, base.se), rel=1e-8)


def test_cumulative_ends_with_all_and_follows_its_order() -> None:
    turn = list(reversed(range(13)))
    found = cumulative(BCG_Y, BCG_V, order=turn)
    assert [r.k for r in found] == list(range(1, 14))
    assert found[-1].mu == close(pool(BCG_Y, BCG_V).mu, rel=1e-12)
    assert found[0].mu == BCG_Y[12]
    assert found[2].mu == close(pool(BCG_Y[10:], BCG_V[10:]).mu, rel=1e-12)


def test_a_centred_moderator_leaves_the_mean_at_the_intercept() -> None:
    x = np.array(LATITUDE)
    r = pool(BCG_Y, BCG_V, moderators={"x": x - x.mean()})
    assert (r.mu, r.se) == close((r.coefficients[0].estimate, r.coefficients[0].se), rel=1e-10)
    moved = pool(BCG_Y, BCG_V, moderators={"x": x})
    assert (moved.mu, moved.se, moved.tau2) == close((r.mu, r.se, r.tau2), rel=1e-9)


def test_without_an_intercept_words_carry_the_level_means() -> None:
    r = pool(BCG_Y, BCG_V, moderators={"alloc": ALLOCATION}, intercept=False)
    full = pool(BCG_Y, BCG_V, moderators={"alloc": ALLOCATION})
    assert [c.term for c in r.coefficients] == [
        "alloc=alternate",
        "alloc=random",
        "alloc=systematic",
    ]
    b = [c.estimate for c in full.coefficients]
    assert [c.estimate for c in r.coefficients] == close([b[0], b[0] + b[1], b[0] + b[2]], 1e-9)
    assert r.tau2 == close(full.tau2, rel=1e-9)


# --------------------------------------------------------------------------- results and warnings


def test_json_has_exactly_its_keys() -> None:
    keys = ["mu", "se", "low", "high", "tau2", "tau2_low", "tau2_high", "i2", "i2_kind", "q"]
    keys += ["p_q", "prediction", "alternative", "coefficients", "moderator_test", "factor_tests"]
    keys += ["k", "method", "test", "loglik", "loglik_convention", "warnings"]
    awkward: list[Pooled] = [
        pool(BCG_Y, BCG_V),
        pool([1.0], [2.0]),
        pool([1.0, 1.0], [2.0, 2.0]),
        pool(BCG_Y, BCG_V, method="FE"),
        pool(BCG_Y, BCG_V, moderators={"alloc": ALLOCATION}),
    ]
    for r in awkward:
        d = r.to_dict()
        assert list(d) == keys
        assert set(d["prediction"]) == {"low", "high", "convention"}
        for c in d["coefficients"]:
            assert list(c) == ["term", "estimate", "se", "df", "t", "p", "low", "high"]
        json.dumps(d, allow_nan=False)


def test_knapp_hartung_narrower_than_normal_is_said_with_the_alternative() -> None:
    r = pool(SCHOOLS_Y, SCHOOLS_V)
    z = pool(SCHOOLS_Y, SCHOOLS_V, test="z")
    assert r.high - r.low < z.high - z.low
    assert r.factor is not None and r.factor < 1
    assert any("narrower" in w and "max(1, q)" in w for w in r.warnings)
    assert r.cautious is not None
    assert r.cautious.se == close(z.se, rel=1e-12)
    assert r.cautious.high - r.cautious.low > z.high - z.low
    wide = pool(BCG_Y, BCG_V)
    assert wide.warnings == ()
    assert wide.cautious is not None and wide.cautious.se == wide.se


def test_one_study_is_answered_by_itself() -> None:
    for test in ("z", "knha"):
        r = pool([2.0], [4.0], test=test)
        assert (r.mu, r.se, r.test, r.k) == (2.0, 2.0, "z", 1)
        assert (r.low, r.high) == close((2 - 2 * norm.ppf(0.975), 2 + 2 * norm.ppf(0.975)))
        assert r.tau2 is r.tau2_low is r.tau2_high is r.i2 is r.h2 is r.p_q is None
        assert r.prediction_low is r.prediction_high is r.loglik is r.p_new_above(1) is None
        assert any("One study" in w for w in r.warnings)
    assert pool([2.0], [4.0], method="FE", test="z").tau2 == 0
    with pytest.raises(InputError, match="One study"):
        leave_one_out([2.0], [4.0])


def test_identical_effects_have_no_spread_and_a_warning() -> None:
    for method in METHODS:
        r = pool([0.1, 0.1, 0.1], [1.0, 2.0, 3.0], method=method)
        assert (r.mu, r.se, r.tau2, r.q) == (0.1, 0.0, 0.0, 0.0)
        assert r.coefficients[0].t is None
        assert any("narrower" in w for w in r.warnings)
        assert r.cautious is not None and r.cautious.se == close((6 / 11) ** 0.5)
        if method != "FE":
            assert (r.tau2_low, r.tau2_high) == (0.0, 0.0)
            assert any("agree better" in w for w in r.warnings)
            assert r.p_new_above(0.1) == 0.5
            assert r.p_new_above(0.0) == 1.0


def test_hts_with_two_studies_has_no_prediction_and_says_what_to_take() -> None:
    r = pool([1.0, 5.0], [1.0, 1.0], prediction="hts")
    assert r.prediction_low is None
    assert any("needs 3 studies" in w for w in r.warnings)
    assert pool([1.0, 5.0], [1.0, 1.0]).prediction_low is not None


def test_a_fixed_effect_has_no_prediction() -> None:
    r = pool(BCG_Y, BCG_V, method="FE")
    assert r.prediction_low is r.tau2_low is r.p_new_above(0) is None
    assert r.i2_kind != pool(BCG_Y, BCG_V).i2_kind


def test_a_thousand_studies_and_variances_far_apart() -> None:
    y, v, _ = invented(7, 1000, 2.0)
    r = pool(y, v)
    assert r.tau2 == close(2.0, abs=0.5)
    assert len([w for w in r.warnings if "maximum" in w]) == 0
    far = pool([1.0, 2.0, 3.0, 9.0], [1e-5, 1.0, 9e4, 1e4])
    assert math.isfinite(far.se) and far.tau2 is not None


@pytest.mark.parametrize(
    ("y", "v", "said"),
    [
        ([1.0, 2.0], [1.0, -1.0], r"row 3, column variance, value '-1.0': .* variance is below"),
        ([1.0, 2.0], [0.0, 1.0], r"row 2, column variance.* variance is zero.* squared standard"),
        ([1.0, math.nan], [1.0, 1.0], r"row 3, column effect, value 'nan': .* Write the effect"),
        ([1.0, 2.0], [math.inf, 1.0], r"row 2, column variance, value 'inf'"),
        ([1.0, "two"], [1.0, 1.0], r"row 3, column effect, value 'two': It is not a number"),
        (["1", "2"], [1.0, 1.0], r"row 2, column effect, value '1': It is not a number"),
        ([1.0, None], [1.0, 1.0], r"row 3, column effect, value 'None': It is missing"),
        ([1.0, ""], [1.0, 1.0], r"row 3, column effect, value '': It is missing"),
        ([True, 2.0], [1.0, "x"], r"column variance, value 'x'"),
        ([], [], "No study"),
        ([1.0, 2.0], [1.0], "2 effects and 1 variances"),
        ([[1.0, 2.0]], [[1.0, 2.0]], "one effect a study"),
        ([[1.0], [2.0, 3.0]], [1.0, 1.0], "effect"),
        (1.0, 1.0, "0 axes"),
        ([1.0, 2.0], [1e-200, 1.0], "Change the unit"),
        ([1e200, 2.0], [1.0, 1.0], "Change the unit"),
        ([1.0, 2.0], [1.0, 1e-11], r"row 3, column variance.* nothing beside"),
    ],
)
def test_bad_studies_are_named(y: Any, v: Any, said: str) -> None:
    with pytest.raises(InputError, match=said):
        pool(y, v)


def test_every_fault_is_named_at_once() -> None:
    effects: Any = [1.0, "x", math.nan]
    with pytest.raises(InputError) as e:
        pool(effects, [-1.0, 0.0, 1.0])
    assert [(p.row, p.column) for p in e.value.problems] == [
        (3, "effect"),
        (4, "effect"),
        (2, "variance"),
        (3, "variance"),
    ]


@pytest.mark.parametrize(
    ("moderators", "said"),
    [
        ({}, "No moderator"),
        ({"a": [1.0, 2.0]}, "2 values for 4 studies"),
        ({"a": [1.0, 1.0, 1.0, 1.0]}, "Moderator a: it is constant"),
        ({"a": [0.0, 0.0, 0.0, 0.0]}, "Moderator a: it is constant"),
        ({"a": [1.0, 2, 3, 4], "b": [2.0, 4, 6, 8]}, "Moderator b"),
        ({"a": ["u", "u", "u", "u"]}, "every study has 'u'"),
        ({"a": ["u", "v", "", "u"]}, "column a"),
        ({"a": ["u", "v", 3.0, "u"]}, "column a"),
        ({"a": [1.0, 2.0, math.nan, 0.0]}, "row 4, column a"),
        ({"a": ["u", "v", "w", "x"]}, "4 studies for 4 coefficients"),
        ({"a": [[1.0], [2], [3], [4]]}, "axes"),
    ],
)
def test_bad_moderators_are_named(moderators: Any, said: str) -> None:
    with pytest.raises(InputError, match=said):
        pool([1.0, 2.0, 4.0, 3.0], [1.0, 1.0, 2.0, 1.0], moderators=moderators)


@pytest.mark.parametrize(
    ("given_", "said"),
    [
        ({"method": "reml2"}, "method 'reml2': not known. Take one of FE, DL"),
        ({"test": "t"}, "test 't'"),
        ({"prediction": "u"}, "prediction 'u'"),
        ({"level": 95}, "level 95"),
        ({"intercept": False}, "No intercept"),
    ],
)
def test_bad_options_are_named(given_: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        pool([1.0, 2.0], [1.0, 1.0], **given_)


def test_egger_and_cumulative_and_shrink_refuse_what_they_cannot_do() -> None:
    with pytest.raises(InputError, match="three or more"):
        egger([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(InputError, match="same variance"):
        egger([1.0, 2.0, 3.0], [1.0, 1.0, 1.0])
    with pytest.raises(InputError, match="each of the 2 studies once"):
        cumulative([1.0, 2.0], [1.0, 1.0], order=[0, 0])
    with pytest.raises(InputError, match="one mean"):
        shrink([1.0], [1.0], pool([1.0], [1.0]))


def test_egger_is_the_weighted_regression_with_a_residual_variance() -> None:
    """y/s on 1/s by least squares: its intercept is Egger's slope."""
    s = np.sqrt(BCG_V)
    x = np.column_stack([np.ones(13), 1 / s])
    beta, rss = np.linalg.lstsq(x, BCG_Y / s, rcond=None)[:2]
    cov = float(rss[0]) / 11 * np.linalg.inv(x.T @ x)
    r = egger(BCG_Y, BCG_V, method="FE")
    assert (r.estimate, r.se, r.df) == close((beta[0], math.sqrt(cov[0, 0]), 11), rel=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("k", "tau2", "least"),
    [(8, 0.1, 0.75), (8, 0.5, 0.80), (8, 3.0, 0.91), (30, 0.5, 0.88)],
)
def test_coverage_of_mean_prediction_and_tau2(k: int, tau2: float, least: float) -> None:
    """2,000 simulated poolings; 95 % intervals, printed with -s.

    The mean and τ² are covered as they say. Prediction intervals are too short where few studies
    leave τ² near zero, in every convention: that is theirs (Partlett & Riley 2017), not the code's.
    """
    rng = np.random.default_rng(20)
    n = 2000
    hits = dict.fromkeys(("knha", "tau2", "new t", "new hts", "new z"), 0)
    for _ in range(n):
        v = np.exp(rng.normal(-0.5, 0.7, k))
        y = rng.normal(0, np.sqrt(tau2 + v))
        new = rng.normal(0, math.sqrt(tau2))
        for c in get_args(Convention):
            r = pool(y, v, prediction=c)
            assert r.prediction_low is not None and r.prediction_high is not None
            hits[f"new {c}"] += r.prediction_low <= new <= r.prediction_high
        assert r.tau2_low is not None and r.tau2_high is not None
        hits["knha"] += r.low <= 0 <= r.high
        hits["tau2"] += r.tau2_low <= tau2 <= r.tau2_high
    shares = {name: found / n for name, found in hits.items()}
    print(f"k {k}, tau2 {tau2}:", shares)
    assert shares["knha"] == close(0.95, abs=0.02)
    assert shares["tau2"] == close(0.95, abs=0.02)
    assert least <= shares["new t"] <= 0.98


def test_a_variance_outside_its_own_limits_is_said() -> None:
    # One precise study far from many imprecise ones: moments and Q weigh them differently.
    y, v = [0.0, 9.0, *[4.0, 4.1, 3.9, 4.0, 4.2, 3.8] * 4], [0.01, 0.01, *[0.9] * 24]
    found = pool(y, v, method="DL")
    assert found.tau2 is not None and found.tau2_high is not None
    outside = found.tau2 > found.tau2_high or found.tau2 < (found.tau2_low or 0.0)
    assert outside == any("outside its own limits" in w for w in found.warnings)
    assert outside

"""The optimum of a mixed model's criterion: a wide search or one step of scoring, then Newton."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from rhizoledger.errors import FitError
from rhizoledger.stats.mixed_equations import (
    CrossProducts,
    FloatArray,
    full_derivatives,
    variance_derivatives,
)

WIDEST = 1e5  # numeric: a ratio of sds above it means that the residual variance is zero
FAR = 1e3  # numeric: a ratio of sds beyond which the criterion is flat to a first search
NEAR_BOUND = 1e-6  # numeric: a step that shrinks an sd by this much tries zero itself
INWARD = 1e-9  # numeric: slope in a variance that counts as pointing away from zero
LAST_DECREMENT = 1e-13  # numeric: Newton decrement at which the last step is taken
TRUSTED = 1e-7  # numeric: decrement below which rounding hides the descent; the step is taken
NEWTON_STEPS = 60  # numeric: an ordinary fit takes three to six
FLOOR = 1e-10  # numeric: least curvature, relative to the largest, that Newton divides by
FLAT_TOLERANCE = 1e-9  # numeric: share of a factor's variance left once the design is removed
STARTS = (1.0, 30.0)  # numeric: relative sds to start from, the first usually enough
FEW = 150  # numeric: levels up to which a second search costs little
WORTHWHILE = 1e-6  # numeric: gain in the criterion for which a second start is polished
SEARCH_TOLERANCE = 1e-3  # numeric: gradient where the first search hands over to Newton's method


def least_criterion(
    cross: CrossProducts, near: FloatArray | None = None, *, reml: bool
) -> tuple[float, FloatArray]:
    """The least criterion and the standard deviations there, residual first.

    Relative standard deviations ``near`` the optimum spare the wide search.
    """
    nu = cross.n - cross.p if reml else cross.n

    def profiled(theta: FloatArray) -> tuple[float, FloatArray]:
        at = cross.at(theta * theta, reml=reml)
        value = at.log_det + nu * (1 + math.log(2 * math.pi * at.r2 / nu))
        return value, 2 * theta * (at.traces - nu * at.squares / at.r2)

    if not cross.count:
        at = cross.at(np.empty(0), reml=reml)
        sd = np.array([math.sqrt(at.r2 / nu)])
        return variance_derivatives(cross, sd, reml=reml)[0], sd
    if near is not None:
        return newton(cross, _scored(cross, near, nu, reml=reml), reml=reml)
    best: tuple[float, FloatArray] | None = None
    for start in STARTS:
        search = minimize(
            profiled,
            np.full(cross.count, start),
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, 2 * WIDEST)] * cross.count,
            options={"gtol": SEARCH_TOLERANCE, "maxcor": 10},
        )
        theta: FloatArray = search.x
        if best is not None and float(search.fun) > best[0] - WORTHWHILE:
            continue
        if theta.max() > FAR:
            # So far out the first search stops on the way; a step of scoring is nearly there.
            sd = _scored(cross, theta, nu, reml=reml)
        else:
            sigma = math.sqrt(cross.at(theta * theta, reml=reml).r2 / nu)
            sd = sigma * np.concatenate(([1.0], theta))
        best = newton(cross, sd, reml=reml)
        # A second optimum was met only beside a bound where levels are nearly as many as rows, with
        # a small residual: there, or where it costs little, a second search starts from that side.
        rich = cross.q2 > FEW and 2 * (cross.q2 + cross.d.size) < cross.n
        if best[1].all() or rich:
            break
    assert best is not None
    return best


def _scored(cross: CrossProducts, near: FloatArray, nu: int, *, reml: bool) -> FloatArray:
    """Standard deviations after one step of scoring from relative ones, none below zero.

    tr(PV_iPV_j) v_j = y'PV_iPy; in a balanced trial its solution is already the optimum wherever
    no variance is below zero. Those that are become zero and the others are solved again.
    """
    gamma = near * near
    at = cross.at(gamma, reml=reml, order=2)
    _, squares, pairs, _ = full_derivatives(at, gamma, nu)
    variances = np.zeros_like(squares)
    inside = np.ones(squares.size, dtype=bool)
    while True:
        variances[inside] = np.linalg.solve(pairs[np.ix_(inside, inside)], squares[inside])
        below = inside & (variances < 0)
        below[0] = False
        if not below.any():
            break
        inside &= ~below
        variances[below] = 0
    least = 0.1 * at.r2 / nu  # numeric: a residual far below the data's is no start
    variances[0] = max(variances[0], least)
    sd: FloatArray = np.sqrt(variances)
    return sd


def refuse_absorbed(
    cross: CrossProducts,
    names: Sequence[str],
    sizes: Sequence[int],
    codes: Sequence[NDArray[np.intp]],
    q: FloatArray,
) -> None:
    """Refuse a factor that varies only as the fixed effects do, and components not told apart."""
    if not names:
        return
    for name, size, index in zip(names, sizes, codes, strict=True):
        means = np.zeros((size, cross.p))
        np.add.at(means, index, q)
        left = cross.n - float(np.sum(means * means))
        if left < FLAT_TOLERANCE * cross.n:
            raise FitError(
                f"The fixed effects contain every level of {name}, so nothing is left for its "
                "variance. Leave it out of the random part, or out of x."
            )
    ones = np.ones(len(names) + 1)
    information = _information(cross, ones)
    root = np.sqrt(np.diag(information))
    values, vectors = np.linalg.eigh(information / np.outer(root, root))
    if values[0] < FLAT_TOLERANCE:
        blame = np.abs(vectors[:, 0]) > 0.1  # numeric: a share that is not rounding
        named = [n for n, b in zip(["the residual", *names], blame, strict=True) if b]
        raise FitError(
            f"The variances of {' and '.join(named)} cannot be told apart in these data. "
            "Look for factors whose levels coincide once the fixed effects are removed, and leave "
            "one of them out."
        )


def _information(cross: CrossProducts, sd: FloatArray) -> FloatArray:
    """tr(PV_iPV_j), twice the expected information of the variances, at unit residual variance."""
    gamma = sd[1:] ** 2
    at = cross.at(gamma, order=2)
    return full_derivatives(at, gamma, cross.n - cross.p)[2]


def newton(
    cross: CrossProducts, sd: FloatArray, fixed: int | None = None, *, reml: bool = True
) -> tuple[float, FloatArray]:
    """Minimise -2 log likelihood in the standard deviations, one of them held if named.

    Parameters
    ----------
    cross : CrossProducts
        The data.
    sd : ndarray (1 + k,)
        Start in working units; zeros are on their bound and leave it where the slope says so.
    fixed : int or None
        Position in ``sd`` that stays as it is (a profile).
    reml : bool
        Restricted likelihood or not.

    Returns
    -------
    tuple
        The minimum and the standard deviations; zero means exactly zero, with a gradient in the
        variance that points into it.
    """
    sd = sd.copy()
    # In a profile a nearly saturated model may prefer no residual at all; below this share of the
    # largest sd the criterion is rounding, so the residual stops there.
    least = float(sd.max()) / WIDEST if fixed else 0.0
    sd[0] = max(float(sd[0]), least)
    held = np.arange(sd.size) > 0
    if fixed is not None:
        held[fixed] = False
    # Just above zero the sd is flat whatever the slope in the variance: begin on the bound itself.
    sd[held & (sd < NEAR_BOUND * sd.max())] = 0
    value, slope, curve = variance_derivatives(cross, sd, reml=reml)
    for _ in range(NEWTON_STEPS):
        if fixed is None and sd.max() > WIDEST * sd[0]:
            raise FitError(
                "The residual variance goes to zero: within the levels of the random factors the "
                "values do not differ beyond the fixed effects, or by less than a "
                "hundred-thousandth of what the levels do. Look first for copied values, "
                "second for plots entered as their mean; give the single plots, or drop the factor "
                "with the most levels."
            )
        free = sd > 0
        free[0] = sd[0] > least or slope[0] < 0
        if fixed is not None:
            free[fixed] = False
        gradient = (2 * sd * slope)[free]
        squared = 4 * np.outer(sd, sd)  # exact: (2 sd)² of the chain rule
        hessian = (squared * curve + 2 * np.diag(slope))[np.ix_(free, free)]  # exact: (x²)'' = 2
        values, vectors = np.linalg.eigh(hessian) if free.any() else (np.ones(0), np.eye(0))
        size = np.abs(values).max(initial=0)
        steps = -vectors @ ((vectors.T @ gradient) / np.maximum(np.abs(values), FLOOR * size))
        decrement = -float(gradient @ steps)
        shut = (sd == 0) & (slope * sd[0] ** 2 < -INWARD)
        if fixed is not None:
            shut[fixed] = False
        if decrement < LAST_DECREMENT and shut.any():
            opened = _opened(cross, sd, shut, (value, slope, curve), reml)
            if opened is None:
                return value, sd
            sd, (value, slope, curve) = opened
            continue
        full = np.zeros_like(sd)
        full[free] = steps
        length = 1.0
        while True:
            trial = np.maximum(sd + length * full, 0)
            # A component that a step brings near its bound is tried on the bound itself.
            trial[held & (trial < NEAR_BOUND * sd.max())] = 0
            trial[0] = max(trial[0], 0.1 * sd[0], least)  # numeric: never to zero at once
            new = variance_derivatives(cross, trial, reml=reml)
            if new[0] < value or decrement < TRUSTED:
                break
            length *= 0.5
            if length < TRUSTED:
                return value, sd
        done = decrement < LAST_DECREMENT
        if done and not new[0] <= value + TRUSTED:
            return value, sd
        sd, (value, slope, curve) = trial, new
        if done:
            return value, sd
    raise FitError(
        "The search for the variance components did not settle. Look first at components with "
        "few levels, second at two factors that say nearly the same, third at values far from "
        "the rest; fit the model with one component less."
    )


def _opened(
    cross: CrossProducts,
    sd: FloatArray,
    shut: NDArray[np.bool_],
    here: tuple[float, FloatArray, FloatArray],
    reml: bool,
) -> tuple[FloatArray, tuple[float, FloatArray, FloatArray]] | None:
    """Components leave zero by Newton's step in the variance, halved until the criterion falls."""
    value, slope, curve = here
    bend = np.diag(curve)[shut]
    most = sd[0] ** 2
    step = np.where(bend > 0, -slope[shut] / np.where(bend > 0, bend, 1), most)
    step = np.minimum(step, most)
    while step.max() > FLOOR * TRUSTED * most:
        trial = sd.copy()
        trial[shut] = np.sqrt(step)
        new = variance_derivatives(cross, trial, reml=reml)
        if new[0] < value:
            return trial, new
        step = 0.5 * step
    return None

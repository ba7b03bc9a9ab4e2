"""How fast a die-off curve is fitted, and how fast its profile limits are found, at ~20 counts.

Run from the folder of the project:  python benchmarks/bench_survival_fit.py [--check]

Prints milliseconds and the ratio to scipy.optimize.curve_fit of the same model in the same run.
curve_fit climbs once, from the truth that the counts were drawn from, with derivatives by
differences, and gives no profile limits: it is a yardstick of one climb, not of the same work.
With --check it exits 1 when a fit takes more than 50 ms or its limits more than 0.3 s, in the
worst data set and not in the mean. All data are invented.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeWarning, curve_fit

from rhizoledger.survival.fit import fit_model
from rhizoledger.survival.fit_data import log10_counts
from rhizoledger.survival.fit_models import MODELS, SHAPES, Model

FloatArray = NDArray[np.float64]
FIT_MS, PROFILE_MS = 50.0, 300.0
SETS, ROUNDS = 10, 3
DAYS = np.repeat([0.0, 1, 2, 4, 7, 10, 14, 18, 22, 28], 2)
TRUTH: dict[Model, list[float]] = {
    "loglinear": [1 / 9],
    "weibull": [float(np.log(4.0)), float(np.log(0.6))],
    "biphasic": [float(np.log(19.0)), float(np.log(0.08)), float(np.log(15.0))],
    "shoulder": [float(np.log(0.35)), 6.0],
    "tail": [float(np.log(0.6)), 3.5],
    "shoulder_tail": [float(np.log(0.7)), 5.0, 3.2],
}


def curve(model: Model) -> Callable[..., FloatArray]:
    shape = SHAPES[model]

    def of(t: FloatArray, n0: float, *own: float) -> FloatArray:
        return shape.curve(np.full(len(t), n0), np.array(own), t).mu

    return of


def best_ms(work: Callable[[], object]) -> float:
    spent = np.inf
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        spent = min(spent, time.perf_counter() - start)
    return float(spent * 1e3)


def fit_by_scipy(of: Callable[..., FloatArray], y: FloatArray, start: list[float]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OptimizeWarning)
        with suppress(RuntimeError):  # where it does not converge its time counts all the same
            curve_fit(of, DAYS, y, p0=start, maxfev=10_000)


def timed(model: Model, drawn_from: Model, rng: np.random.Generator) -> tuple[list[float], ...]:
    """Milliseconds of curve_fit, of the fit and of its limits, for every data set."""
    of, start = curve(model), [7.0, *TRUTH[model]]
    mu = curve(drawn_from)(DAYS, 7.0, *TRUTH[drawn_from])
    bare, fits, limits = [], [], []
    for _ in range(SETS):
        y = mu + rng.normal(0, 0.2, len(DAYS))
        data = log10_counts(DAYS, y)
        bare.append(best_ms(partial(fit_by_scipy, of, y, start)))
        fits.append(best_ms(partial(fit_model, data, model, profile=False)))
        limits.append(best_ms(partial(fit_model, data, model)) - fits[-1])
    return bare, fits, limits


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="exit 1 if a limit is broken")
    args = parser.parse_args()
    rng = np.random.default_rng(1)
    broken = []
    print(f"{len(DAYS)} counts, {SETS} data sets, best of {ROUNDS} rounds; median and worst, ms")
    print("model          drawn from    curve_fit     fit   worst   ratio  limits   worst")
    # A bend that is not in the counts leaves the likelihood flat: the hard case for limits.
    for model, drawn_from in [*((m, m) for m in MODELS), *((m, MODELS[0]) for m in MODELS[1:])]:
        bare, fits, limits = timed(model, drawn_from, rng)
        one, two, three = (float(np.median(x)) for x in (bare, fits, limits))
        print(
            f"{model:14} {drawn_from:13} {one:9.2f} {two:7.2f} {max(fits):7.1f} {two / one:6.1f}x "
            f"{three:7.1f} {max(limits):7.1f}"
        )
        name = f"{model} on {drawn_from}"
        if max(fits) > FIT_MS:
            broken.append(f"{name}: a fit takes {max(fits):.0f} ms, more than {FIT_MS:.0f}")
        if max(limits) > PROFILE_MS:
            broken.append(f"{name}: limits take {max(limits):.0f} ms, more than {PROFILE_MS:.0f}")
    for line in broken:
        print(f"broken: {line}")
    return 1 if args.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())

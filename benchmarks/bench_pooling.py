"""How fast one meta-analysis is: REML, Knapp-Hartung, Q-profile and prediction of 15 studies.

Run from the folder of the project:  python benchmarks/bench_pooling.py [--studies 15] [--check]

Prints microseconds and the ratio to a bare weighted mean in numpy (weights, their sum, the mean and
its standard error) in the same run. With --check it exits 1 when the limit of 0.3 ms is broken. All
data are invented.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from rhizoledger.stats.hierarchy import two_levels
from rhizoledger.stats.hierarchy_priors import TauPrior
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.studies import Method

FloatArray = NDArray[np.float64]
LIMIT_US = 300.0
ROUNDS = 7
SETS = 50  # data sets taken in turn, so that no one of them is easy


def bare(y: FloatArray, v: FloatArray) -> tuple[float, float]:
    w = 1 / v
    total = w.sum()
    return float((w * y).sum() / total), math.sqrt(1 / total)


def invented(studies: int) -> list[tuple[FloatArray, FloatArray]]:
    rng = np.random.default_rng(1)
    data = []
    for _ in range(SETS):
        v = np.exp(rng.normal(0, 1, studies))
        data.append((rng.normal(0, np.sqrt(v + rng.choice([0.0, 0.5, 3.0]))), v))
    return data


def best_us(
    work: Callable[[FloatArray, FloatArray], object], data: list[tuple[FloatArray, FloatArray]]
) -> float:
    """Microseconds a call: the best of some rounds over all the data sets."""
    spent = math.inf
    for _ in range(ROUNDS):
        start = time.perf_counter()
        for y, v in data:
            work(y, v)
        spent = min(spent, (time.perf_counter() - start) / SETS)
    return spent * 1e6


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=15)
    parser.add_argument("--check", action="store_true", help="exit 1 if the limit is broken")
    args = parser.parse_args()
    data = invented(args.studies)

    yardstick = best_us(bare, data)
    print(f"{args.studies} studies, the best of {ROUNDS} rounds over {SETS} data sets")
    print(f"{'weights, mean and se in bare numpy':36} {yardstick:8.1f} us")
    methods: tuple[Method, ...] = ("REML", "ML", "PM", "DL", "HE", "HS", "SJ", "FE")
    reached = math.nan
    for method in methods:
        spent = best_us(partial(pool, method=method), data)
        if method == "REML":
            reached = spent
        name = f"{method}, knha, Q-profile, prediction"
        print(f"{name:36} {spent:8.1f} us  {spent / yardstick:6.1f} x bare")
    prior = TauPrior("half_normal", 1.0)
    spent = best_us(lambda y, v: two_levels(y, v, tau=prior).mu.interval(), data)
    print(
        f"{'hierarchy, interval of the mean':36} {spent:8.1f} us  {spent / yardstick:6.1f} x bare"
    )
    if args.check and reached > LIMIT_US:
        print(f"broken: REML takes {reached:.0f} us, more than {LIMIT_US:.0f}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

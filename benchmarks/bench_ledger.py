"""How fast a whole season of batches is worked: 10,000 batches x 4,000 draws x 5 stages.

Run from the folder of the project:  python benchmarks/bench_ledger.py [--batches 10000] [--check]

Prints seconds, the ratio to the bare matrix products of the same run, and the largest memory use.
With --check it exits 1 when a limit is broken. All data are invented.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rhizoledger.survival.equivalent_age import AccelerationTable
from rhizoledger.survival.exposure import Exposure
from rhizoledger.survival.kinetics import front_loaded_loss

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

STAGES, BINS, FIRST_BIN = 5, 160, 232  # 160 bins from -2 to 38 degrees C
BIN_UC, MS_PER_DAY = 250_000, 86_400_000
CHUNK = 64  # batches worked at once; their balances stay in the cache
PERIOD_D, REQUIREMENT = 21.0, 5.0
LIMITS = {"seconds": 4.0, "ratio": 3.0, "megabytes": 600.0}


def invented_exposures(batches: int, rng: np.random.Generator) -> list[list[Exposure]]:
    """One list of exposures for each stage; every one occupies all the bins."""
    stages = []
    for _ in range(STAGES):
        ticks = rng.integers(60_000, 6_000_000, (batches, BINS))
        degrees = (ticks * rng.uniform(-0.5, 0.5, ticks.shape) * BIN_UC).astype(np.int64)
        stages.append(
            [
                Exposure(FIRST_BIN, t, d, (), -2.0, 38.0, "")
                for t, d in zip(ticks, degrees, strict=True)
            ]
        )
    return stages


def bare_products(stages: Sequence[Sequence[Exposure]], draws: int) -> float:
    """Seconds for time and degree-time as two matrix products and nothing else."""
    rng = np.random.default_rng(2)
    value, slope = rng.random((BINS, draws)), rng.random((BINS, draws))
    rows = 2 * CHUNK
    one, two = np.empty((rows, draws)), np.empty((rows, draws))
    spent = 0.0
    for stage in stages:
        for i in range(0, len(stage), rows):
            part = stage[i : i + rows]
            days = np.array([e.ticks for e in part]) / MS_PER_DAY
            degrees = np.array([e.degree_ticks for e in part]) / MS_PER_DAY / BIN_UC
            n = len(part)
            start = time.perf_counter()
            np.matmul(days, value, out=one[:n])
            np.matmul(degrees, slope, out=two[:n])
            spent += time.perf_counter() - start
    return spent


class Parameters:
    """Invented draws: a z for each stage, a rate for the first two, a loss for the seed stages."""

    def __init__(self, draws: int) -> None:
        rng = np.random.default_rng(3)
        self.z = rng.uniform(40.0, 90.0, (STAGES, draws))
        self.rate = rng.uniform(0.0, 0.02, (2, draws))
        self.loss, self.share = rng.uniform(1.0, 2.3, draws), rng.uniform(0.0, 1.0, draws)
        self.opening = rng.normal(6.3, 0.2, draws)


def ledgers(
    stages: Sequence[Sequence[Exposure]], p: Parameters, *, quantiles: bool
) -> tuple[FloatArray, FloatArray]:
    """Chance that each batch meets the requirement and, if wanted, its 5, 50 and 95 % balances."""
    batches, draws = len(stages[0]), p.opening.size
    tables = [AccelerationTable(z, 22.5, floor_c=15.0) for z in p.z]
    meets, points = np.empty(batches), np.full((batches, 3), np.nan)
    ranks = [round(q * (draws - 1)) for q in (0.05, 0.5, 0.95)]
    ages = np.empty((STAGES, CHUNK, draws))
    for i in range(0, batches, CHUNK):
        n = min(CHUNK, batches - i)
        for table, stage, age in zip(tables, stages, ages, strict=True):
            table.days(stage[i : i + n], out=age[:n])
        wet_days = np.array([e.total_ticks for e in stages[2][i : i + n]]) / MS_PER_DAY
        first = ages[2, :n] / wet_days[:, np.newaxis]
        ages[3] += ages[2]
        ages[4] += ages[3]
        ages[4] /= PERIOD_D
        balance = front_loaded_loss(p.loss, p.share, ages[4, :n], first)
        np.subtract(p.opening, balance, out=balance)
        for rate, age in zip(p.rate, ages[:2], strict=True):
            age *= rate
            balance -= age[:n]
        meets[i : i + n] = np.count_nonzero(balance >= REQUIREMENT, axis=1) / draws
        if quantiles:
            balance.partition(ranks, axis=1)
            points[i : i + n] = balance[:, ranks]
    return meets, points


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=10_000)
    parser.add_argument("--draws", type=int, default=4_000)
    parser.add_argument("--check", action="store_true", help="exit 1 if a limit is broken")
    args = parser.parse_args()

    stages = invented_exposures(args.batches, np.random.default_rng(1))
    p = Parameters(args.draws)
    ledgers([s[:CHUNK] for s in stages], p, quantiles=True)  # warm up
    bare_products([s[:CHUNK] for s in stages], args.draws)

    print(f"{args.batches} batches x {args.draws} draws x {STAGES} stages, {BINS} occupied bins")
    # A shared machine slows down and speeds up: the bare products are timed before and after.
    before = bare_products(stages, args.draws)
    start = time.perf_counter()
    meets, _ = ledgers(stages, p, quantiles=False)
    kernel = time.perf_counter() - start
    start = time.perf_counter()
    _, points = ledgers(stages, p, quantiles=True)
    full = time.perf_counter() - start
    bare = 0.5 * (before + bare_products(stages, args.draws))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    print(f"bare products, time and degree-time     {bare:6.2f} s")
    print(f"ledger: ages, losses, balance, P(meets) {kernel:6.2f} s  {kernel / bare:5.2f} x bare")
    print(f"the same with 5, 50 and 95 % points     {full:6.2f} s  {full / bare:5.2f} x bare")
    print(f"largest memory use                      {peak:6.0f} MB")
    print(f"mean P(meets) {meets.mean():.4f}, mean median {points[:, 1].mean():.4f}")
    reached = {"seconds": kernel, "ratio": kernel / bare, "megabytes": peak}
    broken = [name for name, limit in LIMITS.items() if reached[name] > limit]
    for name in broken:
        print(f"over the limit: {name} {reached[name]:.2f} > {LIMITS[name]:g}", file=sys.stderr)
    return 1 if args.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())

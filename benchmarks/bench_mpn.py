"""How fast most probable numbers of very many different designs are found.

Run from the folder of the project:  python benchmarks/bench_mpn.py [--designs 1000000] [--check]

Solves random designs of 3 to 7 dilutions and 1 to 500 tubes, no two alike, nothing kept between
them, on one thread, and a sample of the same designs one at a time by ``scipy.optimize.brentq`` on
the logarithm of the density (xtol 1e-14), once with the score summed by numpy and once in plain
Python, which is quicker for rows this short. Prints seconds for a million (median of the rounds),
the ratios, the largest difference from the bracketed roots, and the largest memory use. With
--check it exits 1 when a limit is broken on any kind of design: 0.8 s, 80 times the loop with
numpy, 1e-10.
All data are invented.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from rhizoledger.counts.mpn_many import densities

FloatArray = NDArray[np.float64]
Designs = tuple[FloatArray, NDArray[np.int64], NDArray[np.int64]]

LIMIT_S = 0.8
LIMIT_RATIO = 80.0
LIMIT_ERROR = 1e-10
ROUNDS = 5
LOOPED = 4000  # designs solved one at a time; their time is scaled up to all
STEPS = 7
KINDS = {
    "served": "tubes as one density fills them, series of 2 to 10 fold",
    "uniform": "any number of positive tubes in each row of a series",
    "unsorted": "amounts drawn one by one, any number of positive tubes",
}


def invented(kind: str, m: int) -> Designs:
    rng = np.random.default_rng(5)
    step = np.arange(STEPS)
    length = rng.integers(3, STEPS + 1, m)
    factor = rng.uniform(2.0, 10.0, m)[:, np.newaxis]
    z = 10 ** rng.uniform(-3, 3, m)[:, np.newaxis] / factor**step
    if kind == "unsorted":
        z = 10 ** rng.uniform(-6, 3, (m, STEPS))
    n = np.where(step < length[:, np.newaxis], rng.integers(1, 501, (m, STEPS)), 0)
    if kind == "served":
        place = factor ** rng.uniform(-0.5, length - 0.5)[:, np.newaxis]
        x = rng.binomial(n, -np.expm1(-z / z[:, :1] * place))
    else:
        x = rng.integers(0, n + 1)
    return z, n, x


Row = tuple[FloatArray, FloatArray, float, float, float]


def rows_of(z: FloatArray, n: NDArray[np.int64], x: NDArray[np.int64]) -> list[Row]:
    """What a loop needs of each design: its used rows and a bracket; bounds are passed over."""
    out = []
    for i in range(len(z)):
        used = n[i] > 0
        amount, positive = z[i][used], x[i][used].astype(float)
        negative = float(((n[i] - x[i])[used] * amount).sum())
        total = float(positive.sum())
        low = math.log(max(total, 1.0) / float((n[i][used] * amount).sum())) - 0.1
        high = math.log(max(total, 1.0) / (negative or 1.0)) + 0.1
        out.append((amount, positive, negative if total else 0.0, low, high))
    return out


def by_numpy(rows: list[Row]) -> list[float]:
    out = []
    for z, x, negative, low, high in rows:

        def score(t: float, z: FloatArray = z, x: FloatArray = x, n_z: float = negative) -> float:
            y = np.minimum(math.exp(t) * z, 700.0)
            return float((x * z / np.expm1(y)).sum()) - n_z

        out.append(math.exp(brentq(score, low, high, xtol=1e-14)) if negative else math.nan)
    return out


def by_plain_python(rows: list[Row]) -> list[float]:
    out = []
    for z, x, negative, low, high in rows:
        pairs = [(a, k * a) for a, k in zip(z.tolist(), x.tolist(), strict=True) if k]

        def score(
            t: float, pairs: list[tuple[float, float]] = pairs, n_z: float = negative
        ) -> float:
            lam = math.exp(t)
            return sum(kz / math.expm1(min(lam * a, 700.0)) for a, kz in pairs) - n_z

        out.append(math.exp(brentq(score, low, high, xtol=1e-14)) if negative else math.nan)
    return out


def seconds(work: Callable[[], object], rounds: int = ROUNDS) -> tuple[float, float]:
    """Median and least of some rounds."""
    spent = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent), min(spent)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", type=int, default=1_000_000)
    parser.add_argument("--check", action="store_true", help="exit 1 if a limit is broken")
    args = parser.parse_args()
    broken = []
    for kind, what in KINDS.items():
        z, n, x = invented(kind, args.designs)
        spent, least = seconds(lambda z=z, n=n, x=x: densities(z, n, x))
        spent, least = spent * 1e6 / args.designs, least * 1e6 / args.designs
        tracemalloc.start()
        densities(z, n, x)
        grown = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        rows = rows_of(z[:LOOPED], n[:LOOPED], x[:LOOPED])
        loop, _ = seconds(lambda rows=rows: by_numpy(rows), 3)
        plain, _ = seconds(lambda rows=rows: by_plain_python(rows), 3)
        loop, plain = loop * 1e6 / len(rows), plain * 1e6 / len(rows)
        roots = np.array(by_plain_python(rows))
        found = densities(z[:LOOPED], n[:LOOPED], x[:LOOPED])
        inner = ~np.isnan(roots)
        error = float(np.abs(found[inner] / roots[inner] - 1).max())
        print(f"{kind}: {what}; a million designs of {args.designs:,} solved")
        print(
            f"  all at once             {spent:8.3f} s (best {least:.3f}), at most {grown:.0f} MB"
        )
        print(f"  brentq, score by numpy  {loop:8.1f} s, {loop / spent:6.0f} x")
        print(f"  brentq, plain Python    {plain:8.1f} s, {plain / spent:6.0f} x")
        print(f"  largest difference      {error:8.1e}")
        if spent > LIMIT_S:
            broken.append(f"{kind}: {spent:.2f} s, more than {LIMIT_S}")
        if loop / spent < LIMIT_RATIO:
            broken.append(f"{kind}: {loop / spent:.0f} x brentq, less than {LIMIT_RATIO:.0f}")
        if error > LIMIT_ERROR:
            broken.append(f"{kind}: off by {error:.1e}")
    for line in broken if args.check else ():
        print(f"broken: {line}")
    return 1 if args.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())

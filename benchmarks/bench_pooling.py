"""How fast one meta-analysis is: REML, Knapp-Hartung, Q-profile and prediction of 15 studies.

Run from the folder of the project:  python benchmarks/bench_pooling.py [--studies 15] [--check]

Prints microseconds and the ratio to a bare weighted mean in numpy (weights, their sum, the mean and
its standard error) in the same run, and to R's metafor where that is installed: R is a witness here
and never needed by the package. With --check it exits 1 when the limit of 0.3 ms is broken. All
data are invented.
"""

from __future__ import annotations

import argparse
import csv
import math
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path

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
PATIENCE_S = 600.0

# Every R program answers in lines of a key and numbers, and stops where a package is missing.
R_OPENING = """
a <- commandArgs(TRUE)
for (p in strsplit(a[2], " ")[[1]]) if (!requireNamespace(p, quietly = TRUE)) {
  cat("missing", p, "\\n"); quit(status = 3)
}
say <- function(key, x) cat(key, sprintf("%.17g", as.numeric(x)), "\\n")
since <- function(start) as.numeric(Sys.time()) - start
d <- read.csv(a[1], stringsAsFactors = TRUE)
a <- a[-(1:2)]
"""
# Fisher's scoring fails in some sets; the time that it took counts all the same. The numbers that
# are compared come from a stricter search than the timed one, which is as it comes.
R_POOL = """
sets <- split(d, d$set)
pooled <- function(x, limits, control = list()) tryCatch({
  m <- metafor::rma(yi, vi, data = x, method = "REML", test = "knha", control = control)
  p <- predict(m)
  if (limits) confint(m)
  c(m$beta, m$se, m$tau2, p$pi.lb, p$pi.ub)
}, error = function(e) NA)
for (round in 0:as.integer(a[1])) for (limits in c(FALSE, TRUE)) {
  start <- as.numeric(Sys.time())
  for (x in sets) pooled(x, limits)
  if (round) say(if (limits) "limits" else "plain", since(start) / length(sets) * 1e6)
}
for (i in names(sets)) say(i, pooled(sets[[i]], FALSE, list(threshold = 1e-12, maxiter = 1000)))
say("version", unlist(packageVersion("metafor")))
"""


class LeftOut(Exception):
    """Why a comparison with another program could not be made."""


def by_r(
    program: str,
    table: Mapping[str, Iterable[object]],
    packages: Sequence[str],
    *arguments: object,
    patience: float = PATIENCE_S,
) -> dict[str, list[float]]:
    """The numbers that an R program says of a table, by key; a key said twice is one list."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise LeftOut("Rscript is not on the path")
    with tempfile.TemporaryDirectory() as folder:
        data, text = Path(folder, "data.csv"), Path(folder, "program.R")
        with data.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(table)
            writer.writerows(zip(*table.values(), strict=True))
        text.write_text(R_OPENING + program)
        command = [rscript, str(text), str(data), " ".join(packages), *map(str, arguments)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=patience)
        except subprocess.TimeoutExpired:
            raise LeftOut(f"stopped after {patience:.0f} s") from None
    said = [line.split() for line in done.stdout.splitlines()]
    if said and said[0][0] == "missing":
        raise LeftOut(f"R has no package {said[0][1]}")
    if done.returncode:
        raise LeftOut(f"R ended with: {' '.join(done.stderr.split()[-20:])}")
    answers: dict[str, list[float]] = defaultdict(list)
    for key, *numbers in said:
        answers[key] += [math.nan if x == "NA" else float(x) for x in numbers]
    return dict(answers)


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


def beside_metafor(data: list[tuple[FloatArray, FloatArray]], reached: float) -> None:
    """Time of metafor on the same data sets, and how far its numbers lie from ours."""
    columns = {
        "set": [i for i, (y, _) in enumerate(data) for _ in y],
        "yi": np.concatenate([y for y, _ in data]).tolist(),
        "vi": np.concatenate([v for _, v in data]).tolist(),
    }
    try:
        said = by_r(R_POOL, columns, ["metafor"], ROUNDS)
    except LeftOut as reason:
        print(f"metafor is left out: {reason}")
        return
    version = ".".join(f"{x:.0f}" for x in said["version"])
    for key, name in (("plain", "without Q-profile"), ("limits", "with Q-profile")):
        spent = min(said[key])
        name = f"metafor {version}, {name}"
        print(f"{name:36} {spent:8.1f} us  {spent / reached:6.1f} x ours")
    apart = []
    for i, (y, v) in enumerate(data):
        r = pool(y, v)
        ours = np.array([r.mu, r.se, r.tau2, r.prediction_low, r.prediction_high], dtype=float)
        # The variance between studies in units of a sampling variance, all else of an error.
        unit = np.array([r.se, r.se, np.median(v), r.se, r.se])
        if np.isfinite(said[str(i)]).all():
            apart.append(float(np.abs((ours - said[str(i)]) / unit).max()))
    print(
        f"greatest difference from metafor's mean, se, tau2 and prediction in the {len(apart)} of "
        f"{len(data)} sets that it fits: {max(apart, default=math.nan):.1e} se"
    )


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
    beside_metafor(data, reached)
    if args.check and reached > LIMIT_US:
        print(f"broken: REML takes {reached:.0f} us, more than {LIMIT_US:.0f}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

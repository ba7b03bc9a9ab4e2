"""How fast trials are simulated, by two stages all at once and by the full mixed model one by one.

Run from the folder of the project:  python benchmarks/bench_power.py [--sites 14] [--check]

Prints seconds for 10,000 two-stage simulations and the ratio to drawing their random numbers alone
in the same run, and trials a second of the full model with the ratio to fitting each from scratch.
With --check it exits 1 when the limit of 5 s is broken. All numbers are invented.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from rhizoledger.stats.mixed import fit_mixed
from rhizoledger.stats.mixed_inference import contrast
from rhizoledger.stats.one_thread import one_thread
from rhizoledger.stats.power import multi_site, paired, rcbd
from rhizoledger.stats.power_mixed import mixed_trials
from rhizoledger.stats.power_search import n_for
from rhizoledger.stats.power_two_stage import simulate_two_stage

LIMIT_S = 5.0
ROUNDS = 5
SIMULATIONS = 10_000
TRIALS = 300
DESIGNS = ((8, 3, 2), (12, 4, 5), (30, 4, 4))


def best(work: Callable[[], object]) -> float:
    """Seconds, the best of some rounds."""
    spent = math.inf
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        spent = min(spent, time.perf_counter() - start)
    return spent


def bare(sites: int) -> None:
    rng = np.random.Generator(np.random.PCG64(1))
    rng.standard_normal((SIMULATIONS, sites))
    rng.chisquare(2.0, (SIMULATIONS, sites))


def from_scratch(sites: int, blocks: int, treatments: int) -> None:
    """One trial after the other fitted and tested as if its design were new."""
    rng = np.random.Generator(np.random.PCG64(1))
    site, block, treatment = (
        axis.ravel() for axis in np.indices((sites, blocks, treatments), dtype=int)
    )
    levels = (site, site * blocks + block, site * treatments + treatment)
    groups = dict(zip(("site", "site:block", "site:treatment"), levels, strict=True))
    x = np.column_stack([np.ones(site.size), *(treatment == t for t in range(1, treatments))])
    row = np.eye(treatments)[1]
    with one_thread():
        for _ in range(TRIALS):
            y = 2.0 * rng.standard_normal(site.size)
            for sd, level in zip((3.0, 1.0, 0.8), levels, strict=True):
                y += sd * rng.standard_normal(level.max() + 1)[level]
            contrast(fit_mixed(y, x, groups), row)


def full_model() -> None:
    print(f"\nfull mixed model, {TRIALS} trials, Kenward-Roger; once")
    for sites, blocks, treatments in DESIGNS:
        start = time.perf_counter()
        mixed_trials(
            sites,
            blocks,
            treatments,
            2.0,
            site_sd=3.0,
            block_sd=1.0,
            interaction_sd=0.8,
            seed=1,
            simulations=TRIALS,
        )
        middle = time.perf_counter()
        from_scratch(sites, blocks, treatments)
        spent, scratch = middle - start, time.perf_counter() - middle
        name = f"{sites} sites x {blocks} blocks x {treatments} treatments"
        print(f"{name:40} {TRIALS / spent:7.0f} /s  {scratch / spent:6.1f} x from scratch")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=14)
    parser.add_argument("--check", action="store_true", help="exit 1 if the limit is broken")
    args = parser.parse_args()
    uneven = [2 + i % 4 for i in range(args.sites)]
    cases: list[tuple[str, Any, dict[str, Any]]] = [
        ("REML, equal blocks, pooled variance", 3, {}),
        ("REML, unequal blocks, pooled variance", uneven, {}),
        ("REML, each site's own variance", 3, {"variance": "own"}),
        ("DL, each site's own variance", 3, {"variance": "own", "method": "DL"}),
    ]
    print(f"{SIMULATIONS} simulations of {args.sites} sites, the best of {ROUNDS} rounds")
    yardstick = best(lambda: bare(args.sites))
    print(f"{'normals and chi-squares alone':40} {yardstick:7.3f} s")
    slowest = 0.0
    for name, blocks, options in cases:
        spent = best(
            lambda blocks=blocks, options=options: simulate_two_stage(  # type: ignore[misc]
                args.sites, 0.8, 2.5, blocks, 1.0, seed=1, simulations=SIMULATIONS, **options
            )
        )
        slowest = max(slowest, spent)
        print(f"{name + ', knha':40} {spent:7.3f} s  {spent / yardstick:6.1f} x drawing")
    closed: list[tuple[str, Callable[[], object]]] = [
        ("paired(8, 1, 3)", lambda: paired(8, 1, 3)),
        ("rcbd(5, 4, 2, 2)", lambda: rcbd(5, 4, 2, 2)),
        ("multi_site(14, 0.8, 2.5, 3, 1)", lambda: multi_site(14, 0.8, 2.5, 3, 1)),
        ("n_for('paired', delta=1, sd=3)", lambda: n_for("paired", delta=1, sd=3)),
    ]
    for name, work in closed:
        print(f"{name:40} {1000 * best(work):7.3f} ms")
    full_model()
    if args.check and slowest > LIMIT_S:
        print(f"broken: the slowest takes {slowest:.1f} s, more than {LIMIT_S:g}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How fast a mixed model of 4,800 plots answers, beside R, statsmodels and bare linear algebra.

Run from the folder of the project:
python benchmarks/bench_mixed.py [--sites 40] [--patience 600] [--check]

The trial has 40 sites x 6 years x 4 blocks x 5 treatments, with site, year, site:year and block
within site:year random: 1,246 levels. Prints seconds, the ratios of one and the same run, and how
far R's numbers lie from ours. R with lmerTest and pbkrtest, and statsmodels with pandas, are
witnesses that the package never needs; what is not installed is left out and said so, and what
does not end within --patience seconds gives a lower bound. With --check it exits 1 when a limit is
broken: no slower than lmerTest, 100 x as fast as statsmodels, Kenward-Roger within 1 s, criterion
no worse than R's. All data are invented.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import math
import multiprocessing
import resource
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from statistics import median
from typing import Any
from unittest.mock import patch

import numpy as np
from bench_pooling import LeftOut, by_r
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri

from rhizoledger.stats.mixed import MixedFit, fit_mixed
from rhizoledger.stats.mixed_design import TreatmentDesign, treatment_design
from rhizoledger.stats.mixed_equations import CrossProducts
from rhizoledger.stats.mixed_inference import Contrast, compare, versus_check
from rhizoledger.stats.mixed_precision import DfMethod
from rhizoledger.stats.one_thread import one_thread

KR_LIMIT_S, FASTER_THAN_STATSMODELS, CRITERION_SLACK = 1.0, 100.0, 1e-6
ROUNDS = 7
YEARS, BLOCKS, TREATMENTS = 6, 4, 5
SMALL_SITES, LOST = 10, 0.1  # the smaller trial, uneven, where R's Kenward-Roger ends in time
SDS = {"site": 6.0, "year": 4.0, "site_year": 3.0, "block": 1.5}
RESIDUAL_SD = 2.0

R_FIT = """
suppressMessages(library(lmerTest))
f <- y ~ treatment + (1 | site) + (1 | year) + (1 | site_year) + (1 | block)
told <- function(name, s) {
  say(paste0(name, "_se"), s$coefficients[, 2]); say(paste0(name, "_df"), s$coefficients[, 3])
}
for (round in 0:as.integer(a[1])) {
  start <- as.numeric(Sys.time()); m <- lmer(f, d); s <- summary(m)
  if (round) say("seconds", since(start))
  start <- as.numeric(Sys.time()); lme4::lmer(f, d)
  if (round) say("without_df", since(start))
}
if (a[2] == "strict") {
  m <- lmer(f, d, control = lmerControl(optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-12)))
  s <- summary(m)
}
v <- as.data.frame(VarCorr(m))
say("criterion", REMLcrit(m))
say("variances", v$vcov[match(c("site", "year", "site_year", "block", "Residual"), v$grp)])
say("estimates", fixef(m))
told("satterthwaite", s)
say("version", unlist(packageVersion("lmerTest")))
"""
R_KENWARD_ROGER = (
    R_FIT
    + """
start <- as.numeric(Sys.time()); s <- summary(m, ddf = "Kenward-Roger")
say("kenward_roger_seconds", since(start))
told("kenward_roger", s)
"""
)


@dataclass(frozen=True)
class Trial:
    """Plots by name of column, all but the yield as text."""

    y: NDArray[np.float64]
    treatment: list[str]
    factors: dict[str, list[str]]

    @property
    def columns(self) -> dict[str, list[Any]]:
        return {"y": self.y.tolist(), "treatment": self.treatment, **self.factors}

    @property
    def levels(self) -> list[int]:
        return [len(set(labels)) for labels in self.factors.values()]

    def __str__(self) -> str:
        return f"{self.y.size} plots, {'+'.join(map(str, self.levels))} levels"


def invented(sites: int, lost: float = 0.0) -> Trial:
    rng = np.random.default_rng(1)
    site, year, block, treatment = (
        axis.ravel() for axis in np.indices((sites, YEARS, BLOCKS, TREATMENTS))
    )
    site_year = site * YEARS + year
    codes = dict(zip(SDS, (site, year, site_year, site_year * BLOCKS + block), strict=True))
    y = 50 + 0.5 * treatment + RESIDUAL_SD * rng.standard_normal(site.size)
    for name, level in codes.items():
        y += SDS[name] * rng.standard_normal(level.max() + 1)[level]
    kept = rng.random(site.size) >= lost
    return Trial(
        y[kept],
        [f"t{t}" for t in treatment[kept]],
        {name: [f"{name}{i}" for i in level[kept]] for name, level in codes.items()},
    )


def fitted(trial: Trial) -> tuple[MixedFit, TreatmentDesign]:
    design = treatment_design(trial.treatment, "t0")
    return fit_mixed(trial.y, design.x, trial.factors, terms=design.terms), design


def fixed(fit: MixedFit, df: DfMethod) -> tuple[Contrast, ...]:
    """Mean of the check and differences from it: the table that summary() prints."""
    return compare(fit, np.eye(len(fit.terms)), fit.terms, df)


def like_summary(trial: Trial) -> None:
    fixed(fitted(trial)[0], "satterthwaite")


def in_full(trial: Trial) -> None:
    fit, design = fitted(trial)
    fixed(fit, "kenward_roger")
    versus_check(fit, design)


def times(work: Callable[[], object]) -> list[float]:
    out = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        out.append(time.perf_counter() - start)
    return out


def line(name: str, seconds: float, ratio: float, of: str, bound: str = "") -> None:
    print(f"{name:52} {bound:1}{seconds:9.3f} s  {bound:1}{ratio:8.2f} x {of}", flush=True)


def orders_of_evaluations(trial: Trial) -> list[int]:
    """How often one fit asks for the criterion, and whether for second derivatives (2) too."""
    orders: list[int] = []
    plain = CrossProducts.at

    def counted(self: CrossProducts, *args: Any, order: int = 1, **options: Any) -> Any:
        orders.append(order)
        return plain(self, *args, order=order, **options)

    with patch.object(CrossProducts, "at", counted):
        fitted(trial)
    return orders


def bare_algebra(width: int, orders: list[int]) -> None:
    """Cholesky and inverse for every evaluation, two products more where it is of order 2."""
    rng = np.random.default_rng(2)
    half = rng.standard_normal((width, width))
    s = half @ half.T + width * np.eye(width)
    with one_thread():
        for order in orders:
            inverse, _ = dpotri(dpotrf(s, lower=1)[0], lower=1)
            for _ in range(2 * (order - 1)):
                inverse @ s


def mixedlm(trial: Trial, method: str, answer: Connection) -> None:
    """In a process of its own: says when it begins, then seconds, megabytes and variances."""
    frame = importlib.import_module("pandas").DataFrame
    program = importlib.import_module("statsmodels.regression.mixed_linear_model").MixedLM
    table = frame(trial.columns).assign(one=1)  # crossed factors need a single group
    within = {name: f"0 + C({name})" for name in trial.factors}
    warnings.simplefilter("ignore")
    answer.send("begun")
    start = time.perf_counter()
    model = program.from_formula("y ~ C(treatment)", groups="one", vc_formula=within, data=table)
    result = model.fit(method=method)
    spent = time.perf_counter() - start
    variances = dict(zip(model.exog_vc.names, map(float, result.vcomp), strict=True))
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    answer.send((spent, megabytes, [variances[name] for name in trial.factors]))


def beside_statsmodels(
    trial: Trial, method: str, patience: float
) -> tuple[float, float, list[float]] | None:
    """What its process says; None where it was stopped."""
    for package in ("statsmodels", "pandas"):
        if importlib.util.find_spec(package) is None:
            raise LeftOut(f"{package} is not installed beside {sys.executable}")
    context = multiprocessing.get_context("spawn")
    receive, send = context.Pipe(duplex=False)
    child = context.Process(target=mixedlm, args=(trial, method, send))
    child.start()
    send.close()
    try:
        receive.recv()
        if not receive.poll(patience):
            return None
        said: tuple[float, float, list[float]] = receive.recv()
    except EOFError:
        raise LeftOut("its process ended without an answer, for memory or an error") from None
    else:
        return said
    finally:
        child.kill()
        child.join()


def variances_of(fit: MixedFit) -> list[float]:
    return [*(c.variance for c in fit.components), fit.residual_variance]


def apart(ours: list[float], theirs: list[float]) -> float:
    """Greatest relative difference."""
    return float(np.max(np.abs(np.array(theirs) / np.array(ours) - 1)))


def differences(trial: Trial, said: dict[str, list[float]]) -> float:
    """Prints how far R's numbers lie from ours; gives our criterion less R's."""
    fit, _ = fitted(trial)
    worse = fit.criterion - said["criterion"][0]
    print(f"  criterion {fit.criterion:.6f}, ours less R's {worse:+.1e}; greatest differences:")
    print(f"  variances {apart(variances_of(fit), said['variances']):.1e}, ", end="")
    print(f"estimates {apart(fit.beta.tolist(), said['estimates']):.1e}")
    methods: tuple[DfMethod, ...] = ("satterthwaite", "kenward_roger")
    for df in methods:
        if f"{df}_df" in said:
            told = fixed(fit, df)
            print(f"  {df}: se {apart([c.se for c in told], said[f'{df}_se']):.1e}, ", end="")
            print(f"df {apart([c.df for c in told], said[f'{df}_df']):.1e}, ", end="")
            print(f"df of the mean {told[0].df:.4f}, R {said[f'{df}_df'][0]:.4f}")
    return worse


def against_statsmodels(
    trial: Trial, ours: float, method: str, patience: float
) -> tuple[float, bool]:
    """Seconds, infinite where it is left out, and whether it came to its end."""
    try:
        said = beside_statsmodels(trial, method, patience)
    except LeftOut as reason:
        print(f"statsmodels is left out: {reason}")
        return math.inf, True
    name = f"statsmodels MixedLM, {method}"
    if said is None:
        line(f"{name}, stopped unfinished", patience, patience / ours, "ours", ">")
        return patience, False
    spent, megabytes, variances = said
    line(f"{name}, once; {megabytes:.0f} MB", spent, spent / ours, "ours")
    print(f"  variances differ by {apart(variances_of(fitted(trial)[0])[:-1], variances):.1e}")
    return spent, True


def large(trial: Trial, patience: float, broken: list[str]) -> None:
    print(f"{trial}; medians of {ROUNDS} rounds")
    like_summary(trial)
    seconds = times(lambda: like_summary(trial))
    # Ours are timed on both sides of R, so that a drift of the machine shows in both.
    lmer: dict[str, list[float]] = {}
    try:
        lmer = by_r(R_FIT, trial.columns, ["lmerTest"], ROUNDS, "usual", patience=patience)
    except LeftOut as reason:
        print(f"lmerTest is left out: {reason}")
    ours = median(seconds + times(lambda: like_summary(trial)))
    line("ours: fit, Satterthwaite, differences", ours, 1.0, "ours")
    alone = median(times(lambda: fitted(trial)))
    line("  of it the fit", alone, alone / ours, "ours")
    fit, _ = fitted(trial)
    kr = median(times(lambda: fixed(fit, "kenward_roger")))
    line("ours: Kenward-Roger alone", kr, kr / ours, "ours")
    if kr > KR_LIMIT_S:
        broken.append(f"Kenward-Roger takes {kr:.2f} s, more than {KR_LIMIT_S:g}")
    full = median(times(lambda: in_full(trial)))
    line("ours: fit, Kenward-Roger, differences and Dunnett", full, full / ours, "ours")

    orders = orders_of_evaluations(trial)
    width = sum(trial.levels) - max(trial.levels)
    floor = median(times(lambda: bare_algebra(width, orders)))
    name = f"bare algebra, {orders.count(1)} + {orders.count(2)} evaluations, {width} levels"
    line(name, floor, floor / ours, "ours")
    print(f"  the fit takes {alone / floor:.1f} x the bare algebra of its evaluations")

    if lmer:
        version = ".".join(f"{x:.0f}" for x in lmer["version"])
        theirs, bare = median(lmer["seconds"]), median(lmer["without_df"])
        line(f"lmerTest {version}: lmer, summary", theirs, theirs / ours, "ours")
        line("  lme4 alone: lmer without degrees of freedom", bare, bare / ours, "ours")
        if ours > theirs:
            broken.append(f"fit and summary take {ours / theirs:.2f} x lmerTest's time")
        if (worse := differences(trial, lmer)) > CRITERION_SLACK:
            broken.append(f"the criterion is {worse:.1e} above R's")
    spent, ended = against_statsmodels(trial, ours, "lbfgs", patience)
    if spent / ours < FASTER_THAN_STATSMODELS:
        how = "" if ended else ", but it was stopped: give more --patience"
        broken.append(f"only {spent / ours:.0f} x as fast as statsmodels{how}")


def smaller(trial: Trial, patience: float, broken: list[str]) -> None:
    print(f"\n{trial}, uneven: a tenth of the plots lost")
    ours = median(times(lambda: like_summary(trial)))
    line("ours: fit, Satterthwaite, differences", ours, 1.0, "ours")
    fit, _ = fitted(trial)
    kr = median(times(lambda: fixed(fit, "kenward_roger")))
    line("ours: Kenward-Roger alone", kr, kr / ours, "ours")
    needed = ["lmerTest", "pbkrtest"]
    try:
        lmer = by_r(R_KENWARD_ROGER, trial.columns, needed, ROUNDS, "strict", patience=patience)
    except LeftOut as reason:
        print(f"lmerTest with pbkrtest is left out: {reason}")
    else:
        theirs, slow = median(lmer["seconds"]), lmer["kenward_roger_seconds"][0]
        line("lmerTest: lmer, summary", theirs, theirs / ours, "ours")
        line("pbkrtest: Kenward-Roger alone, once", slow, slow / kr, "ours alone")
        if (worse := differences(trial, lmer)) > CRITERION_SLACK:
            broken.append(f"the criterion of the smaller trial is {worse:.1e} above R's")
    for method in ("lbfgs", "bfgs"):  # its quickest search, and the one that it takes unasked
        against_statsmodels(trial, ours, method, patience)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=40)
    parser.add_argument("--patience", type=float, default=600.0, help="seconds for each witness")
    parser.add_argument("--check", action="store_true", help="exit 1 if a limit is broken")
    args = parser.parse_args()
    broken: list[str] = []
    large(invented(args.sites), args.patience, broken)
    smaller(invented(SMALL_SITES, LOST), args.patience, broken)
    for text in broken:
        print(f"broken: {text}")
    return 1 if args.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())

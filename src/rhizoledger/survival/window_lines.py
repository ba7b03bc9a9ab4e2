"""Straight lines of series: one for all, one slope, or one each, and the tests that choose.

§2.12. A line is its centre, its level there and its slope, which do not depend on one another, so
the limit of its mean is a hyperbola, and where that meets a requirement is a root of a quadratic.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtrit

from rhizoledger.errors import FitError, InputError

FloatArray = NDArray[np.float64]
Series = Mapping[str, tuple[FloatArray, FloatArray]]
Model = Literal["common", "common_slope", "separate"]
CONSTANT = (
    "All counts are the same, so neither decline nor scatter is seen and no limit follows. First, "
    "see whether a detection limit was written for a count: write it as <1.30. Second, write more "
    "digits."
)
ROUNDING = 1e-9  # numeric: scatter below this share of the largest count is that of arithmetic


@dataclass(frozen=True, slots=True)
class FTest:
    """An F statistic, its degrees of freedom, and the chance of a larger one."""

    f: float
    df: tuple[int, int]
    p: float


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line and what its limits rest on.

    Parameters
    ----------
    centre, level, slope : float
        Mean time; the line's value there; its change for each unit of time.
    per_n, per_spread : float
        1/n of the rows behind the level, 1/Σ(t − centre)² of those behind the slope.
    mean_square : float
        Variance of a row about its line, > 0.
    df : int
        Degrees of freedom of the mean square.
    """

    centre: float
    level: float
    slope: float
    per_n: float
    per_spread: float
    mean_square: float
    df: int

    def mean(self, time: float) -> float:
        """The line at a time."""
        return self.level + self.slope * (time - self.centre)

    def limit(self, time: float, probability: float, *, one_more: bool = False) -> float:
        """The value that the mean, or one more row, passes with a probability.

        Examples
        --------
        >>> line = Line(10.0, 6.0, -0.1, 0.25, 0.01, 0.04, 10)
        >>> round(line.limit(10.0, 0.95), 4)
        5.8188
        """
        away = (time - self.centre) ** 2
        variance = self.mean_square * (one_more + self.per_n + self.per_spread * away)
        return self.mean(time) - float(stdtrit(self.df, probability)) * math.sqrt(variance)

    def held(
        self, requirement: float, probability: float, *, one_more: bool = False
    ) -> tuple[float, float] | None:
        """Between which times the limit reaches a requirement; None if at none.

        Parameters
        ----------
        requirement : float
            What the limit is held against.
        probability : float
            One-sided, ≥ 0.5.
        one_more : bool
            Whether for one more row instead of the mean.

        Returns
        -------
        tuple of float or None
            Ends, which may be infinite: the limit is concave in time, so there is one stretch.

        Examples
        --------
        >>> [round(x, 9) for x in Line(0.0, 6.0, -0.1, 0.25, 0.01, 1e-300, 10).held(5.0, 0.95)]
        [-inf, 10.0]
        """
        k = float(stdtrit(self.df, probability)) ** 2 * self.mean_square
        above = self.level - requirement
        a = self.slope**2 - k * self.per_spread
        b = 2 * self.slope * above
        c = above**2 - k * (one_more + self.per_n)
        roots = [u for u in _roots(a, b, c) if above + self.slope * u >= 0]
        if a >= 0 and self.slope != 0:
            # The slope is told from none: one root of the limit, the other is of its mirror.
            u = (min if self.slope < 0 else max)(roots, default=-above / self.slope) + self.centre
            return (-math.inf, u) if self.slope < 0 else (u, math.inf)
        if len(roots) < 2:
            return (-math.inf, math.inf) if k == 0 and above >= 0 else None
        return min(roots) + self.centre, max(roots) + self.centre


def _roots(a: float, b: float, c: float) -> list[float]:
    """Real roots of a·u² + b·u + c, each without loss of digits."""
    inside = b * b - 2 * 2 * a * c
    if inside < 0:
        return []
    half = -0.5 * (b + math.copysign(math.sqrt(inside), b))
    return ([half / a] if a != 0 else []) + ([c / half] if half != 0 else [])


@dataclass(frozen=True, slots=True)
class Lines:
    """Every model of some series: sums of each series, and the squares that each model leaves.

    Parameters
    ----------
    series : mapping of str to (ndarray, ndarray)
        Times and responses, each of shape (n,), of every series; times of a series differ.
    """

    series: Series

    def __post_init__(self) -> None:
        for name, (t, y) in self.series.items():
            if not (len(t) == len(y) and np.isfinite(t).all() and np.isfinite(y).all()):
                raise InputError(
                    f"{_of(name)}A time or a count is no number, or they differ in number. Give "
                    "one of each for a row."
                )
            if len(np.unique(t)) < 2:
                raise FitError(
                    f"{_of(name)}All counts are of one time, so there is no line. First, count it "
                    "at two more times. Second, leave it out."
                )
        every = np.concatenate([y for _, y in self.series.values()])
        if np.ptp(every) == 0:
            raise FitError(CONSTANT)

    @property
    def n(self) -> int:
        """Rows."""
        return sum(len(t) for t, _ in self.series.values())

    @property
    def df(self) -> int:
        """Degrees of freedom of a line for each series."""
        return self.n - 2 * len(self.series)

    def fitted(self, model: Model, *, pooled_error: bool = False) -> dict[str, Line]:
        """The line of each series.

        Parameters
        ----------
        model : {"common", "common_slope", "separate"}
            One line for all, one slope, or a line each.
        pooled_error : bool
            With lines each: whether all share one mean square.

        Raises
        ------
        FitError
            If nothing is left to judge scatter by.
        """
        if model == "common":
            t, y = (np.concatenate(part) for part in zip(*self.series.values(), strict=True))
            one = _line(t, y)
            return {name: _told(one, "", y) for name in self.series}
        own = {name: _line(t, y) for name, (t, y) in self.series.items()}
        every = np.concatenate([y for _, y in self.series.values()])
        if model == "separate" and not pooled_error:
            return {name: _told(own[name], name, y) for name, (_, y) in self.series.items()}
        if model == "separate":
            shared = self._mean_square(lambda line: line.slope, own), self.df
            return {name: _told(_with(line, shared), "", every) for name, line in own.items()}
        spread = sum(1 / line.per_spread for line in own.values())
        slope = sum(line.slope / line.per_spread for line in own.values()) / spread
        df = self.n - len(own) - 1
        square = self._mean_square(lambda _: slope, own, df)
        return {
            name: _told(
                Line(line.centre, line.level, slope, line.per_n, 1 / spread, square, df), "", every
            )
            for name, line in own.items()
        }

    def _mean_square(
        self, slope_of: Callable[[Line], float], own: Mapping[str, Line], df: int | None = None
    ) -> float:
        df = self.df if df is None else df
        left = sum(
            _squares(t, y, own[name].centre, own[name].level, slope_of(own[name]))
            for name, (t, y) in self.series.items()
        )
        return left / df if df > 0 else 0.0

    def poolability(self) -> tuple[FTest | None, FTest | None]:
        """F tests of slopes, then of intercepts, each with the mean square of a line for each.

        Returns
        -------
        tuple of (FTest or None)
            None where there is one series, or nothing to judge scatter by.

        Notes
        -----
        Analysis of covariance: the squares that one slope leaves beyond a line each, and those
        that one line leaves beyond one slope.
        """
        k = len(self.series)
        every = np.concatenate([y for _, y in self.series.values()])
        t, _, own = self._columns()
        group = self._indicators()
        one_slope = np.column_stack([group, t])
        one_line = np.column_stack([np.ones_like(t), t])
        full = np.column_stack([group, own])
        left = [_left(x, every) for x in (full, one_slope, one_line)]
        if k < 2 or self.df < 1 or _is_rounding(left[0], every):
            return None, None
        square = left[0] / self.df
        tests = [
            _f_test((more - less) / (k - 1), square, (k - 1, self.df))
            for less, more in pairwise(left)
        ]
        return tests[0], tests[1]

    def curvature(self, model: Model) -> FTest | None:
        """F test of a square of time added to a model: one, or with lines each one for each.

        Returns
        -------
        FTest or None
            None where times or rows are too few to see a bend.
        """
        every = np.concatenate([y for _, y in self.series.values()])
        t, squared, own = self._columns()
        level = np.ones((len(t), 1)) if model == "common" else self._indicators()
        slopes = own if model == "separate" else t[:, np.newaxis]
        bends = self._indicators() * squared if model == "separate" else squared
        straight = np.column_stack([level, slopes])
        bent = np.column_stack([straight, bends])
        ranks = [int(np.linalg.matrix_rank(x)) for x in (straight, bent)]
        df = len(every) - ranks[1]
        if ranks[1] == ranks[0] or df < 1:
            return None
        left = _left(bent, every)
        more = (_left(straight, every) - left) / (ranks[1] - ranks[0])
        return _f_test(more, left / df, (ranks[1] - ranks[0], df))

    def _columns(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Time about its middle in units of its spread, its square, and a time for each series."""
        t = np.concatenate([t for t, _ in self.series.values()])
        t = (t - t.mean()) / t.std()
        return t, (t**2)[:, np.newaxis], self._indicators() * t[:, np.newaxis]

    def _indicators(self) -> FloatArray:
        which = np.repeat(range(len(self.series)), [len(t) for t, _ in self.series.values()])
        return np.asarray(np.eye(len(self.series))[which], dtype=np.float64)


def _line(t: FloatArray, y: FloatArray) -> Line:
    centre, level = float(t.mean()), float(y.mean())
    spread = float(((t - centre) ** 2).sum())
    slope = float((t - centre) @ (y - level)) / spread
    df = len(t) - 2
    square = _squares(t, y, centre, level, slope) / df if df > 0 else 0.0
    return Line(centre, level, slope, 1 / len(t), 1 / spread, square, df)


def _with(line: Line, error: tuple[float, int]) -> Line:
    return Line(line.centre, line.level, line.slope, line.per_n, line.per_spread, *error)


def _squares(t: FloatArray, y: FloatArray, centre: float, level: float, slope: float) -> float:
    return float(((y - level - slope * (t - centre)) ** 2).sum())


def _left(design: FloatArray, y: FloatArray) -> float:
    return float(((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum())


def _f_test(more: float, square: float, df: tuple[int, int]) -> FTest:
    f = max(more, 0.0) / square if square > 0 else math.inf
    return FTest(f, df, float(fdtrc(*df, f)))


def _is_rounding(squares: float, y: FloatArray) -> bool:
    return squares <= len(y) * (ROUNDING * float(np.abs(y).max())) ** 2


def _told(line: Line, name: str, y: FloatArray) -> Line:
    """The line, if there is scatter to set limits by."""
    if line.df < 1:
        raise FitError(
            f"{_of(name)}The {len(y)} counts are used up by the line and leave nothing to judge "
            "scatter by. First, count at a third time. Second, where other series have more "
            "counts, borrow their scatter with --error pooled."
        )
    if np.ptp(y) == 0:
        raise FitError(f"{_of(name)}{CONSTANT}")
    if _is_rounding(line.mean_square * line.df, y):
        raise FitError(
            f"{_of(name)}The counts lie on their line to the last digit, so no scatter is seen and "
            "no limit follows. First, write counts, not values read off a line. Second, write more "
            "digits. Third, where other series scatter, borrow theirs with --error pooled."
        )
    return line


def _of(name: str) -> str:
    return f"{name}: " if name else ""

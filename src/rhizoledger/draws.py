"""Monte Carlo draws that everything shares.

A parameter's draws are seeded by (season seed, parameter id) and by nothing else, so that
"all batches meet" is a right joint statement and no result depends on which other rows are
computed. A term that varies by strain or batch adds that id to the seed. Draws are made by
inverting the distribution at shared uniforms: moving an interval end moves every draw the same
way, which keeps "hotter never raises a balance" true draw by draw.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from rhizoledger.errors import EvidenceError
from rhizoledger.evidence import Parameter

FloatArray = NDArray[np.float64]
Prior = Literal["stated", "wider", "leaning_low", "leaning_high"]
OTHER_PRIORS: tuple[Prior, ...] = ("wider", "leaning_low", "leaning_high")
"""Other readings of the same evidence; together the prior-sensitivity band (§2.9)."""

Z_90 = float(ndtri(0.95))  # numeric: the 5 % and 95 % points of a normal, from its definition

SEED_BYTES = 16  # numeric: as much as the generator's seed takes


@dataclass(frozen=True, slots=True)
class Moved:
    """Draws put where a count says the truth lies, and the weights that make up for it.

    Parameters
    ----------
    normals : mapping of names to array, shape (n,)
        Standard normal scores used in place of the seeded ones.
    log_weight : array, shape (n,)
        Weights under which these draws stand for what was believed before any count.
    """

    normals: Mapping[tuple[str, ...], FloatArray]
    log_weight: FloatArray


class Draws:
    """A source of reproducible draws for one season.

    Parameters
    ----------
    seed : int
        The season's seed.
    n : int
        Number of draws, > 0.
    prior : {"stated", "wider", "leaning_low", "leaning_high"}
        ``"stated"`` draws each parameter as its evidence row says (§2.9); the others make the
        prior-sensitivity band that each printed probability carries. ``"wider"`` reads every range
        as 5 % and 95 % points instead of as hard ends, on the logarithm where it lies above zero.
        ``"leaning_low"`` and ``"leaning_high"`` let a share of which only a range is known lie
        nearer one of its ends: uniform is no more right than a triangle.
    moved : Moved, optional
        Draws to be used in place of the seeded ones, with their weights.

    Examples
    --------
    >>> Draws(1, 4).uniform("x").shape
    (4,)
    >>> bool((Draws(1, 4).uniform("x") == Draws(1, 4).uniform("x")).all())
    True
    """

    def __init__(
        self, seed: int, n: int, prior: Prior = "stated", moved: Moved | None = None
    ) -> None:
        if n < 1:
            raise ValueError(f"n must be at least 1, got {n}")
        self.seed, self.n, self.prior, self.moved = int(seed), int(n), prior, moved
        self.asked: dict[tuple[str, ...], None] = {}
        self._cache: dict[tuple[str, str], FloatArray] = {}

    @property
    def log_weight(self) -> FloatArray | None:
        """Weights under which the draws stand for what is believed before any count."""
        return None if self.moved is None else self.moved.log_weight

    def read(self, prior: Prior) -> Draws:
        """The same draws under another reading of the evidence."""
        return Draws(self.seed, self.n, prior, self.moved)

    def seeded(self) -> Draws:
        """The same draws with none of them moved."""
        return Draws(self.seed, self.n, self.prior)

    def generator(self, *names: str) -> np.random.Generator:
        """A generator seeded by the season's seed and ``names`` alone."""
        text = "\x1f".join((str(self.seed), *names))
        digest = hashlib.blake2b(text.encode(), digest_size=SEED_BYTES).digest()
        return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "big")))

    def uniform(self, *names: str) -> FloatArray:
        """Uniforms strictly inside (0, 1), shape ``(n,)``."""
        self.asked[names] = None
        if self.moved is not None and names in self.moved.normals:
            u = np.asarray(ndtr(self.moved.normals[names]))
        else:
            u = self.generator(*names).random(self.n)
        return np.asarray(np.clip(u, np.finfo(float).tiny, np.nextafter(1.0, 0.0)))

    def normal(self, *names: str) -> FloatArray:
        """Standard normals, shape ``(n,)``, by inverting :meth:`uniform`."""
        return np.asarray(ndtri(self.uniform(*names)))

    def parameter(self, parameter: Parameter, who: str = "") -> FloatArray:
        """Draws of one evidence parameter in its own unit, shape ``(n,)``.

        Parameters
        ----------
        parameter : Parameter
            The evidence row; its ``draw`` says which distribution (§2.9).
        who : str
            Strain or batch id, used only where the parameter ``varies`` by strain or batch.

        Raises
        ------
        EvidenceError
            If the row lacks the numbers its distribution needs.
        """
        who = who if parameter.varies != "world" else ""
        key = (parameter.id, who)
        if key not in self._cache:
            u = self.uniform(parameter.id, who)
            self._cache[key] = quantile_function(parameter, self.prior)(u)
        return self._cache[key]

    def together(
        self, parameters: Sequence[Parameter], correlation: ArrayLike, who: str = ""
    ) -> tuple[FloatArray, ...]:
        """Draws of parameters whose errors go together, each shape ``(n,)``.

        Parameters
        ----------
        parameters : sequence of Parameter, length p
            Each keeps its own distribution.
        correlation : array_like, shape (p, p)
            Between the normals behind them.
        who : str
            As for :meth:`parameter`.

        Notes
        -----
        A Gaussian copula: normals z from shared uniforms, turned by the root of the correlation,
        are read back as uniforms. The first parameter's draws are those of :meth:`parameter`.

        Examples
        --------
        >>> from rhizoledger.evidence import load_evidence
        >>> z = load_evidence()["survival.on_seed.soybean.z_c"]
        >>> one, two = Draws(1, 50).together([z, z], [[1.0, 1.0], [1.0, 1.0]])
        >>> bool((one == Draws(1, 50).parameter(z)).all()), bool(abs(one - two).max() < 1e-9)
        (True, True)
        """
        whos = [who if p.varies != "world" else "" for p in parameters]
        u = np.array([self.uniform(p.id, w) for p, w in zip(parameters, whos, strict=True)])
        turned = _root(np.asarray(correlation, dtype=np.float64)) @ np.asarray(ndtri(u))
        turned = np.clip(np.asarray(ndtr(turned)), np.finfo(float).tiny, np.nextafter(1.0, 0.0))
        turned[0] = u[0]
        return tuple(
            quantile_function(p, self.prior)(row) for p, row in zip(parameters, turned, strict=True)
        )


def _root(correlation: FloatArray) -> FloatArray:
    """The lower triangle whose square is a correlation; one of less than full rank has one too."""
    n = len(correlation)
    root = np.zeros((n, n))
    for i in range(n):
        for j in range(i):
            left = correlation[i, j] - root[i, :j] @ root[j, :j]
            root[i, j] = left / root[j, j] if root[j, j] > 0 else 0.0
        root[i, i] = np.sqrt(max(correlation[i, i] - root[i, :i] @ root[i, :i], 0.0))
    return root


def quantile_function(
    parameter: Parameter, prior: Prior = "stated"
) -> Callable[[FloatArray], FloatArray]:
    """The inverse distribution function of an evidence parameter (§2.9).

    A ``log10`` or ``ln`` scale means that ``normal`` is normal on that scale; ``lognormal`` is
    normal on the natural logarithm of the value.

    Raises
    ------
    EvidenceError
        If low or high is missing where the distribution needs it.
    """
    value, low, high = parameter.value, parameter.low, parameter.high
    draw = parameter.draw
    if draw == "fixed":
        if value is None:
            raise EvidenceError(f"{parameter.id}: a fixed parameter needs a value.")
        fixed = float(value)
        return lambda u: np.full_like(u, fixed)
    if low is None or high is None:
        raise EvidenceError(f"{parameter.id}: draw = {draw!r} needs both low and high.")
    lo, hi = float(low), float(high)
    if draw == "lognormal":
        lo, hi = float(np.log(lo)), float(np.log(hi))
    middle = 0.5 * (lo + hi)
    if value is not None and draw in ("normal", "triangular"):
        middle = float(value)
    half = 0.5 * (hi - lo)
    level = parameter.level if parameter.level is not None else 0.9  # exact: judged ends are 5/95
    z_level = float(ndtri(0.5 + 0.5 * level))

    def normal(u: FloatArray) -> FloatArray:
        return middle + half / z_level * np.asarray(ndtri(u))

    def widened(u: FloatArray) -> FloatArray:
        z = np.asarray(ndtri(u)) / Z_90
        if lo > 0:  # a temperature rise, a rate or a loss cannot be negative
            a, b = np.log(lo), np.log(hi)
            return np.asarray(np.exp(0.5 * (a + b) + 0.5 * (b - a) * z))
        return 0.5 * (lo + hi) + half * z

    def uniform(u: FloatArray) -> FloatArray:
        return lo + (hi - lo) * u

    def triangular(u: FloatArray) -> FloatArray:
        if hi == lo:
            return np.full_like(u, lo)
        c = (middle - lo) / (hi - lo)
        left = lo + np.sqrt(u * (hi - lo) * (middle - lo))
        right = hi - np.sqrt((1 - u) * (hi - lo) * (hi - middle))
        return np.where(u < c, left, right)

    if draw in ("uniform", "triangular") and prior == "wider":
        return _bounded(widened, lo, hi, parameter.unit)
    if draw == "uniform" and parameter.unit == "share":
        if prior == "leaning_low":
            return lambda u: lo + (hi - lo) * (1 - np.sqrt(1 - u))
        if prior == "leaning_high":
            return lambda u: lo + (hi - lo) * np.sqrt(u)
    if draw == "uniform":
        return uniform
    if draw == "triangular":
        return triangular
    if draw == "lognormal":
        return lambda u: np.exp(normal(u))
    return normal


def _bounded(
    f: Callable[[FloatArray], FloatArray], lo: float, hi: float, unit: str
) -> Callable[[FloatArray], FloatArray]:
    """Widening may not leave what a quantity can be: a loss stays one, a share stays in 0 to 1."""
    floor = 0.0 if lo >= 0 else -np.inf
    ceiling = 1.0 if unit == "share" else 0.0 if hi <= 0 else np.inf
    return lambda u: np.clip(f(u), floor, ceiling)

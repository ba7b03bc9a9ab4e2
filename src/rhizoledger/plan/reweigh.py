"""Draws moved to where counts say the truth lies, where too few of the seeded ones reach (§2.10).

A count that lies two standard deviations off leaves a few dozen of 4,000 draws. More of the same
would be spent where nothing is believed any more. Instead the likelihood is let in by steps
(tempering): each step bears as large a share β of it as half of the draws meant for it can, a
normal is fitted to the standard normal scores behind the draws so weighted, and new draws are made
there, until β is one. A quarter of the draws always stays where the evidence put it, and every draw
carries the weight by which the mixture stands for the evidence: so one set of draws tells the
balance before the count and after it, nothing rests on how well the normals fit, and how well is
seen in the effective draws and their Pareto k-hat.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from rhizoledger.draws import FloatArray, Moved
from rhizoledger.plan.balance import MIN_ESS
from rhizoledger.plan.context import Context
from rhizoledger.plan.ledger import Book
from rhizoledger.plan.met import Weighing
from rhizoledger.stats.importance import K_GOOD, Mixture, Normal, effective_size, next_share

PARTICLES = 20_000  # exact: the least number that tempering uses (MODELS §2.10)
MOST = 80_000  # numeric: where so many do not reach, the answer says so instead
PRIOR_SHARE = 0.25  # numeric: draws left where the evidence put them; they bound every weight
WIDENED = 1.2  # numeric: fitted normals are made this much wider, for tails
WANTED_SHARE = 0.05  # numeric: of the draws, to be effective after every count
STEPS = 40  # numeric: a count three standard deviations off takes about six

BookOf = Callable[[Context], Book]


def reaches(book: Book, draws: int) -> bool:
    """Whether enough effective draws are left by every count that a book met."""
    least = min(MIN_ESS, draws / 10)  # exact: 400 of 4,000
    return all(w.ess >= least for pair in book.weighings for w in pair)


def moved_draws(book_of: BookOf, context: Context) -> tuple[int, Moved | None]:
    """How many draws carry a book through its counts, and where they lie.

    Parameters
    ----------
    book_of : callable
        Keeps the book under a context's draws.
    context : Context

    Returns
    -------
    n : int
    moved : Moved or None
        None where as many draws as the evidence makes are enough.
    """
    n = max(PARTICLES, context.draws.n)
    while True:
        moved, done = _moved(book_of, context, n)
        if done or 2 * n > MOST:
            return n, moved
        n *= 2


def _moved(book_of: BookOf, context: Context, n: int) -> tuple[Moved | None, bool]:
    """Temper with ``n`` draws; whether they reach every count in the end."""
    plain = context.with_draws(n)
    book = book_of(plain)
    names = tuple(plain.draws.asked)
    eps = np.stack([plain.draws.normal(*name) for name in names], axis=1)
    settled: tuple[Normal, ...] = ()
    working: tuple[Normal, ...] = ()
    z, moved, now, share = eps, None, -1, 0.0
    for _ in range(STEPS):
        short = _first_short(book, n)
        if 0 <= now < len(book.weighings) and share < 1:
            short = now  # what was begun is let in whole, so that the last fit is of the whole
        if short is None:
            return moved, True
        if short != now:
            settled, working, now, share = (*settled, *working), (), short, 0.0
        pair = _distinct(book.weighings[short])
        least = 0.5 * n * (1 - PRIOR_SHARE) / (len(settled) + len(pair))
        share = min(_borne(w, least, share) for w in pair)
        working = tuple(Normal.fitted(z, _weight(w, share), WIDENED) for w in pair)
        z, log_weight = Mixture((*settled, *working), PRIOR_SHARE).placed(eps)
        moved = Moved(dict(zip(names, z.T, strict=True)), log_weight)
        book = book_of(context.with_draws(n, moved))
    return moved, _first_short(book, n) is None


def _first_short(book: Book, n: int) -> int | None:
    """The first count that leaves too few effective draws, or weights that cannot be trusted."""
    for i, pair in enumerate(book.weighings):
        for w in _distinct(pair):
            if w.ess < WANTED_SHARE * n or w.k_hat > K_GOOD:
                return i
    return None


def _distinct(pair: tuple[Weighing, Weighing]) -> Sequence[Weighing]:
    """Both ends of the gaps, or one where the record has none."""
    worse, better = pair
    return (worse,) if np.array_equal(worse.after, better.after) else pair


def _borne(w: Weighing, least: float, share: float) -> float:
    """The share of a count's likelihood that the draws can bear, never less than before."""
    before = _before(w)
    return next_share(before, w.log_likelihood, min(least, 0.5 * effective_size(before)), share)


def _before(w: Weighing) -> FloatArray:
    return np.zeros_like(w.after) if w.before is None else w.before


def _weight(w: Weighing, share: float) -> FloatArray:
    log = _before(w) + share * w.log_likelihood
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())

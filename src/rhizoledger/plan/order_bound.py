"""How far an order can be from the best: a bound from priced walks, and a search guided by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.plan.order_search import (
    SAME,
    TABLE,
    Found,
    IntArray,
    Line,
    exact,
    greedy,
    kicked,
    mended,
    timed,
)

ROUNDS = 200  # numeric: rounds of prices; later ones move the bound by less than 0.1 %
PATIENCE = 10  # numeric: rounds without a better bound before the stride is halved
LAYER = 1_500_000  # numeric: numbers kept for one length of partial orders, 12 MB
BLOCK = 200  # numeric: sets worked on at once


@dataclass(frozen=True, slots=True)
class Ordered:
    """An order, what the greedy one costs, and what any order costs at least."""

    found: Found
    greedy: float
    least: float
    proved: bool

    @property
    def gap(self) -> float:
        """How much dearer than the best the order can be, as a share of its cost."""
        if self.proved or not self.found.cost > 0:
            return 0.0
        return (self.found.cost - self.least) / self.found.cost


@dataclass(frozen=True, slots=True)
class Prices:
    """A price for each run, and what so many more runs cost at least once it is taken off.

    ``after[m, k, b]`` is for m more runs from kind k and step b on, clean-outs left out;
    ``entries`` is what entering each kind costs at least.
    """

    each: FloatArray
    after: FloatArray
    entries: FloatArray
    bound: float


def best_order(line: Line) -> Ordered:
    """The best order where all can be tried, else a good one with what any order costs at least.

    Notes
    -----
    The table of :func:`~rhizoledger.plan.order_search.exact` doubles with each run; where it is
    larger than ``TABLE`` the search keeps, at each length, only sets of runs whose bound lies below
    the best order known, and the most promising of those where there are too many.
    """
    first = greedy(line)
    if line.table <= TABLE:
        found = exact(line)
        return Ordered(found, first.cost, found.cost, True)
    here = mended(line, first)
    if not here.order:
        here = mended(line, timed(line, sorted(range(line.runs), key=lambda j: _last(line, j))))
    here = kicked(line, here) if here.order else here
    priced = prices(line, here.cost)
    guided, least = _guided(line, here.cost, priced)
    here = min(here, mended(line, timed(line, guided)) if guided else here, key=lambda f: f.cost)
    least = max(priced.bound, min(least, here.cost))
    proved = here.cost - least <= SAME * max(1.0, abs(here.cost))
    return Ordered(here, first.cost, least, proved)


def _last(line: Line, j: int) -> tuple[int, int]:
    """The last step at which a run may start: what is due first goes first."""
    may = np.flatnonzero(np.isfinite(line.cost[j]))
    return (int(may[-1]) if len(may) else -1, j)


def prices(line: Line, upper: float) -> Prices:
    """Prices of runs whose bound on the cost of any order is high.

    Parameters
    ----------
    line : Line
        Runs and machine.
    upper : float
        Cost of an order at hand; infinite where there is none.

    Notes
    -----
    "Each run once" is priced instead of held. The cheapest walk of n runs through time, repeats
    allowed, with each run's price taken off, plus all prices, costs no more than the best order.
    Prices rise for runs the walk leaves out and fall for those it repeats. The walk pays no
    clean-outs but their time; what entering each kind costs at least is added instead.
    """
    each = np.min(np.where(np.isfinite(line.cost), line.cost, np.inf), axis=1)
    each = np.where(np.isfinite(each), each, 0.0)
    entries = _entries(line)
    entered = float(entries.sum() - entries[line.first])
    best: Prices | None = None
    since, stride = 0, 1.0
    for _ in range(ROUNDS):
        after = _walks(line, each)
        bound = float(after[line.runs, line.first, 0] + each.sum()) + entered
        if best is None or bound > best.bound + SAME * max(1.0, abs(bound)):
            best, since = Prices(each, after, entries, bound), 0
        else:
            since += 1
        if not np.isfinite(bound) or not np.isfinite(upper):
            break
        off = 1 - _counts(line, after, each)
        size = float((off**2).sum())
        if not size or upper - best.bound <= SAME * max(1.0, abs(upper)):
            break
        if since >= PATIENCE:
            stride, since, each = 0.5 * stride, 0, best.each
        each = each + stride * max(upper - bound, 0.0) / size * off
    assert best is not None
    return best


def _entries(line: Line) -> FloatArray:
    """What entering each kind from another costs at least, shape (K,); 0 for kinds of no run."""
    present = sorted({*line.kind.tolist(), line.first})
    out = np.zeros(len(line.gap))
    for k in {*line.kind.tolist()}:
        out[k] = min((line.price[a, k] for a in present if a != k), default=0.0)
    return out


def _walks(line: Line, each: FloatArray) -> FloatArray:
    """``Prices.after`` for one set of prices."""
    n, steps, kinds = line.runs, line.steps, len(line.gap)
    order = np.argsort(line.kind, kind="stable")
    kind = line.kind[order]
    starts = np.flatnonzero(np.concatenate([[True], kind[1:] != kind[:-1]]))
    present = kind[starts]
    cost = (line.cost - each[:, None])[order]
    ends = np.arange(steps)[None, :] + line.length[order][:, None]
    fits, ends = ends <= steps, np.minimum(ends, steps)
    enters = np.minimum(
        np.arange(steps + 1)[None, None, :] + line.gap[:, present][:, :, None], steps
    )
    after = np.zeros((n + 1, kinds, steps + 1))
    rows = np.arange(len(present))[None, :, None]
    for m in range(1, n + 1):
        whole = np.where(fits, cost + after[m - 1][kind[:, None], ends], np.inf)
        least = np.full((len(present), steps + 1), np.inf)
        least[:, :steps] = np.minimum.reduceat(whole, starts, axis=0)
        least = np.minimum.accumulate(least[:, ::-1], axis=1)[:, ::-1]
        after[m] = least[rows, enters].min(axis=1)
    return after


def _counts(line: Line, after: FloatArray, each: FloatArray) -> IntArray:
    """How often the cheapest walk does each run."""
    counts = np.zeros(line.runs, np.int64)
    k, b, steps = line.first, 0, line.steps
    for m in range(line.runs, 0, -1):
        best = (np.inf, 0, 0)
        for j in range(line.runs):
            q, length = int(line.kind[j]), int(line.length[j])
            first = b + int(line.gap[k, q])
            if first + length > steps:
                continue
            whole = line.cost[j, first : steps + 1 - length] + after[m - 1, q, first + length :]
            i = int(np.argmin(whole))
            best = min(best, (float(whole[i] - each[j]), j, first + i))
        _, j, t = best
        counts[j] += 1
        k, b = int(line.kind[j]), t + int(line.length[j])
    return counts


def _guided(line: Line, upper: float, priced: Prices) -> tuple[tuple[int, ...], float]:
    """A search over sets of runs that drops what cannot be better than ``upper``.

    Returns
    -------
    tuple of int
        A whole order, as good as the search came; empty if everything was dropped.
    float
        No order costs less, or less than ``upper``.
    """
    n, steps, kinds = line.runs, line.steps, len(line.gap)
    most = max(1, LAYER // (kinds * (steps + 1)))
    free = np.full((1, kinds, steps + 1), np.inf)
    free[0, line.first] = 0.0
    kept: dict[int, tuple[int, tuple[int, ...]]] = {0: (0, ())}
    lost = np.inf
    for size in range(1, n + 1):
        sets = sorted({s | 1 << j for s in kept for j in range(n) if not s >> j & 1})
        arrays: list[FloatArray] = []
        found: list[tuple[float, int, tuple[int, ...]]] = []
        for start in range(0, len(sets), BLOCK):
            block = sets[start : start + BLOCK]
            table, last = _extended(line, free, kept, block)
            least = table + _ahead(line, priced, block, n - size)
            table[least > upper] = np.inf
            lows = least.min(axis=(1, 2))
            for i in np.flatnonzero(lows <= upper).tolist():
                j = int(last[i][int(np.argmin(least[i].min(axis=1)))])
                order = kept[block[i] ^ 1 << j][1]
                found.append((float(lows[i]), block[i], (*order, j)))
                arrays.append(table[i].copy())
        picked = sorted(range(len(found)), key=lambda i: found[i][:2])
        if len(picked) > most:
            lost = min(lost, found[picked[most]][0])
        picked = picked[:most]
        if not picked:
            return (), lost
        free = np.stack([arrays[i] for i in picked])
        kept = {found[i][1]: (place, found[i][2]) for place, i in enumerate(picked)}
    order = next(iter(kept.values()))[1]
    return order, min(lost, float(free[0, :, -1].min()))


def _extended(
    line: Line,
    free: FloatArray,
    kept: dict[int, tuple[int, tuple[int, ...]]],
    block: Sequence[int],
) -> tuple[FloatArray, IntArray]:
    """Least cost by step for sets one run larger, and which run came last for each kind."""
    steps, kinds = line.steps, len(line.gap)
    table = np.full((len(block), kinds, steps + 1), np.inf)
    last = np.full((len(block), kinds), -1, np.int64)
    low = np.full((len(block), kinds), np.inf)
    for j in range(line.runs):
        pairs = [
            (i, kept[s ^ 1 << j][0])
            for i, s in enumerate(block)
            if s >> j & 1 and s ^ 1 << j in kept
        ]
        kind, length = int(line.kind[j]), int(line.length[j])
        if not pairs or length > steps:
            continue
        into, come = np.array(pairs, np.int64).T
        began = np.full((len(into), steps), np.inf)
        for k in range(kinds):
            gap = int(line.gap[k, kind])
            if gap < steps:
                before = free[come, k, : steps - gap] + line.price[k, kind]
                np.minimum(began[:, gap:], before, out=began[:, gap:])
        began += line.cost[j]
        mine = began[:, : steps + 1 - length]
        table[into, kind, length:] = np.minimum(table[into, kind, length:], mine)
        least = mine.min(axis=1)
        better = (least < low[into, kind]) | (last[into, kind] < 0)
        last[into[better], kind] = j
        low[into[better], kind] = least[better]
    return np.minimum.accumulate(table, axis=2), last


def _ahead(line: Line, priced: Prices, block: Sequence[int], left: int) -> FloatArray:
    """What the runs not in a set cost at least, by set, last kind and step."""
    n, kinds = line.runs, len(line.gap)
    rest = np.array([[not s >> j & 1 for j in range(n)] for s in block])
    needed = np.zeros((len(block), kinds))
    for j in range(n):
        needed[rest[:, j], line.kind[j]] = priced.entries[line.kind[j]]
    entered = needed.sum(axis=1, keepdims=True) - needed
    out: FloatArray = priced.after[left][None] + (rest @ priced.each)[:, None, None]
    out += entered[:, :, None]
    return out

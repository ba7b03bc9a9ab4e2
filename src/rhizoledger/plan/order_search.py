"""The best order of runs on one machine: what a start costs, what lies between, and when (§3.6).

Time is counted in steps of working time, and idle steps are allowed: a run too early costs too.
:func:`exact` is a dynamic programme over sets of runs, last recipe and time, so its order is the
best of all on the steps. :func:`greedy` takes each run when it alone would go, and :func:`mended`
moves runs about; how far that can be from the best is bounded in ``order_bound``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from rhizoledger.draws import FloatArray

IntArray = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

TABLE = 30_000_000  # numeric: numbers kept by the exact search, 240 MB
LONGEST_MOVE = 3  # numeric: runs moved together
FARTHEST = 8  # numeric: places that a run is moved at once
KICKS = 20  # numeric: times a mended order is disturbed
MOST_PASSES = 100  # numeric: moves made at most
SAME = 1e-9  # numeric: relative; less is no improvement


@dataclass(frozen=True, slots=True)
class Line:
    """One machine and the runs it has to do.

    Parameters
    ----------
    cost : array, shape (n, T)
        Cost of starting a run at a step; infinite where it may not start.
    length : array of int, shape (n,)
        Steps a run takes, ≥ 1.
    kind : array of int, shape (n,)
        What a run leaves in the machine, an index into the tables of clean-outs.
    first : int
        What is in the machine now.
    gap, price : array, shape (K, K)
        Steps, and cost, of a clean-out from one kind to another.
    """

    cost: FloatArray
    length: IntArray
    kind: IntArray
    first: int
    gap: IntArray
    price: FloatArray

    @property
    def runs(self) -> int:
        """How many runs there are."""
        return len(self.cost)

    @property
    def steps(self) -> int:
        """How many steps there are."""
        return int(self.cost.shape[1])

    @property
    def table(self) -> float:
        """How many numbers the exact search would keep."""
        return float(2.0**self.runs * len(self.gap) * (self.steps + 1))


@dataclass(frozen=True, slots=True)
class Found:
    """An order with its starts and its cost; no order where the cost is infinite."""

    order: tuple[int, ...]
    starts: tuple[int, ...]
    cost: float


NONE = Found((), (), float("inf"))


def timed(line: Line, order: Sequence[int]) -> Found:
    """The cheapest starts of runs in a given order, idle time allowed.

    Examples
    --------
    One run of two steps that is cheapest at step 1:

    >>> one = np.ones((1, 1))
    >>> line = Line(np.array([[3.0, 1.0, 2.0, np.inf]]), np.array([2]), np.array([0]), 0,
    ...             np.zeros((1, 1), int), 0 * one)
    >>> timed(line, [0])
    Found(order=(0,), starts=(1,), cost=1.0)
    """
    free = np.zeros(line.steps + 1)
    kept = []
    before = line.first
    for j in order:
        began = _begun(line, free, before, j)
        free = _freed(line, began, j)
        kept.append(began)
        before = int(line.kind[j])
    cost = float(free[-1])
    if not np.isfinite(cost):
        return NONE
    starts: list[int] = []
    limit = line.steps
    for place in range(len(order) - 1, -1, -1):
        j = order[place]
        last = limit - int(line.length[j])
        starts.append(int(np.argmin(kept[place][: last + 1])))
        previous = line.first if place == 0 else int(line.kind[order[place - 1]])
        limit = starts[-1] - int(line.gap[previous, line.kind[j]])
    return Found(tuple(order), tuple(reversed(starts)), cost)


def _begun(line: Line, free: FloatArray, before: int, j: int) -> FloatArray:
    """Cost of all so far where run ``j`` starts at each step; ``free`` by when the machine is."""
    out: FloatArray = _cleaned(line, free, before, j) + line.cost[j]
    return out


def _cleaned(line: Line, free: FloatArray, before: int, j: int) -> FloatArray:
    """Cost of all so far, clean-out included, where the machine takes run ``j`` at each step."""
    gap = int(line.gap[before, line.kind[j]])
    clean = np.full(line.steps, np.inf)
    if gap < line.steps:
        clean[gap:] = free[: line.steps - gap] + line.price[before, line.kind[j]]
    return clean


def _freed(line: Line, began: FloatArray, j: int) -> FloatArray:
    """The cheapest way to be free by each step after run ``j``."""
    free = np.full(line.steps + 1, np.inf)
    length = int(line.length[j])
    if length <= line.steps:
        free[length:] = np.minimum.accumulate(began[: line.steps + 1 - length])
    return free


def exact(line: Line) -> Found:
    """The best of all orders and starts on the steps.

    Notes
    -----
    F(S, k, b) is the least cost of doing the runs of S with kind k last and the machine free by
    step b. A run j not in S starts at t where F(S, k, t - gap) + price + cost[j, t] is least, and
    gives F(S with j, kind of j, t + length). Of two ways to the same (S, k, b) the dearer is
    dropped.
    """
    n, kinds, steps = line.runs, len(line.gap), line.steps
    table = np.full((1 << n, kinds, steps + 1), np.inf)
    table[0, line.first] = 0.0
    sets = np.arange(1 << n)
    sizes = np.array([int(s).bit_count() for s in sets])
    for size in range(n):
        layer = sets[sizes == size]
        for j in range(n):
            without = layer[(layer >> j) & 1 == 0]
            if not len(without):
                continue
            began = np.full((len(without), steps), np.inf)
            kind, length = int(line.kind[j]), int(line.length[j])
            for k in range(kinds):
                gap = int(line.gap[k, kind])
                if gap >= steps:
                    continue
                before = table[without, k, : steps - gap] + line.price[k, kind]
                np.minimum(began[:, gap:], before, out=began[:, gap:])
            began += line.cost[j]
            if length <= steps:
                into = table[without | (1 << j), kind, length:]
                reached = np.minimum(into, began[:, : steps + 1 - length])
                table[without | (1 << j), kind, length:] = reached
        done = sets[sizes == size + 1]
        table[done] = np.minimum.accumulate(table[done], axis=2)
    return timed(line, _order_of(line, table))


def _order_of(line: Line, table: FloatArray) -> tuple[int, ...]:
    """The order behind the last entry of the table, read backwards."""
    left, b = len(table) - 1, line.steps
    k = int(np.argmin(table[left, :, b]))
    if not np.isfinite(table[left, k, b]):
        return ()
    order: list[int] = []
    while left:
        b = int(np.argmax(table[left, k, : b + 1] <= table[left, k, b]))
        best: tuple[float, int, int, int] = (np.inf, 0, 0, 0)
        for j in np.flatnonzero(line.kind == k).tolist():
            t = b - int(line.length[j])
            if not left >> j & 1 or t < 0:
                continue
            for before in range(len(line.gap)):
                at = t - int(line.gap[before, k])
                if at >= 0:
                    whole = table[left ^ (1 << j), before, at] + line.price[before, k]
                    best = min(best, (float(whole + line.cost[j, t]), j, before, at))
        _, j, k, b = best
        order.append(j)
        left ^= 1 << j
    return tuple(reversed(order))


def greedy(line: Line) -> Found:
    """Runs in the order of the steps at which each alone would start."""
    wanted = np.argmin(line.cost, axis=1)
    order = sorted(range(line.runs), key=lambda j: (int(wanted[j]), int(line.kind[j]), j))
    return timed(line, order)


def mended(line: Line, found: Found) -> Found:
    """An order after moving up to three runs together, and swapping two, until no move helps."""
    here = found
    for _ in range(MOST_PASSES if found.order else 0):
        around = _Around(line, here)
        tried = ((cost, n, order) for n, (cost, order) in enumerate(around.moves()))
        cost, _, order = min(tried, default=(np.inf, 0, ()))
        if not cost < here.cost - SAME * max(1.0, abs(here.cost)):
            break
        here = timed(line, order)
    return here


def kicked(line: Line, found: Found) -> Found:
    """An order after being disturbed and mended again and again, the same way every time."""
    here, n = found, line.runs
    for kick in range(KICKS if n > LONGEST_MOVE else 0):
        order = list(here.order)
        for i in (kick, kick * kick + 1):  # two runs each time, spread over the order
            order.insert((i + n // 2 + kick) % n, order.pop(i % n))
        other = mended(line, timed(line, order))
        here = other if other.cost < here.cost else here
    return here


class _Around:
    """What moves near an order would cost, with what stands before and behind them kept."""

    def __init__(self, line: Line, found: Found) -> None:
        self.line, self.order = line, found.order
        self.free = [np.zeros(line.steps + 1)]
        for i, j in enumerate(self.order):
            self.free.append(_freed(line, _begun(line, self.free[-1], self._kind(i), j), j))
        self.behind: list[FloatArray] = []
        ahead = np.zeros(line.steps + 1)
        for i in range(len(self.order) - 1, -1, -1):
            j, length = self.order[i], int(line.length[self.order[i]])
            whole = np.full(line.steps, np.inf)
            whole[: line.steps + 1 - length] = ahead[length:]
            whole += line.cost[j]
            self.behind.append(whole)
            ahead = self._entered(self._kind(i), j, whole)
        self.behind.reverse()

    def _kind(self, i: int) -> int:
        """What is in the machine before place ``i``."""
        return int(self.line.kind[self.order[i - 1]]) if i else self.line.first

    def _entered(self, before: int, j: int, whole: FloatArray) -> FloatArray:
        """Least cost from being free at each step on, where ``whole`` starts with run ``j``."""
        line = self.line
        gap = int(line.gap[before, line.kind[j]])
        least = np.full(line.steps + 1, np.inf)
        if gap < line.steps:
            least[: line.steps - gap] = np.minimum.accumulate(whole[gap:][::-1])[::-1]
        out: FloatArray = least + line.price[before, line.kind[j]]
        return out

    def moves(self) -> Iterator[tuple[float, tuple[int, ...]]]:
        """Each move's cost, and the order after it."""
        order, n = self.order, len(self.order)
        for size in range(1, LONGEST_MOVE + 1):
            for i in range(n - size):
                for to in range(i + size + 1, min(n, i + size + FARTHEST) + 1):
                    # Runs i.. go behind the runs up to ``to``: the same as those going before.
                    middle = order[i + size : to] + order[i : i + size]
                    yield self._cost(i, to, middle), order[:i] + middle + order[to:]
                    if to - i - size > LONGEST_MOVE:
                        middle = order[to - size : to] + order[i : to - size]
                        yield self._cost(i, to, middle), order[:i] + middle + order[to:]
        for i in range(n):
            for k in range(i + 2, min(n, i + FARTHEST)):
                middle = (order[k], *order[i + 1 : k], order[i])
                yield self._cost(i, k + 1, middle), order[:i] + middle + order[k + 1 :]

    def _cost(self, start: int, stop: int, middle: Sequence[int]) -> float:
        """Cost of the order with the runs from ``start`` up to ``stop`` put as ``middle``."""
        line, free, before = self.line, self.free[start], self._kind(start)
        for j in middle:
            free = _freed(line, _begun(line, free, before, j), j)
            before = int(line.kind[j])
        if stop == len(self.order):
            return float(free[-1])
        clean = _cleaned(line, free, before, self.order[stop])
        return float(np.min(clean + self.behind[stop]))

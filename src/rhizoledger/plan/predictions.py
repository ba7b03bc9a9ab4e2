"""What a plan expects of each batch, day by day, kept so that a later count can judge it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

import numpy as np
from scipy.special import ndtri

from rhizoledger.draws import FloatArray
from rhizoledger.evidence import Evidence
from rhizoledger.plan.balance import Balance
from rhizoledger.plan.batch_answer import BatchAnswer, fine_enough
from rhizoledger.plan.clock import day_end
from rhizoledger.plan.context import Context
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.seed_book import seed_book

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)  # exact: ends of 90 % and 50 % limits, and the middle
LONGEST_D = 60  # numeric: days ahead; nobody counts seed later than that
DIGEST = 12  # numeric: hexadecimal digits that tell two states of the evidence apart

Status = Literal["ok", "at_least", "not_known"]


@dataclass(frozen=True, slots=True)
class Kept:
    """The balance that was expected of a batch at a moment, from the facts of one day.

    Parameters
    ----------
    item : str
        The batch.
    as_of : date
        The day whose facts it rests on.
    at : datetime
        The moment it speaks of.
    status : {"ok", "at_least", "not_known"}
        ``"at_least"``: it rests on a guarantee.
    log10 : tuple of float
        Quantiles at :data:`QUANTILES` [log10 cells/seed]; empty where not known.
    p_meets : float or None
        P(≥ requirement) there; None without a requirement of cells at planting.
    evidence : str
        Digest of the evidence in use.
    """

    item: str
    as_of: date
    at: datetime
    status: Status
    log10: tuple[float, ...]
    p_meets: float | None
    evidence: str


def predictions(plan: Plan) -> tuple[Kept, ...]:
    """What is expected of every batch at the end of each day, and at its last seed drop."""
    digest = evidence_digest(plan.context.evidence)
    return tuple(k for b in plan.batches for k in _of_batch(b, plan.context, digest))


def _of_batch(b: BatchAnswer, context: Context, digest: str) -> Iterator[Kept]:
    last = b.at_drop.moment
    if last < context.now:
        return
    weighed = bool(b.at_drop.book.weighings)
    fine = fine_enough(b.facts, last, context) if weighed else context
    for at in _day_ends(context, last):
        if b.facts.treated_at is not None and at < b.facts.treated_at:
            continue
        book, _ = seed_book(b.facts, at, fine, brief=True)
        status, log10 = _told(book.worse, book.better)
        p = None
        if log10 and b.facts.requirement is not None and b.requirement_log10 is not None:
            p = book.worse.p_at_least(b.requirement_log10)
        yield Kept(b.name, context.as_of, at, status, log10, p, digest)
        if status == "not_known":
            return


def _day_ends(context: Context, last: datetime) -> Iterator[datetime]:
    """The end of the as-of day and of each day after it, then the last seed drop."""
    for i in range(LONGEST_D):
        at = day_end(context.as_of + timedelta(days=i), context.zone)
        yield min(at, last)
        if at >= last:
            return


def _told(worse: Balance, better: Balance) -> tuple[Status, tuple[float, ...]]:
    if not (worse.known and better.known):
        return "not_known", ()
    low, high = worse.quantiles(QUANTILES), better.quantiles(QUANTILES)
    middle = QUANTILES.index(0.5)
    half = 0.5 * (low[middle] + high[middle])
    status: Status = "at_least" if worse.at_least else "ok"
    return status, (*low[:middle], half, *high[middle + 1 :])


def from_quantiles(log10: Sequence[float], n: int) -> FloatArray:
    """Even draws of a balance of which quantiles are kept, shape (n,).

    Linear in the normal score between the kept quantiles, and on beyond them at the same pace.

    Examples
    --------
    >>> z = ndtri(np.array(QUANTILES))
    >>> x = from_quantiles(5 + 0.4 * z, 1000)
    >>> round(float(x.mean()), 3), round(float(x.std()), 2)
    (5.0, 0.4)
    """
    z, q = ndtri(np.array(QUANTILES)), np.asarray(log10, dtype=np.float64)
    at = ndtri((np.arange(n) + 0.5) / n)
    slopes = np.diff(q) / np.diff(z)
    low, high = q[0] + slopes[0] * (at - z[0]), q[-1] + slopes[-1] * (at - z[-1])
    inner = np.interp(at, z, q)
    return np.asarray(np.where(at < z[0], low, np.where(at > z[-1], high, inner)))


def evidence_digest(evidence: Evidence) -> str:
    """What tells two states of the evidence apart, in twelve hexadecimal digits."""
    text = "\n".join(repr(evidence[key]) for key in sorted(evidence))
    return hashlib.sha256(text.encode()).hexdigest()[:DIGEST]


def kept_for(
    kept: Sequence[Kept], item: str, at: datetime, day: date
) -> tuple[Kept, Kept | None] | None:
    """The kept rows around a moment, from the latest plan made before its day.

    Returns
    -------
    tuple of Kept, or None
        The row before and the row after the moment; None where no plan reached so far.
    """
    rows = [k for k in kept if k.item == item and k.as_of < day]
    if not rows:
        return None
    latest = max(k.as_of for k in rows)
    rows = sorted((k for k in rows if k.as_of == latest), key=lambda k: k.at)
    before = [k for k in rows if k.at <= at]
    after = [k for k in rows if k.at >= at]
    if not before or not (after or before[-1].status == "not_known"):
        return None
    return before[-1], after[0] if after else None


def between(before: Kept, after: Kept | None, at: datetime) -> Kept:
    """The balance expected between two kept moments: quantiles change evenly in time."""
    if after is None or after.at == before.at or not before.log10 or not after.log10:
        return before if after is None or before.status != "ok" else after
    share = (at - before.at) / (after.at - before.at)

    def mixed(a: float, b: float) -> float:
        return a + share * (b - a)

    p = None
    if before.p_meets is not None and after.p_meets is not None:
        p = mixed(before.p_meets, after.p_meets)
    log10 = tuple(mixed(a, b) for a, b in zip(before.log10, after.log10, strict=True))
    return Kept(before.item, before.as_of, at.astimezone(UTC), after.status, log10, p,
                before.evidence)  # fmt: skip

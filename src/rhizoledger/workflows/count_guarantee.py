"""Does a lot meet its guarantee: plates of its composites in, limits, decision and curve out."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any

from rhizoledger.counts.acceptance import (
    Plan,
    chance_accepted,
    chance_below,
    judge,
    smallest_plan,
)
from rhizoledger.counts.guarantee import (
    MOST_COMPOSITES,
    LotLimits,
    chance_shown,
    chance_shown_known_sd,
    chance_with,
    checked_confidence,
    checked_titre,
    composites_needed,
    decide,
    log10_guarantee,
    lot_limits,
)
from rhizoledger.counts.samples import BEYOND
from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.workflows.composites import CountedComposite, LotPlates, read_composites

PRODUCER_RISK, USER_RISK = 0.05, 0.10
BETWEEN = "count.between_sample_sd_log10"
PER_DECADE = 40
REACH = 80
"""Points of the curve either side of its middle: two decades."""
FLAT = 0.002
"""A chance nearer to none or to certain than this is no longer drawn."""
NEAR = 0.03
"""A point of the curve this near to m or the guarantee gives way to it."""
PLAN = re.compile(r"\s*([ncm])\s*=\s*([^,=]+?)\s*(?:,|$)")


def guarantee_file(
    path: Path,
    guarantee: float,
    *,
    confidence: float = 0.95,
    plan: str | None = None,
    good: float | None = None,
    bad: float | None = None,
    producer_risk: float | None = None,
    user_risk: float | None = None,
    between_sd: float | None = None,
    tntc_limit: float = 250.0,
    tntc_at_least: bool = False,
) -> dict[str, Any]:
    """Judge every lot of a file against a guarantee.

    Parameters
    ----------
    path : Path
        Plates as :func:`rhizoledger.workflows.composites.read_composites` reads them.
    guarantee : float
        Titre, > 0, per the file's basis.
    confidence : float
        One-sided, between 0.5 and 1.
    plan : str, optional
        Acceptance plan such as ``"n=5,c=0,m=1e9"``.
    good, bad : float, optional
        Titres of a lot that should pass and of one that should not, for sizes.
    producer_risk, user_risk : float, optional
        Largest chance to reject the good lot, and to accept the bad one; 0.05 and 0.10. Refused
        without ``good`` and ``bad``.
    between_sd : float, optional
        Standard deviation between samples of one lot, known from the laboratory's own work [log10].
    tntc_limit, tntc_at_least
        As for ``count_plates``.

    Returns
    -------
    dict
        ``results`` (one for each lot), ``guarantee``, ``confidence``, ``plan``, ``curve``,
        ``sizes``, ``warnings``; JSON-ready.
    """
    checked_confidence(confidence)
    log10_guarantee(guarantee)
    accepted = None if plan is None else read_plan(plan)
    if good is None and bad is None and not producer_risk is user_risk is None:
        raise InputError(
            "--producer-risk and --user-risk are for sample sizes, which need --good and --bad. "
            "Add these two, or leave the risks out."
        )
    lots, said = read_composites(
        path, confidence, tntc_limit=tntc_limit, tntc_at_least=tntc_at_least
    )
    row = load_evidence()[BETWEEN]
    low, high = row.low or row.number(), row.high or row.number()
    spreads = (low, high) if between_sd is None else (between_sd,)
    results = []
    for lot in lots:
        limits = lot_limits(
            [c.composite for c in lot.composites],
            confidence,
            between_sd=between_sd,
            evidence_sd=high,
        )
        results.append(_result(lot, limits, guarantee, accepted))
    plated = _usual_plated(lots)
    k = max(len(lot.composites) for lot in lots)
    rule = _Rule(guarantee, confidence, k, between_sd, high)
    return {
        "file": path.name,
        "guarantee": guarantee,
        "confidence": confidence,
        "basis": lots[0].basis,
        "results": results,
        "plan": None if accepted is None else {"n": accepted.n, "c": accepted.c, "m": accepted.m},
        "curve": None if plated is None else _curve(rule, accepted, spreads, plated),
        "sizes": _sizes(
            rule,
            accepted,
            spreads,
            plated,
            good,
            bad,
            PRODUCER_RISK if producer_risk is None else producer_risk,
            USER_RISK if user_risk is None else user_risk,
        ),
        "between_sample_sd_log10": {
            "values": list(spreads),
            "from": BETWEEN if between_sd is None else "given",
            "grade": row.grade if between_sd is None else "own",
        },
        "warnings": list(said),
    }


def read_plan(text: str) -> Plan:
    """An acceptance plan as it is written on a command line.

    Raises
    ------
    InputError
        If it is not n, c and m, each once and each a number.

    Examples
    --------
    >>> read_plan("n=5, c=0, m=1e9")
    Plan(n=5, c=0, m=1000000000.0)
    """
    found = PLAN.findall(text)
    names = [name for name, _ in found]
    whole = "".join(PLAN.sub("", text).split())
    if whole or sorted(names) != ["c", "m", "n"]:
        raise InputError(f"The plan {text!r} is not n, c and m. Write it as n=5,c=0,m=1e9.")
    numbers: dict[str, float] = {}
    for name, value in found:
        try:
            numbers[name] = float(value)
        except ValueError:
            raise InputError(
                f"The plan {text!r}: {name} is {value!r}, which is no number. "
                "Write it as n=5,c=0,m=1e9."
            ) from None
    for name in ("n", "c"):
        if not numbers[name].is_integer():
            raise InputError(f"The plan {text!r}: {name} is a number of samples. Write it whole.")
    m = checked_titre(f"The plan {text!r}: m", numbers["m"])
    return Plan(int(numbers["n"]), int(numbers["c"]), m)


def _result(
    lot: LotPlates, limits: LotLimits, guarantee: float, plan: Plan | None
) -> dict[str, Any]:
    decision = decide(limits, guarantee, only_lowers=lot.only_lowers)
    needed = None
    if decision == "not shown" and not lot.only_lowers:
        needed = composites_needed(limits, guarantee)
    below = [None if plan is None else _below(c, plan.m) for c in lot.composites]
    return {
        "item": lot.item,
        "basis": lot.basis,
        "decision": decision,
        "titre": _linear(limits.mean),
        "low": _linear(limits.low),
        "high": _linear(limits.high),
        "mean_log10": limits.mean,
        "low_log10": limits.low,
        "high_log10": limits.high,
        "sd_log10": limits.sd,
        "between_sd_log10": limits.between_sd,
        "spread": limits.spread,
        "n_composites": limits.k,
        "bounds_only": limits.bounds_only,
        "limit_by_plates": limits.by_plates,
        "only_lowers": lot.only_lowers,
        "composites_needed": needed,
        "composites_needed_chance": (
            None if needed is None else chance_with(limits, guarantee, needed)
        ),
        "plan_verdict": None if plan is None else judge(plan, below),
        "composites": [
            _composite(c, b) for c, b in zip(lot.composites, below, strict=True)
        ],
        "warnings": [
            f"Sample {c.sample}: {text}" for c in lot.composites for text in c.count.warnings
        ],
    }  # fmt: skip


def _composite(c: CountedComposite, below: bool | None) -> dict[str, Any]:
    e = c.count.estimate
    return {
        "sample": c.sample,
        "titre": None if e.value is None else e.value,
        "plates_low": None if e.low is None else e.low,
        "plates_high": None if e.high is None or math.isinf(e.high) else e.high,
        "colonies": c.count.colonies,
        "n_plates": c.count.n_plates,
        "status": e.status,
        "below_m": below,
    }


def _below(c: CountedComposite, m: float) -> bool | None:
    """Whether a composite counts below m; None where its plates give only a bound that spans m."""
    e = c.count.estimate
    if e.value is not None:
        # A titre of exactly m is not below it, whatever the last binary digit says.
        return e.value < m * (1 - 1e-12)
    return False if e.low is not None and e.low >= m else None


def _linear(log10: float | None) -> float | None:
    return None if log10 is None or log10 > BEYOND else 10.0**log10


def _usual_plated(lots: Sequence[LotPlates]) -> float | None:
    """Undiluted sample counted from one composite, in the basis: the middle one of the file."""
    every = [c.plated for lot in lots for c in lot.composites if c.plated > 0]
    return median(every) if every else None


class _Rule:
    """Deciding by the limit: with so many composites, spread estimated or put in."""

    def __init__(
        self,
        guarantee: float,
        confidence: float,
        k: int,
        given_sd: float | None,
        evidence_sd: float,
    ) -> None:
        self.guarantee, self.confidence, self.k = guarantee, confidence, k
        self.given = given_sd is not None
        self.taken = evidence_sd if given_sd is None else given_sd

    def shown(self, titre: float, between_sd: float, plated: float, k: int | None = None) -> float:
        """Chance that a lot of this titre is shown to meet the guarantee."""
        plates = 1 / (math.log(10) * math.sqrt(titre * plated))
        total, n = math.hypot(between_sd, plates), k or self.k
        at: dict[str, Any] = {"total_sd": total, "confidence": self.confidence}
        if not self.given and n > 1:
            return chance_shown(titre, self.guarantee, n, **at)
        taken = math.hypot(self.taken, plates)
        return chance_shown_known_sd(titre, self.guarantee, n, taken_sd=taken, **at)


def _curve(
    rule: _Rule, plan: Plan | None, spreads: tuple[float, ...], plated: float
) -> dict[str, Any]:
    """Chance to pass against the true titre, for each spread between samples."""
    middle = round(math.log10(rule.guarantee if plan is None else plan.m) * PER_DECADE)
    marks = {rule.guarantee} | (set() if plan is None else {plan.m})
    steps = (10.0 ** (i / PER_DECADE) for i in range(middle - REACH, middle + REACH + 1))
    grid = {float(f"{t:.3g}") for t in steps}
    titres = sorted({t for t in grid if all(abs(t / m - 1) > NEAR for m in marks)} | marks)
    below: list[list[float]] = []
    if plan is not None:
        below = [
            chance_below(titres, plan.m, between_sd=sd, plated=plated).tolist() for sd in spreads
        ]
    rows: list[dict[str, Any]] = []
    for i, titre in enumerate(titres):
        p = None if plan is None else [b[i] for b in below]
        accept = None if plan is None else chance_accepted(plan, p or []).tolist()
        shown = [rule.shown(titre, sd, plated) for sd in spreads]
        rows.append({"titre": titre, "below_m": p, "accept": accept, "shown": shown})
    drawn = "shown" if plan is None else "accept"
    moving = [i for i, r in enumerate(rows) if any(FLAT < x < 1 - FLAT for x in r[drawn])]
    kept = [i for i, t in enumerate(titres) if t in marks] + moving
    rows = rows[max(0, min(kept) - 1) : max(kept) + 2]
    return {
        "between_sd_log10": list(spreads),
        "plated": plated,
        "colonies_at": plated * (rule.guarantee if plan is None else plan.m),
        "k": rule.k,
        "drawn": drawn,
        "rows": rows,
    }


def _sizes(
    rule: _Rule,
    plan: Plan | None,
    spreads: tuple[float, ...],
    plated: float | None,
    good: float | None,
    bad: float | None,
    producer_risk: float,
    user_risk: float,
) -> dict[str, Any] | None:
    """Samples for the wanted risks, by plan and by limit."""
    if good is None and bad is None:
        return None
    if good is None or bad is None:
        raise InputError(
            "Sample sizes need both --good and --bad: the titre of a lot that should pass, and of "
            "one that should not."
        )
    checked_titre("--good", good)
    checked_titre("--bad", bad)
    if not bad < good:
        raise InputError(
            f"--good is {good:g} and --bad is {bad:g}. The good lot's titre is the higher one."
        )
    if plated is None:
        raise InputError("No plate of the file is counted, so sizes cannot be planned from it.")
    m = rule.guarantee if plan is None else plan.m
    rows = []
    for sd in spreads:
        p_good, p_bad = chance_below([good, bad], m, between_sd=sd, plated=plated).tolist()
        size = smallest_plan(p_good, p_bad, producer_risk, user_risk)
        rows.append(
            {
                "between_sd_log10": sd,
                "below_m_good": p_good,
                "below_m_bad": p_bad,
                "n": None if size is None else size.n,
                "c": None if size is None else size.c,
                "producer_risk": None if size is None else size.producer_risk,
                "user_risk": None if size is None else size.user_risk,
                "composites_for_limit": _for_limit(rule, sd, plated, good, producer_risk),
            }
        )
    return {
        "good": good,
        "bad": bad,
        "m": m,
        "producer_risk": producer_risk,
        "user_risk": user_risk,
        "rows": rows,
    }


def _for_limit(
    rule: _Rule, sd: float, plated: float, good: float, producer_risk: float
) -> int | None:
    """Composites with which a lot this good is shown to meet the guarantee often enough."""
    if good <= rule.guarantee:
        return None
    for k in range(1 if rule.given else 2, MOST_COMPOSITES + 1):
        if rule.shown(good, sd, plated, k) >= 1 - producer_risk:
            return k
    return None

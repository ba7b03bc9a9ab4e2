"""What grew in a field before, by host group, and what the published rules say of it (§4.1).

Every rule keeps its source and its own words. Rules that contradict each other are shown side by
side; nothing here adds them up, and there is no score.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from operator import ge, gt, le, lt
from types import MappingProxyType
from typing import Literal

from rhizoledger.errors import EvidenceError, InputError
from rhizoledger.evidence import Parameter
from rhizoledger.evidence.facts import Condition, PointsTo, PublishedRule

History = Literal["never", "unknown", "history"]

COMPARISONS: Mapping[str, Callable[[float, float], bool]] = MappingProxyType(
    {"lt": lt, "le": le, "gt": gt, "ge": ge}
)


@dataclass(frozen=True, slots=True)
class RuleAnswer:
    """A published rule that speaks to this field, in its own words and with its source."""

    says: str
    source: str
    points_to: PointsTo
    id: str = ""
    reading: str | None = None

    def to_dict(self) -> dict[str, str]:
        """The answer as plain JSON values, with the keys of SEASON's ``rules``."""
        return {"says": self.says, "source": self.source, "points_to": self.points_to}


def history(years_since_group: float | None) -> History:
    """Whether the crop's host group grew in a field before.

    Parameters
    ----------
    years_since_group : float or None
        Years since a crop of this *host group* grew, >= 0; infinity where it never grew; None
        where nobody knows. Years since another group say nothing (§7).

    Returns
    -------
    {"never", "unknown", "history"}
        Any number of years is history: rhizobia were found alive after decades.

    Raises
    ------
    InputError
        If the number is negative or NaN.

    Notes
    -----
    §4.1.

    Examples
    --------
    >>> history(3), history(float("inf")), history(None)
    ('history', 'never', 'unknown')
    """
    if years_since_group is None:
        return "unknown"
    if math.isnan(years_since_group) or years_since_group < 0:
        raise InputError(
            f"years_since_group is {years_since_group}. "
            "Give a number of years that is not negative, or never, or unknown."
        )
    return "never" if math.isinf(years_since_group) else "history"


def apply_rules(
    rules: Iterable[PublishedRule], facts: Mapping[str, object]
) -> tuple[RuleAnswer, ...]:
    """The published rules that speak to a field, in the order they are kept.

    Parameters
    ----------
    rules : iterable of PublishedRule
        Each with conditions that must all hold; a rule without conditions always speaks.
    facts : mapping
        What is known of the field, by the attribute names of a field record, with ``group`` for
        the crop's host group. A fact that is missing or None is not known, and a rule that needs
        it does not speak.

    Returns
    -------
    tuple of RuleAnswer
        Side by side, contradictions included.

    Raises
    ------
    InputError
        If ``facts`` does not say the group and the rules are of more than one.
    EvidenceError
        If a rule has an operator that is not known, or compares what cannot be compared.

    Notes
    -----
    §4.1. Ground where the group never grew counts as infinitely many years: more than any number.

    Examples
    --------
    >>> acid = PublishedRule("a", "soybean", "Inoculate below pH 6.", "A page", "read", "inoculate",
    ...                      (("ph", "lt", 6.0),), None)
    >>> [a.points_to for a in apply_rules([acid], {"group": "soybean", "ph": 5.5})]
    ['inoculate']
    >>> apply_rules([acid], {"group": "soybean", "ph": None})
    ()
    """
    return tuple(
        RuleAnswer(rule.says, rule.source, rule.points_to, rule.id, rule.reading)
        for rule in _of_group(rules, facts)
        if all(_holds(rule.id, condition, facts) for condition in rule.conditions)
    )


def facts_missing(rules: Iterable[PublishedRule], facts: Mapping[str, object]) -> tuple[str, ...]:
    """Facts not known of a field that could make a published rule speak, each once.

    A rule that a known fact already rules out needs nothing more.

    Examples
    --------
    >>> acid = PublishedRule("a", "soybean", "Inoculate below pH 6.", "A page", "read", "inoculate",
    ...                      (("ph", "lt", 6.0),), None)
    >>> facts_missing([acid], {"group": "soybean"})
    ('ph',)
    """
    missing: dict[str, None] = {}
    for rule in _of_group(rules, facts):
        known = [c for c in rule.conditions if facts.get(c[0]) is not None]
        if all(_holds(rule.id, condition, facts) for condition in known):
            missing.update(dict.fromkeys(c[0] for c in rule.conditions if facts.get(c[0]) is None))
    return tuple(missing)


def dose_statement(
    past: History,
    *,
    soil_mpn_per_g: float | None = None,
    low_count: Parameter | None = None,
) -> str:
    """What may be said of more cells per seed on this field, in words and never as a gain.

    Parameters
    ----------
    past : {"never", "unknown", "history"}
        Answer of :func:`history`.
    soil_mpn_per_g : float or None
        Measured count of the right rhizobia in this soil, >= 0 [cells per g of soil].
    low_count : Parameter or None
        Evidence row below which a soil count is low [cells per g of soil].

    Notes
    -----
    §4.2: dose changes gain only on first-time ground or with a measured low soil count, as a range
    relative to the dose that arrived in the trials.

    Examples
    --------
    >>> dose_statement("history")
    'No evidence that more cells pay here.'
    """
    if soil_mpn_per_g is not None and not (soil_mpn_per_g >= 0 and math.isfinite(soil_mpn_per_g)):
        raise InputError(
            f"soil_mpn_per_g is {soil_mpn_per_g}. "
            "Give a count that is not negative, or leave it empty."
        )
    if past == "never":
        return (
            "First-time ground: more live cells can raise the gain, by an amount known only as a "
            "range relative to the dose that arrived in the trials."
        )
    if past == "unknown":
        return (
            "History not known, so treated as first-time ground: more live cells may raise the "
            "gain. Find out what grew here."
        )
    low = low_count.number() if low_count is not None else 0.0
    if soil_mpn_per_g is not None and soil_mpn_per_g < low:
        return (
            f"The soil count ({soil_mpn_per_g:g} per g) is low: more live cells may raise the "
            "gain, by an amount known only as a range relative to the dose that arrived in the "
            "trials."
        )
    return "No evidence that more cells pay here."


def _of_group(rules: Iterable[PublishedRule], facts: Mapping[str, object]) -> list[PublishedRule]:
    every = list(rules)
    if "group" in facts:
        return [rule for rule in every if rule.group == facts["group"]]
    if len({rule.group for rule in every}) > 1:
        raise InputError(
            "The rules are of several host groups and the facts do not say which group the crop "
            "belongs to. Give 'group' among the facts."
        )
    return every


def _holds(rule_id: str, condition: Condition, facts: Mapping[str, object]) -> bool:
    attribute, operator, wanted = condition
    fact = facts.get(attribute)
    if fact is None:
        return False
    if operator == "eq":
        return _same(fact) == _same(wanted)
    if isinstance(fact, bool) or not isinstance(fact, int | float) or math.isnan(fact):
        raise EvidenceError(
            f"Rule {rule_id}: {attribute} is {fact!r} here, and the rule compares it as a number."
        )
    if operator == "is_never":
        return math.isinf(fact)
    if operator == "between":
        low, high = wanted
        return bool(low <= fact <= high)
    if operator not in COMPARISONS:
        known = ", ".join((*COMPARISONS, "eq", "between", "is_never"))
        raise EvidenceError(
            f"Rule {rule_id}: operator {operator!r} is not known. Use one of {known}."
        )
    return COMPARISONS[operator](fact, wanted)


def _same(value: object) -> object:
    """Text compares without case and outer blanks."""
    return value.strip().casefold() if isinstance(value, str) else value

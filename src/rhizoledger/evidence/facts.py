"""Facts that are not numbers: host groups, published rules, hazards, cautions and gaps.

They stand in the same tables as the parameters, with the same sources and the same honesty about
how they are known. Nothing here decides anything: a rule is data, and ``fields`` evaluates it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal, TypeVar, cast

from rhizoledger.errors import NotFoundError
from rhizoledger.evidence.hosts import (
    Crop,
    HostGroup,
    check_hosts,
    crop_id,
    crops,
    host_group_of,
    host_groups,
    plain_crop,
)
from rhizoledger.evidence.load import packaged_rows_once, packaged_sources
from rhizoledger.evidence.read import Row, facts_from_rows, source_key
from rhizoledger.records import Field

__all__ = [
    "JURISDICTIONS",
    "SHEETS",
    "Caution",
    "Condition",
    "Crop",
    "Gap",
    "HazardFact",
    "HostGroup",
    "PublishedRule",
    "caution_from_row",
    "cautions",
    "cautions_for",
    "check_facts",
    "crop_id",
    "crops",
    "gaps",
    "hazard_facts",
    "host_group_of",
    "host_groups",
    "plain_crop",
    "published_rules",
    "rule_from_row",
    "used_for",
]

Operator = Literal["lt", "le", "gt", "ge", "eq", "is_never", "between"]
PointsTo = Literal["inoculate", "skip", "neither"]
Condition = tuple[str, Operator, Any]
"""A field attribute, an operator, and its value; ``between`` has two ends, both included."""

JURISDICTIONS: Mapping[str, str] = MappingProxyType(
    {"US": "the US", "Canada": "Canada", "EU": "the EU", "Australia": "Australia"}
)
"""Places whose law adds cautions, each with its name in a sentence."""

SHEETS = ("run", "grower", "bench", "report")
"""Where a caution is printed: for treating, planting, counting, and in the report."""

_EVERYWHERE = "general"

_COUNTRIES: Mapping[str, str] = MappingProxyType(
    {
        "US": "us, usa, united states, united states of america, america",
        "Canada": "ca, can, canada",
        "Australia": "au, aus, australia, commonwealth of australia",
        "EU": """
            eu, european union, at, aut, austria, osterreich, be, bel, belgium, belgie, belgique,
            bg, bgr, bulgaria, hr, hrv, croatia, hrvatska, cy, cyp, cyprus, cz, cze, czechia,
            czech republic, cesko, dk, dnk, denmark, danmark, ee, est, estonia, eesti, fi, fin,
            finland, suomi, fr, fra, france, de, deu, germany, deutschland, gr, el, grc, greece,
            hellas, hu, hun, hungary, magyarorszag, ie, irl, ireland, eire, republic of ireland,
            it, ita, italy, italia, lv, lva, latvia, latvija, lt, ltu, lithuania, lietuva, lu, lux,
            luxembourg, luxemburg, mt, mlt, malta, nl, nld, netherlands, nederland, holland, pl,
            pol, poland, polska, pt, prt, portugal, ro, rou, romania, sk, svk, slovakia,
            slovak republic, slovensko, si, svn, slovenia, slovenija, es, esp, spain, espana, se,
            swe, sweden, sverige""",
    }
)
"""Names and codes of countries in plain letters, by jurisdiction."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class PublishedRule:
    """One clause of one source on when to inoculate.

    Parameters
    ----------
    id : str
        Source and clause.
    group : str
        The host group the source speaks of.
    says : str
        The clause in our own words.
    source : str
        The reference, readable.
    how_known : str
        How it was read.
    points_to : {"inoculate", "skip", "neither"}
        Where it points when its conditions hold.
    conditions : tuple of (str, str, value)
        All must hold; none means that it always applies. Attributes are those of a field record.
    reading : str or None
        Where the source gives no number, how its word was read as one.
    """

    id: str
    group: str
    says: str
    source: str
    how_known: str
    points_to: PointsTo
    conditions: tuple[Condition, ...]
    reading: str | None


@dataclass(frozen=True, slots=True)
class HazardFact:
    """What is known in words about a harm that has no number, and what would settle it (§2.8)."""

    kind: str
    known: str
    settle: str
    sources: tuple[str, ...]
    how_known: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A safety sentence in our own words; a product's own text comes from its label.

    Parameters
    ----------
    id : str
        Short name.
    says : str
        The sentence.
    source : str
        The reference, readable.
    how_known : str
        How it was read.
    jurisdictions : tuple of str
        Where it holds, out of ``JURISDICTIONS``; empty means everywhere.
    on : tuple of str
        The sheets it is printed on, out of ``SHEETS``.
    """

    id: str
    says: str
    source: str
    how_known: str
    jurisdictions: tuple[str, ...]
    on: tuple[str, ...]

    @property
    def where(self) -> str:
        """The place in words, as in "In Canada"; empty for a caution that holds everywhere."""
        names = " and ".join(JURISDICTIONS[j] for j in self.jurisdictions)
        return f"In {names}" if names else ""

    @property
    def sentence(self) -> str:
        """The caution with its place named, to be read without anything beside it."""
        return f"{self.where}: {self.says}" if self.jurisdictions else self.says


@dataclass(frozen=True, slots=True)
class Gap:
    """Something not known, and what would make it known.

    Parameters
    ----------
    id : str
        Short name.
    about : str
        The part of the ledger or answer it leaves open.
    missing : str
        What is not known.
    until_then : str
        What the program does meanwhile.
    would_settle : str
        What would make it known.
    sources : tuple of str
        Where it was looked for, or may stand.
    """

    id: str
    about: str
    missing: str
    until_then: str
    would_settle: str
    sources: tuple[str, ...]


@lru_cache(maxsize=1)
def published_rules() -> tuple[PublishedRule, ...]:
    """All published rules on when to inoculate, contradictions included (§4.1)."""
    return _facts("rule", PublishedRule, rule_from_row)


@lru_cache(maxsize=1)
def hazard_facts() -> Mapping[str, HazardFact]:
    """What is known in words of each hazard, by kind (§2.8)."""
    found = _facts("hazard", HazardFact, _hazard)
    return MappingProxyType({fact.kind: fact for fact in found})


@lru_cache(maxsize=1)
def cautions() -> tuple[Caution, ...]:
    """Safety sentences for treated seed and live cultures, label first (§3.4)."""
    return _facts("caution", Caution, caution_from_row)


def cautions_for(country: str | None, sheet: str) -> tuple[Caution, ...]:
    """Cautions of one sheet in table order: those for everywhere and those of the place.

    Where the country is not given, the rows of every jurisdiction come along; print their
    ``sentence``, which names the place. A country whose law does not stand in the table gets the
    general rows on its sheets, and every row in the report.

    Parameters
    ----------
    country : str or None
        Name or code of a country, in any case.
    sheet : str
        One of ``SHEETS``.

    Raises
    ------
    NotFoundError
        If there is no such sheet.
    """
    if sheet not in SHEETS:
        raise NotFoundError(f"There is no sheet {sheet!r}. Known: {', '.join(SHEETS)}.")
    place = _jurisdiction(country)
    every = place is None and (not (country or "").strip() or sheet == "report")
    return tuple(
        caution
        for caution in cautions()
        if sheet in caution.on
        and (not caution.jurisdictions or every or place in caution.jurisdictions)
    )


@lru_cache(maxsize=1)
def _jurisdictions_by_country() -> Mapping[str, str]:
    return {
        name: place
        for place, names in _COUNTRIES.items()
        for name in (" ".join(n.split()) for n in names.split(","))
    }


def _jurisdiction(country: str | None) -> str | None:
    """The jurisdiction of a country as people write it, or None."""
    letters = unicodedata.normalize("NFKD", country or "").replace(".", "")
    plain = "".join(c for c in letters if not unicodedata.combining(c)).casefold()
    return _jurisdictions_by_country().get(" ".join(plain.split()).removeprefix("the "))


@lru_cache(maxsize=1)
def gaps() -> tuple[Gap, ...]:
    """What is not known, sorted by id."""
    found = _facts("gap", Gap, _gap)
    return tuple(sorted(found, key=lambda gap: gap.id))


def check_facts() -> None:
    """Read every fact table, so that a fault in any of them is an error now.

    Raises
    ------
    EvidenceError
        Naming file and row.
    """
    check_hosts()
    for read in (published_rules, hazard_facts, cautions, gaps, _uses):
        cast(Callable[[], object], read)()


def used_for(parameter_id: str) -> str:
    """What a parameter is used for, in words; the nearest row of the table speaks for it.

    Examples
    --------
    >>> used_for("survival.on_seed.soybean.z_c")
    'Ledger: how the loss on seed grows with temperature.'
    """
    known, parts = _uses(), parameter_id.split(".")
    for n in range(len(parts), 0, -1):
        says = known.get(".".join(parts[:n]))
        if says is not None:
            return says
    return "Not said."


@lru_cache(maxsize=1)
def _uses() -> Mapping[str, str]:
    return {
        use.id: use.says
        for use in _facts("use", _Use, lambda r: _Use(r.identifier(), r.text("says")))
    }


@dataclass(frozen=True, slots=True)
class _Use:
    id: str
    says: str


def _facts(kind: str, shape: type[_T], build: Callable[[Row], _T]) -> tuple[_T, ...]:
    return facts_from_rows(packaged_rows_once(), kind, shape, build)


def _hazard(row: Row) -> HazardFact:
    return HazardFact(
        row.identifier("kind"), row.text("known"), row.text("settle"), _cited(row), _how(row)
    )


def caution_from_row(row: Row) -> Caution:
    """One checked caution."""
    places = _known_words(row, "jurisdictions", (*JURISDICTIONS, _EVERYWHERE))
    if _EVERYWHERE in places and len(places) > 1:
        raise row.fault(f"jurisdictions: {_EVERYWHERE!r} stands alone or not at all.")
    sheets = _known_words(row, "on", SHEETS)
    if not sheets:
        raise row.fault(f"on is missing or empty. Name at least one of {', '.join(SHEETS)}.")
    return Caution(
        row.identifier(),
        row.text("says"),
        _readable_source(row),
        _how(row),
        tuple(place for place in places if place != _EVERYWHERE),
        sheets,
    )


def _known_words(row: Row, key: str, known: tuple[str, ...]) -> tuple[str, ...]:
    """A list of words out of a closed set, each at most once."""
    words = row.texts(key)
    for word in words:
        if word not in known:
            raise row.fault(f"{key} holds {word!r}, which is not one of {', '.join(known)}.")
    if len(set(words)) < len(words):
        raise row.fault(f"{key} names the same word twice.")
    return words


def _gap(row: Row) -> Gap:
    return Gap(
        row.identifier(),
        row.text("about"),
        row.text("missing"),
        row.text("until_then"),
        row.text("would_settle"),
        _cited(row),
    )


def rule_from_row(row: Row) -> PublishedRule:
    """One checked rule."""
    group = row.identifier("group")
    if group not in {g.group for g in host_groups()}:
        raise row.fault(f"group {group!r} is not a host group.")
    return PublishedRule(
        row.identifier(),
        group,
        row.text("says"),
        _readable_source(row),
        _how(row),
        cast(PointsTo, row.choice("points_to", ("inoculate", "skip", "neither"))),
        tuple(_condition(row, c) for c in row.items("conditions")),
        row.optional_text("reading"),
    )


def _condition(row: Row, entry: object) -> Condition:
    """One ``[attribute, operator, value]``, checked against the field record."""
    if not isinstance(entry, list) or len(entry) != 3:  # exact: attribute, operator, value
        raise row.fault(f"condition {entry!r} must be [attribute, operator, value].")
    attribute, operator, value = entry
    if attribute not in {f.name for f in fields(Field)}:
        raise row.fault(f"{attribute!r} is not known of a field.")
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if operator in ("lt", "le", "gt", "ge") and number:
        return attribute, operator, float(value)
    if operator == "between" and _two_numbers(value):
        low, high = sorted(float(v) for v in value)
        return attribute, operator, (low, high)
    if operator == "eq" and isinstance(value, str | bool):
        return attribute, operator, value
    if operator == "is_never" and value is True:
        return attribute, operator, True
    raise row.fault(f"condition {entry!r}: operator and value do not go together.")


def _two_numbers(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
    )


def _cited(row: Row) -> tuple[str, ...]:
    return row.sources(packaged_sources())


def _how(row: Row) -> str:
    return row.text("how_known")


def _readable_source(row: Row) -> str:
    """The one source of a rule or caution as a person would read it."""
    reference = row.text("source")
    key = source_key(reference)
    source = packaged_sources().get(key)
    if source is None:
        raise row.fault(f"source {key!r} is not in the source tables. Add it there.")
    return source.citation

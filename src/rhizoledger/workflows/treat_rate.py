"""One rate in every basis of the trade, with active and cells per seed, held against its label."""

from __future__ import annotations

from typing import Any

from rhizoledger.errors import InputError, NotFoundError, UnitError
from rhizoledger.evidence import load_evidence
from rhizoledger.treating.bases import Basis, parse_basis
from rhizoledger.treating.conversion import WORDS, Fact, Facts, convert, missing, slip_of
from rhizoledger.treating.label import MAGNITUDE
from rhizoledger.treating.rates import ROUNDING
from rhizoledger.units import LB_KG, length_m
from rhizoledger.workflows.treat_written import (
    read_active,
    read_bag_kg,
    read_pack,
    read_rate,
    read_seeding,
    read_titre,
)

OPTIONS: dict[Fact, str] = {
    "seeds_per_kg": "--seeds-per-lb or --seeds-per-kg",
    "seeds_per_unit": "--seeds-per-unit",
    "kg_per_bag": "--bag '50 lb'",
    "kg_per_bu": "--crop soybean",
    "seeding_rate": "--seeding-rate '140000 seeds/ac'",
    "row_spacing": "--row-cm or --row-in",
    "density": "--density (g per mL)",
    "active": "--active '600 g/L'",
    "titre": "--titre '1e10 CFU/mL'",
    "pack": "--pack '3.2 L'",
}
VOLUMES = (
    "mL/kg", "mL/100 kg", "fl oz/cwt", "fl oz/lb", "mL/unit", "fl oz/unit", "mL/bag", "fl oz/bag",
    "mL/bu", "fl oz/bu", "µL/seed", "mL/1000 seeds", "mL/ha", "L/ha", "fl oz/ac", "fl oz/1000 ft",
    "mL/100 m",
)  # fmt: skip
MASSES = (
    "g/kg", "g/100 kg", "oz/cwt", "oz/lb", "g/unit", "oz/unit", "g/bag", "oz/bag", "g/bu", "oz/bu",
    "mg product/seed", "g product/1000 seeds", "g/ha", "kg/ha", "lb/ac", "oz/1000 ft", "g/100 m",
)  # fmt: skip
ACTIVES = ("mg active/seed", "g active/100 kg", "g active/unit", "g active/ha")
CELLS = ("cells/seed", "cells/kg", "cells/ha")
SECOND = {"mL": ("mL/100 kg", "fl oz/cwt"), "g": ("g/100 kg", "oz/cwt")}


def seed_facts(
    *,
    seeds_per_lb: float | None = None,
    seeds_per_kg: float | None = None,
    thousand_seeds_g: float | None = None,
    seeds_per_unit: float | None = None,
    bag: str | None = None,
    crop: str | None = None,
    lb_per_bu: float | None = None,
    seeding_rate: str | None = None,
    row_cm: float | None = None,
    row_in: float | None = None,
    density: float | None = None,
    active: str | None = None,
    titre: str | None = None,
    pack: str | None = None,
) -> Facts:
    """The facts that a command line gives, each in one way only.

    Raises
    ------
    InputError, UnitError
        If one is given twice or cannot be read.
    NotFoundError
        If the bushel weight of the crop is not known.
    """
    sizes = {
        "--seeds-per-lb": None if seeds_per_lb is None else seeds_per_lb / LB_KG,
        "--seeds-per-kg": seeds_per_kg,
        "--thousand-seeds-g": thousand_seeds_g and 1e6 / thousand_seeds_g,
    }
    rows = {
        "--row-cm": None if row_cm is None else length_m(row_cm, "cm"),
        "--row-in": None if row_in is None else length_m(row_in, "in"),
    }
    bushels = {"--crop": _kg_per_bu(crop), "--lb-per-bu": lb_per_bu and lb_per_bu * LB_KG}
    return Facts(
        seeds_per_kg=_one(sizes),
        seeds_per_unit=seeds_per_unit,
        kg_per_bag=None if bag is None else read_bag_kg(bag),
        kg_per_bu=_one(bushels),
        seeding=None if seeding_rate is None else read_seeding(seeding_rate),
        row_spacing_m=_one(rows),
        density_g_per_ml=density,
        active=None if active is None else read_active(active),
        titre=None if titre is None else read_titre(titre),
        pack=None if pack is None else read_pack(pack),
    )


def _one(given: dict[str, float | None]) -> float | None:
    found = {name: x for name, x in given.items() if x is not None}
    if len(found) > 1:
        raise InputError(f"{' and '.join(found)} say the same thing. Give one of them.")
    return next(iter(found.values()), None)


def _kg_per_bu(crop: str | None) -> float | None:
    if crop is None:
        return None
    evidence = load_evidence()
    ids = {
        key.removeprefix("crop.").removesuffix(".lb_per_bu"): key
        for key in evidence
        if key.startswith("crop.") and key.endswith(".lb_per_bu")
    }
    name = crop.strip().lower().replace(" ", "_")
    if name not in ids:
        known = ", ".join(sorted(n.replace("_", " ") for n in ids))
        raise NotFoundError(
            f"The bushel weight of {crop!r} is not known. Known are {known}; or give --lb-per-bu."
        )
    return evidence[ids[name]].number() * LB_KG


def treat_rate(
    rate: str | None,
    facts: Facts,
    *,
    to: str | None = None,
    cells_per_seed: float | None = None,
    label_max: str | None = None,
) -> dict[str, Any]:
    """A rate in one basis and in all the others that the facts allow.

    Parameters
    ----------
    rate : str or None
        As it is written on the label; None where ``cells_per_seed`` is given instead.
    facts : Facts
        As :func:`seed_facts`.
    to : str, optional
        The basis asked for.
    cells_per_seed : float, optional
        Cells that are to be put on each seed; the answer is the rate that does it.
    label_max : str, optional
        The highest rate that the label allows.

    Returns
    -------
    dict
        Ready for JSON: ``rate``, ``answer``, ``bases``, ``unit_of_seed``, ``label``, ``notes``.

    Raises
    ------
    InputError, UnitError
        If a text cannot be read, or a fact is missing for the basis asked for.
    """
    if (rate is None) == (cells_per_seed is None):
        raise InputError(
            "Give either a rate, such as '4 fl oz/cwt', or --cells-per-seed with --titre."
        )
    if cells_per_seed is not None:
        value, source = float(cells_per_seed), parse_basis("cells/seed")
        if not 0 < value < float("inf"):
            raise InputError(f"--cells-per-seed is {value:g}. Give a number above zero.")
        if facts.titre is None:
            raise InputError("--cells-per-seed takes the titre. Give --titre '1e10 CFU/mL'.")
    else:
        value, source = read_rate(rate or "")
    target = _target(source, facts, to)
    _can(source, target, facts)
    limit = None if label_max is None else read_rate(label_max)
    return {
        "rate": {"value": value, "unit": source.text},
        "answer": _in(value, source, target, facts),
        "bases": _bases(value, source, facts),
        "unit_of_seed": _unit_of_seed(value, source, facts),
        "label": None if limit is None else _label(value, source, *limit, facts),
        "notes": _notes(source, target, *(() if limit is None else (limit[1],))),
    }


def _target(source: Basis, facts: Facts, to: str | None) -> Basis:
    """What was asked for; else mL or g per 100 kg, or the imperial twin of a metric rate."""
    if to is not None:
        return parse_basis(to)
    kind = {"mL": "mL", "g": "g", "active g": "active"}.get(source.amount)
    if kind is None:
        held = facts.titre if source.amount == "cells" else facts.pack
        kind = "mL" if held is None else held.per
    if kind == "active":
        return parse_basis("g active/100 kg" if source.per != "kg" else "mg active/seed")
    if source.per in ("ha", "m"):
        names = ("mL/ha", "fl oz/ac") if kind == "mL" else ("g/ha", "lb/ac")
        return parse_basis(names[source.text in (names[0], "L/ha", "kg/ha")])
    return parse_basis(SECOND[kind][source.text.endswith("kg") and source.amount == kind])


def _can(source: Basis, target: Basis, facts: Facts) -> None:
    """Refuse what takes a fact that is not there, with what may have been meant."""
    absent = missing(source, target, facts)
    if not absent:
        return
    words = " and ".join(WORDS[f] for f in absent)
    options = " and ".join(OPTIONS[f] for f in absent)
    what = f"In {target.text} it takes {words}."
    remedy = f"Give {options}."
    if "density" in absent and {source.amount, target.amount} == {"mL", "g"}:
        kinds = {"mL": "a volume", "g": "a mass"}
        what = f"{source.text} is {kinds[source.amount]} and {target.text} {kinds[target.amount]}."
        if source.text.startswith("oz"):
            remedy = f"If fluid ounces are meant, write 'fl {source.text}'; if not, give --density."
    raise UnitError(source.text, what, remedy)


def _in(value: float, source: Basis, target: Basis, facts: Facts) -> dict[str, Any]:
    return {"value": convert(value, source, target, facts), "unit": target.text}


def _bases(value: float, source: Basis, facts: Facts) -> list[dict[str, Any]]:
    """Every basis, with its value or the facts that it still takes."""
    out = []
    for text in (*VOLUMES, *MASSES, *ACTIVES, *CELLS):
        target = parse_basis(text)
        absent = missing(source, target, facts)
        number = None if absent else convert(value, source, target, facts)
        out.append({"unit": text, "value": number, "missing": list(absent)})
    return out


def _unit_of_seed(value: float, source: Basis, facts: Facts) -> dict[str, Any]:
    """What goes on one unit of seed, and what such a unit weighs."""
    names = {"mL": "mL/unit", "g": "g/unit", "active g": "g active/unit"}
    amounts = [names[source.amount]] if source.amount in names else ["mL/unit", "g/unit"]
    least: tuple[Fact, ...] = ()
    kg = None
    if facts.seeds_per_unit and facts.seeds_per_kg:
        kg = facts.seeds_per_unit / facts.seeds_per_kg
    weight = {"seeds": facts.seeds_per_unit, "kg": kg}
    for text in amounts:
        absent = missing(source, parse_basis(text), facts)
        if not absent:
            return {**weight, **_in(value, source, parse_basis(text), facts), "missing": []}
        least = least or absent
    return {**weight, "value": None, "unit": amounts[0], "missing": list(least)}


def _label(value: float, source: Basis, most: float, unit: Basis, facts: Facts) -> dict[str, Any]:
    """The rate as a multiple of the label's highest, or which facts that takes."""
    absent = missing(source, unit, facts)
    said = {"value": most, "unit": unit.text}
    if absent:
        return {"max": said, "times": None, "verdict": "not_known", "missing": list(absent)}
    times = convert(value, source, unit, facts) / most
    verdict = "over" if times > 1 + ROUNDING else "within"
    far = times >= MAGNITUDE or times <= 1 / MAGNITUDE
    return {
        "max": said,
        "times": times,
        "verdict": verdict,
        "missing": [],
        "order_of_magnitude": far,
        "looks_like": slip_of(times) if far else None,
    }


def _notes(*bases: Basis) -> list[str]:
    """How each word that could mean two things was read."""
    words = " ".join(basis.text for basis in bases)
    read = {
        "fl oz": "fl oz is the US one, 29.57 mL; write imp fl oz for 28.41 mL.",
        "cwt": "cwt is 100 lb, not the long one of 112 lb.",
        "oz": "oz is a mass, 28.35 g; write fl oz if the label says fluid ounces.",
        "short ton": "A short ton is 2,000 lb.",
        "long ton": "A long ton is 2,240 lb.",
        "unit": "A unit of seed is so many seeds as you say, not a weight.",
    }
    plain = words.replace("imp fl oz", "").replace("fl oz", "fl-oz")
    there = {
        "fl oz": "fl-oz" in plain,
        "cwt": "cwt" in plain,
        "oz": any(w.split("/")[0] == "oz" for w in plain.split()),
        "short ton": "short ton" in words,
        "long ton": "long ton" in words,
        "unit": "/unit" in words,
    }
    return [sentence for name, sentence in read.items() if there[name]]

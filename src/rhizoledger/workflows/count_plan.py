"""Plan a plate count: a range of titres in, dilutions, plates, tubes and precision out."""

from __future__ import annotations

import math
from typing import Any, Literal

from rhizoledger.counts.guarantee import checked_titre
from rhizoledger.counts.plates.rules import Rule
from rhizoledger.counts.scheme import COUNTABLE, Reading, choose_scheme
from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import cautions_for
from rhizoledger.workflows.plate_file import LEAST_ML, MOST_WASH

Basis = Literal["mL", "g", "seed"]

BETWEEN = "count.between_sample_sd_log10"
OF_SEED = ("not_food", "gloves")
"""Cautions of treated seed, for a bench where seed is washed."""
LARGEST_ML = 10.0


def count_plan(
    low: float,
    high: float,
    *,
    basis: Basis = "mL",
    volume_ml: float = 0.1,
    replicates: float = 3,
    wash_ml: float | None = None,
    seeds: float | None = None,
    rule: Rule = "bam",
    dilution_factor: float = 10.0,
    transfer_ml: float = 1.0,
    probability: float = 0.95,
    level: float = 0.95,
) -> dict[str, Any]:
    """Choose dilutions and plates for a titre that lies somewhere in a range.

    Parameters
    ----------
    low, high : float
        Expected titre, per basis; log-uniform between them.
    basis : {"mL", "g", "seed"}
    volume_ml, replicates
        On each plate [mL], and plates of each dilution.
    wash_ml, seeds : float, optional
        Wash liquid [mL] and seeds in it; needed for seed, refused otherwise.
    rule : {"bam", "iso7218"}
        Whose countable range.
    dilution_factor, transfer_ml : float
        From one tube to the next, and what is carried over [mL].
    probability : float
        Wanted chance of a countable plate.
    level : float
        Of the limits that tell the precision.

    Returns
    -------
    dict
        JSON-ready.
    """
    checked_titre("--low", low)
    checked_titre("--high", high)
    per_ml = _per_ml(basis, wash_ml, seeds)
    for name, x, most in (
        ("--volume", volume_ml, LARGEST_ML),
        ("--transfer-ml", transfer_ml, 100 * LARGEST_ML),
    ):
        if not (math.isfinite(x) and 0 < x <= most):
            raise InputError(f"{name} is {x:g}; write mL above 0 and up to {most:g}.")
    scheme = choose_scheme(
        low,
        high,
        volume_ml=volume_ml,
        replicates=replicates,
        rule=rule,
        dilution_factor=dilution_factor,
        per_ml=per_ml,
        first_step=1 if basis == "g" else 0,
        probability=probability,
        level=level,
    )
    between = load_evidence()[BETWEEN]
    spread = [x for x in (between.low, between.high) if x is not None] or [between.number()]
    count_low, count_high = COUNTABLE[rule]
    return {
        "low": low,
        "high": high,
        "prior": "log-uniform",
        "basis": basis,
        "rule": rule,
        "countable": [count_low, count_high],
        "volume_ml": volume_ml,
        "replicates": int(replicates),
        "dilution_factor": dilution_factor,
        "transfer_ml": transfer_ml,
        "wash_ml": wash_ml,
        "seeds": seeds,
        "dilutions": [
            {
                "step": step,
                "dilution": d,
                "plates": int(replicates),
                "expected_low": low * per_ml * volume_ml * d,
                "expected_high": high * per_ml * volume_ml * d,
            }
            for step, d in zip(scheme.steps, scheme.dilutions, strict=True)
        ],
        "plates": scheme.plates,
        "tubes": scheme.steps[-1],
        "p_countable": scheme.p_countable,
        "wanted_p": probability,
        "reached": scheme.reached,
        "worst": _reading(scheme.worst),
        "thinnest": _reading(scheme.thinnest),
        "expected": [_reading(r) for r in scheme.readings],
        "level": level,
        "between_sample_sd_log10": {"values": spread, "from": BETWEEN, "grade": between.grade},
        "warnings": _warnings(scheme.reached, scheme.p_countable, scheme.steps[0], low, basis),
    }


def _per_ml(basis: Basis, wash_ml: float | None, seeds: float | None) -> float:
    """Seeds in each mL of wash; 1 where no seed is washed."""
    if basis != "seed":
        if wash_ml is not None or seeds is not None:
            raise InputError(
                "--wash-ml and --seeds belong to seed. Leave them out, or add --basis seed."
            )
        return 1.0
    if wash_ml is None or seeds is None:
        raise InputError(
            "A count per seed needs --wash-ml and --seeds, such as --wash-ml 100 --seeds 100."
        )
    for name, x in (("--wash-ml", wash_ml), ("--seeds", seeds)):
        if not LEAST_ML <= x <= MOST_WASH:
            raise InputError(f"{name} is {x:g}; write a number above zero and up to {MOST_WASH:g}.")
    return seeds / wash_ml


def _reading(r: Reading) -> dict[str, Any]:
    return {
        "titre": r.titre,
        "p_countable": r.p_countable,
        "colonies": r.colonies,
        "limits_factor": r.limits_factor,
    }


def _warnings(reached: bool, p: float, first: int, low: float, basis: Basis) -> list[str]:
    if reached:
        return []
    remedy = (
        "Plate more volume, or count by most probable number."
        if first <= (1 if basis == "g" else 0)
        else "Narrow the range by a first plating, or add replicates."
    )
    return [
        f"No set of dilutions reaches the wanted chance; these reach {math.floor(100 * p) / 100:g}."
        f" {remedy}"
    ]


def country_warnings(country: str | None) -> list[str]:
    """A sentence where the table of cautions has no rows for a country."""
    every = cautions_for(None, "report")
    if not country or cautions_for(country, "report") != every:
        return []
    return [
        f"No rules of {country!r} stand in the table of cautions; the sheet has the general ones. "
        "Check how the country is written."
    ]


def sheet_cautions(basis: Basis, country: str | None) -> list[str]:
    """The cautions of a bench sheet, each as its table words it.

    Parameters
    ----------
    basis : {"mL", "g", "seed"}
        Treated seed has cautions of its own.
    country : str or None
        Where the bench stands.
    """
    every = cautions_for(country or "general", "bench")
    return [c.sentence for c in every if basis == "seed" or c.id not in OF_SEED]

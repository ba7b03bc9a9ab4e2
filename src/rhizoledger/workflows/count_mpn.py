"""Most probable numbers: a design, a file of tubes, or a whole table; JSON-ready answers out."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from rhizoledger.counts.mpn import LEAST, MOST, MOST_TUBES, Interval, MpnCount, count_mpn
from rhizoledger.counts.mpn_category import less_likely, published_category
from rhizoledger.counts.mpn_table import mpn_table, table_alpha
from rhizoledger.errors import InputError, Problem
from rhizoledger.season.one_table import read_table
from rhizoledger.workflows.tubes import COLUMNS, read_tubes

Named = Literal["jarvis", "lr", "exact"]
Bias = Literal["none", "salama"]

NUMBER = re.compile(r"\+?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
WHOLE = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)
"""No leading zeros: 1,000 is a thousand with its separator, not one tube and none."""

DESIGN = "Write amount:tubes for each amount, such as 0.1:3,0.01:3,1e-3:3."
POSITIVE = "Write whole numbers such as 3,1,0."
SAMPLES = (1, 2, 3, 5, 10)
"""Samples counted together, as the printed table has its categories."""
EVERY = 100
"""Items between two words on how far the work is."""


def mpn_from_design(
    design: str,
    positive: str,
    *,
    interval: Named = "jarvis",
    bias: Bias = "none",
    level: float = 0.95,
    bound_alpha: float | None = None,
) -> dict[str, Any]:
    """One most probable number from a design and its positive tubes.

    Parameters
    ----------
    design : str
        Amounts and tubes, such as ``"0.1:3,0.01:3,1e-3:3"``.
    positive : str
        Positive tubes for each amount, such as ``"3,1,0"`` or ``"3-1-0"``.
    interval : {"jarvis", "lr", "exact"}
        Interval by name; exact for one amount only.
    bias : {"none", "salama"}
        Whether the density less its bias is given too.
    level : float
        Coverage of the interval.
    bound_alpha : float, optional
        α of the bound where all tubes are negative or positive, as ``count_mpn`` takes it.

    Returns
    -------
    dict
        ``mpn``, ``low``, ``high`` and so on, as the command prints with ``--json``.

    Raises
    ------
    InputError
        If a number is not possible; the error names the option and the place.

    Examples
    --------
    >>> found = mpn_from_design("1:10", "5")
    >>> round(found["mpn"], 6), found["status"]
    (0.693147, 'interior')
    """
    amounts, tubes = read_design(design)
    code = _read_positive(positive, amounts, tubes)
    count = _counted(amounts, tubes, code, interval, level, bound_alpha)
    return _as_dict(count, interval, bias, level, bound_alpha)


def mpn_file(
    path: Path,
    *,
    interval: Named = "jarvis",
    bias: Bias = "none",
    level: float = 0.95,
    bound_alpha: float | None = None,
    told: Callable[[str, int, int], None] | None = None,
) -> dict[str, Any]:
    """Every count of a file: a row for each amount of each item.

    Parameters
    ----------
    path : Path
        CSV with ``amount``, ``tubes``, ``positive``; ``item`` where there are several;
        ``sampled_at``, ``basis`` (g, mL or seed) and ``control_positive`` if known.
    interval, bias, level, bound_alpha
        As for :func:`mpn_from_design`.
    told : callable or None
        Told ``("items", done, of)`` now and then.

    Returns
    -------
    dict
        ``results``, each as :func:`mpn_from_design` gives it, with ``item``, ``sampled_at`` and
        ``basis`` where the file has them, one for each item and sampling; and ``warnings``.

    Raises
    ------
    InputError
        With every cell that cannot be used.
    """
    results = []
    table = read_table(path)
    designs = read_tubes(table)
    # Files of many items hold few patterns: each is counted once.
    seen: dict[tuple[tuple[float, int, int], ...], dict[str, Any]] = {}
    for done, ((item, at), tubes) in enumerate(designs.items()):
        pattern = tuple(tubes.rows)
        try:
            if pattern not in seen:
                amounts, ns, code = (list(column) for column in zip(*pattern, strict=True))
                count = _counted(amounts, ns, code, interval, level, bound_alpha)
                seen[pattern] = _as_dict(count, interval, bias, level, bound_alpha)
        except InputError as error:
            named = ", ".join(part for part in (path.name, item, at) if part)
            raise InputError(f"{named}: {error}") from error
        names = {"item": item, "sampled_at": at, "basis": tubes.basis}
        found: dict[str, Any] = {name: text for name, text in names.items() if text}
        found |= seen[pattern]
        found["warnings"] = [*found["warnings"], *tubes.warnings()]
        results.append(found)
        if told is not None and done % EVERY == 0:
            told("items", done, len(designs))
    return {"results": results, "warnings": list(table.unused(COLUMNS))}


def mpn_table_of(
    design: str,
    *,
    min_rarity: float = 0.05,
    interval: Named = "jarvis",
    level: float = 0.95,
) -> dict[str, Any]:
    """A table of a design: every code whose rarity index is not below ``min_rarity``.

    Returns
    -------
    dict
        ``results`` (rows in the order of the codes), ``amounts``, ``tubes``, ``codes`` (how many
        the design has), ``min_rarity``, ``interval_method``, ``level``, ``alpha``.

    Examples
    --------
    >>> [row["code"] for row in mpn_table_of("1:2")["results"]]
    ['0', '1', '2']
    """
    amounts, tubes = read_design(design)
    try:
        rows = mpn_table(
            amounts, tubes, min_rarity=min_rarity, interval=_method(interval), level=level
        )
    except InputError as error:
        raise InputError(f"--design: {error}") from error
    alpha = round(table_alpha(level, _method(interval)), 12)
    return {
        "amounts": amounts,
        "tubes": tubes,
        "codes": math.prod(n + 1 for n in tubes),
        "min_rarity": min_rarity,
        "interval_method": interval,
        "level": level,
        "alpha": alpha,
        "results": [
            {
                "code": "-".join(map(str, row.positive)),
                "positive": list(row.positive),
                "mpn": row.mpn,
                "low": row.low,
                "high": row.high,
                "log10_se": row.log10_se,
                "rarity_index": row.rarity_index,
                "rarity_category": row.category,
                "status": row.status,
            }
            for row in rows
        ],
    }


def read_design(text: str) -> tuple[list[float], list[int]]:
    """Amounts and tubes of a design as it is written on a command line.

    Raises
    ------
    InputError
        If a part is not an amount and a number of tubes; the error names its place.

    Examples
    --------
    >>> read_design("0.1:3, 1e-2:5")
    ([0.1, 0.01], [3, 5])
    """
    amounts, tubes = [], []
    for i, part in enumerate(text.split(","), start=1):
        amount, colon, number = (piece.strip() for piece in part.partition(":"))
        if not colon or ":" in number:
            what = "This is not an amount and its tubes." if part.strip() else "This part is empty."
            raise InputError(_at("--design", i, part.strip(), what, DESIGN))
        if not NUMBER.fullmatch(amount):
            what = "The amount is not a number above zero."
            raise InputError(_at("--design", i, part.strip(), what, DESIGN))
        if not LEAST <= float(amount) <= MOST:
            what = f"The amount is not between {LEAST:g} and {MOST:g}."
            remedy = "Write the undiluted sample that went into each tube."
            raise InputError(_at("--design", i, part.strip(), what, remedy))
        if not WHOLE.fullmatch(number):
            what = "Tubes are counted whole."
            raise InputError(_at("--design", i, part.strip(), what, DESIGN))
        if not 1 <= int(number) <= MOST_TUBES:
            what = "There are no tubes." if int(number) == 0 else "There are too many tubes."
            raise InputError(_at("--design", i, part.strip(), what, "Correct it or leave it out."))
        amounts.append(float(amount))
        tubes.append(int(number))
    return amounts, tubes


def _read_positive(text: str, amounts: list[float], tubes: list[int]) -> list[int]:
    parts = text.split(",") if "," in text else re.split(r"[-\s]+", text.strip())
    code = []
    for i, part in enumerate((piece.strip() for piece in parts), start=1):
        if not WHOLE.fullmatch(part):
            what = "The number is missing." if not part else "Positive tubes are counted whole."
            raise InputError(_at("--positive", i, part, what, POSITIVE))
        code.append(int(part))
    if len(code) != len(tubes):
        raise InputError(
            f"Numbers in --positive: {len(code)}; amounts in --design: {len(tubes)}. "
            "Give one number for each amount, 0 where no tube is positive."
        )
    for i, (z, n, x) in enumerate(zip(amounts, tubes, code, strict=True), start=1):
        if x > n:
            what = f"{x} of {n} tubes of {z:g} are positive; that cannot be."
            raise InputError(
                _at("--positive", i, str(x), what, "Check --positive against --design.")
            )
    return code


def _at(option: str, i: int, value: str, what: str, remedy: str) -> list[Problem]:
    return [Problem(f"{option}, number {i}", None, None, value, what, remedy)]


def _method(interval: Named) -> Interval:
    return "likelihood" if interval == "lr" else interval


def _counted(
    amounts: list[float],
    tubes: list[int],
    code: list[int],
    interval: Named,
    level: float,
    bound_alpha: float | None,
) -> MpnCount:
    if interval == "exact" and len(set(amounts)) > 1:
        raise InputError(
            "--interval exact is for one amount: it is the interval of one share of positive "
            f"tubes, and this design has {len(set(amounts))} amounts. Take --interval lr or jarvis."
        )
    return count_mpn(
        amounts, tubes, code, level=level, interval=_method(interval), bound_alpha=bound_alpha
    )


def _as_dict(
    count: MpnCount, interval: Named, bias: Bias, level: float, bound_alpha: float | None
) -> dict[str, Any]:
    e = count.estimate.to_dict()
    edge = count.status != "interior"
    warnings = list(count.warnings)
    if not edge and (e["high"] is None or e["low"] == 0):
        warnings.append("These tubes say hardly anything: the limits run out of numbers.")
    if bias == "salama" and edge:
        warnings.append("There is a bound and no number, so no bias to take off.")
    adjusted = count.bias_adjusted() if bias == "salama" else None
    if bias == "salama" and not edge and adjusted is None:
        warnings.append(
            "The correction for bias is larger than the number itself, so it is useless here and "
            "none is given. Read the limits instead."
        )
    elif adjusted is not None and e["low"] is not None and adjusted < e["low"]:
        warnings.append(
            "Less its bias the number lies below its own interval: with so few tubes the "
            "correction is no approximation. Read the limits instead."
        )
    chance = less_likely(count)
    alpha = 1 - count.estimate.level if edge and count.estimate.level is not None else None
    return {
        "mpn": e["value"],
        "low": e["low"],
        "high": e["high"],
        "level": level,
        "interval_method": interval,
        "log10_se": count.log10_se,
        "rarity_index": count.rarity_index,
        "rarity_category": count.category,
        "category_by_samples": (
            None if chance is None else {str(m): published_category(chance, m) for m in SAMPLES}
        ),
        "bias_adjusted": adjusted,
        "status": count.status,
        "alpha": None if alpha is None else round(alpha, 12),
        "amounts": list(count.amounts),
        "tubes": list(count.tubes),
        "positive": list(count.positives),
        "warnings": warnings,
    }

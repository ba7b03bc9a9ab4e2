"""Viable density from plate counts by maximum likelihood (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from numpy.typing import ArrayLike

from rhizoledger.counts.plates.dispersion import Dispersion, dispersion
from rhizoledger.counts.plates.likelihood import (
    FloatArray,
    PlateLikelihood,
    chances_of_tntc,
    check_tntc,
    information,
    lower_bound,
    negative_binomial_limits,
    poisson_ratio_limits,
    with_tntc,
)
from rhizoledger.counts.plates.readings import PlateReading, read_plates
from rhizoledger.counts.plates.rules import PlateReport, Rule, report_readings
from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.stats.poisson import checked_level, poisson_limits

IntervalMethod = Literal[
    "exact_poisson", "likelihood_ratio", "negative_binomial", "upper_bound", "lower_bound"
]

TNTC_LIMIT = 250.0  # exact: upper end of the 25-250 convention; the caller may say another
UNLIKELY_P = 1e-3  # numeric: a TNTC plate less likely than this is worth a second look

SPOKEN: dict[IntervalMethod, str] = {
    "exact_poisson": "exact Poisson interval",
    "likelihood_ratio": "likelihood-ratio interval",
    "negative_binomial": "negative binomial interval by profile, never narrower than Poisson",
}


@dataclass(frozen=True, slots=True)
class PlateCount:
    """A density from plates.

    Parameters
    ----------
    estimate : Estimate
        Per mL (or whatever ``unit`` says) of undiluted sample, linear. By plate count: not every
        such cell nodulates, and not every nodulating cell forms a colony (§1.6).
    interval_method : str
        How the interval was made, in a word.
    nb_value : float or None
        Maximum of the negative binomial likelihood, where the interval is made from it; the
        ``estimate`` stays the Poisson maximum.
    colonies : int
        Colonies on all counted plates.
    plated_ml : float
        Undiluted sample on all counted plates [mL].
    n_plates : int
        Counted plates, drops of one plate together (TNTC plates are used but not in this number).
    scatter : Dispersion
        G², index of dispersion, and the k of a negative binomial where the plates disagree.
    report : PlateReport
        The result by the named reporting rule.
    warnings : tuple of str
        What a reader must know.
    likelihood : PlateLikelihood
        For re-weighting.
    """

    estimate: Estimate
    interval_method: IntervalMethod
    nb_value: float | None
    colonies: int
    plated_ml: float
    n_plates: int
    scatter: Dispersion
    report: PlateReport
    warnings: tuple[str, ...]
    likelihood: PlateLikelihood

    @property
    def n_tntc(self) -> int:
        """Readings called TNTC that were used."""
        return len(self.likelihood.at_least)

    @property
    def reported(self) -> str:
        """The line that the reporting rule prints."""
        return self.report.text

    @property
    def g2(self) -> float:
        """Likelihood-ratio statistic of the counted plates' agreement."""
        return self.scatter.g2

    @property
    def df(self) -> int:
        """Its degrees of freedom."""
        return self.scatter.df

    @property
    def p(self) -> float:
        """Its upper χ² tail."""
        return self.scatter.p

    def log_likelihood(self, density: ArrayLike) -> FloatArray:
        """Log likelihood of densities in the estimate's unit, up to a constant."""
        return self.likelihood.log_likelihood(density)


def count_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    *,
    tntc_limit: float | Sequence[float] = TNTC_LIMIT,
    tntc_at_least: bool = False,
    level: float = 0.90,  # exact: the level of plan.json
    unit: str = "CFU/mL",
    rule: Rule = "bam",
    bound_alpha: float | None = None,
    poisson_only: bool = False,
    drops: float | Sequence[float] = 1,
    spreader_share: float | Sequence[float] = 0.0,
    plate_cm2: float | Sequence[float | None] | None = None,
    plate: Sequence[str | None] | None = None,
) -> PlateCount:
    """Density of the undiluted sample from every usable plate, by maximum likelihood.

    Parameters
    ----------
    colonies : sequence of int, "TNTC", "SPR" or "LA", shape (n,)
        One reading per plate. Spreaders and accidents are left out and named.
    volume_ml, dilution : float or sequence, shape (n,)
        Volume plated > 0 [mL] (of one drop, where ``drops`` is given) and dilution as a fraction in
        (0, 1].
    tntc_limit : float or sequence
        Count that TNTC stands for.
    tntc_at_least : bool
        Whether TNTC means at least the limit (C ≥ L) rather than above it (C > L).
    level : float
        Confidence level in (0, 1).
    unit : str
        Unit of the result.
    rule : {"bam", "iso7218"}
        Reporting rule for ``report``.
    bound_alpha : float, optional
        α of the one-sided bound where there is no colony, or nothing countable; 1 - ``level`` if
        not given.
    poisson_only : bool
        Keep the Poisson interval even where the plates disagree, as published tables do.
    drops : float or sequence
        Drops that each reading was counted on, in all.
    spreader_share : float or sequence
        Share of the plate under spreaders and the growth they repress. Up to a quarter the colonies
        are those of the free part, and count for it; above, the plate is SPR.
    plate_cm2 : float or sequence, optional
        Area of each plate [cm²], for the reporting rule's case of crowded plates.
    plate : sequence, optional
        Names of plates; readings of one name and dilution are drops of one plate.

    Returns
    -------
    PlateCount
        With no colony at all, an upper bound (status ``at_limit``); with TNTC plates only, a lower
        bound and no value.

    Raises
    ------
    InputError
        If no plate can be used, or a number is not possible.
    TntcContradiction
        If a TNTC plate has a probability below one in a million at the counted plates' estimate.

    Notes
    -----
    §1.1. λ = Σc / Σ(v·d) without TNTC, else the root of Σc/λ - Σ(v·d) + Σ ∂ln P(C ≥ k)/∂λ.
    Interval: exact Poisson; likelihood ratio with TNTC; where the counted plates disagree (p of
    G² < 0.05), negative binomial by profile and never narrower than Poisson. Plates of one wash
    say nothing about the spread between samples (§1.2).

    References
    ----------
    Haas & Heller, Water Research 22 (1988) 375-381, for TNTC.

    Examples
    --------
    537 colonies on 2.2 mL of a hundredfold dilution:

    >>> result = count_plates([232, 244, 33, 28], 1.0, [0.01, 0.01, 0.001, 0.001])
    >>> round(result.estimate.value), result.reported
    (24409, '24,000 CFU/mL')
    """
    checked_level(level)
    plates = read_plates(
        colonies, volume_ml, dilution, tntc_limit,
        drops=drops, spreader_share=spreader_share, plate_cm2=plate_cm2, plate=plate,
    )  # fmt: skip
    counted = [p for p in plates if not isinstance(p.colonies, str)]
    over = [p for p in plates if p.colonies == "TNTC"]
    if not counted and not over:
        raise InputError("None of the plates can be used. Plate the sample again.")
    data = PlateLikelihood(
        tuple(int(p.colonies) for p in counted if not isinstance(p.colonies, str)),
        tuple(p.portion_ml for p in counted),
        tuple(
            math.ceil(p.tntc_limit) if tntc_at_least else math.floor(p.tntc_limit) + 1 for p in over
        ),
        tuple(p.portion_ml for p in over),
    )
    scatter = dispersion(data.counts, data.portions_ml)
    data = replace(data, uneven=scatter.uneven and not poisson_only)
    chances = chances_of_tntc(data, scatter) if counted and over else ()
    if chances:
        check_tntc(chances)
    alpha = 1 - level if bound_alpha is None else 1 - checked_level(1 - bound_alpha)
    tntc = f", TNTC taken as {'≥' if tntc_at_least else '>'} {_limits(over)}" if over else ""
    estimate, method, nb_value = _estimate(data, level, alpha, unit, tntc)
    report = report_readings(plates, rule, unit)
    return PlateCount(
        estimate=estimate,
        interval_method=method,
        nb_value=nb_value,
        colonies=sum(data.counts),
        plated_ml=math.fsum(data.portions_ml),
        n_plates=_number_of(counted),
        scatter=scatter,
        report=report,
        warnings=(
            *_scatter_warning(scatter, data.uneven),
            *_plate_warnings(plates),
            *_tntc_warning(chances),
        ),
        likelihood=data,
    )


def _number_of(plates: Sequence[PlateReading]) -> int:
    named = {(p.plate, p.whole_ml) for p in plates if p.plate is not None}
    return len(named) + sum(p.plate is None for p in plates)


def _limits(over: Sequence[PlateReading]) -> str:
    return ", ".join(f"{limit:g}" for limit in sorted({p.tntc_limit for p in over}))


def _estimate(
    data: PlateLikelihood, level: float, alpha: float, unit: str, tntc: str
) -> tuple[Estimate, IntervalMethod, float | None]:
    n = len(data.counts) + len(data.at_least)
    total, plated_ml = sum(data.counts), math.fsum(data.portions_ml)
    if total == 0 and not (data.counts and data.at_least):
        bound: IntervalMethod = "upper_bound" if data.counts else "lower_bound"
        upper = bound == "upper_bound"
        what = "no colonies: one-sided upper" if upper else "nothing countable: one-sided lower"
        return (
            Estimate(
                value=0.0 if upper else None,
                low=0.0 if upper else lower_bound(data, alpha),
                high=-math.log(alpha) / plated_ml if upper else None,
                unit=unit,
                level=1 - alpha,
                kind="confidence",
                n=n,
                method=f"{what} bound, alpha = {alpha:.3g}{tntc}",
                status="at_limit",
            ),
            bound,
            None,
        )
    method: IntervalMethod
    if data.at_least:
        value = with_tntc(data)
        low, high = poisson_ratio_limits(data, value, level)
        method = "likelihood_ratio"
    else:
        value = total / plated_ml
        low, high = (limit / plated_ml for limit in poisson_limits(total, level))
        method = "exact_poisson"
    nb_value = None
    if data.uneven:
        nb_value, nb_low, nb_high = negative_binomial_limits(data, value, level)
        low, high = min(low, nb_low), max(high, nb_high)
        method = "negative_binomial"
    return (
        Estimate(
            value=value,
            low=low,
            high=high,
            unit=unit,
            level=level,
            kind="confidence",
            # A Poisson standard error beside a widened interval would contradict it.
            se=None if data.uneven else 1 / math.sqrt(information(data, value)),
            n=n,
            method=(
                f"{'Poisson ' if data.uneven else ''}maximum likelihood over {n} "
                f"plate{'s' if n > 1 else ''}, {SPOKEN[method]}{tntc}"
            ),
        ),
        method,
        nb_value,
    )


def _scatter_warning(scatter: Dispersion, widened: bool) -> tuple[str, ...]:
    if not scatter.uneven:
        return ()
    return (
        "The plates disagree more than chance allows "
        f"(G² = {scatter.g2:.3g}, p = {scatter.p:.2g})"
        f"{': the interval is widened' if widened else ''}. "
        "Look for a clump, a missed dilution or a mislabelled plate.",
    )


def _plate_warnings(plates: Sequence[PlateReading]) -> tuple[str, ...]:
    out = []
    left_out = [str(p.colonies) for p in plates if p.colonies in ("SPR", "LA")]
    if left_out:
        out.append(f"Left out: {', '.join(left_out)}.")
    if any(p.overgrown for p in plates):
        out.append("A plate of which spreaders cover more than a quarter is taken as SPR.")
    if any(p.spreader_share > 0 for p in plates):
        out.append("Counts beside a spreader stand for the part of the plate that it left free.")
    crowded = [p for p in plates if not isinstance(p.colonies, str) and p.colonies > p.tntc_limit]
    if crowded:
        out.append(
            f"Counts above the limit of {_limits(crowded)} are used as written; "
            "crowded plates are often undercounted."
        )
    return tuple(out)


def _tntc_warning(chances: Sequence[float]) -> tuple[str, ...]:
    if not chances or min(chances) >= UNLIKELY_P:
        return ()
    return (
        f"A plate called TNTC is hardly to be expected beside the counted plates (p = "
        f"{min(chances):.1g}). Check its dilution, volume and TNTC limit.",
    )

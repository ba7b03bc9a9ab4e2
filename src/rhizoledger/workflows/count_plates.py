"""Plate counts: a file of plates in, a count for each item with its limits out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rhizoledger.counts.plates import (
    Dispersion,
    PlateCount,
    TntcContradiction,
    detection_limits,
)
from rhizoledger.counts.plates.detection import LEAST_TOTAL
from rhizoledger.counts.plates.dispersion import pooled
from rhizoledger.counts.plates.rules import Rule, iso7218_limits
from rhizoledger.counts.recovery import (
    Recovery,
    corrected,
    given_recovery,
    recovery_from_control,
)
from rhizoledger.counts.samples import OverSamples, over_samples
from rhizoledger.errors import InputError, Problem, RhizoledgerError
from rhizoledger.estimate import Estimate
from rhizoledger.evidence import Parameter, load_evidence
from rhizoledger.season.rows import Row
from rhizoledger.stats.poisson import checked_level
from rhizoledger.workflows.plate_file import PlateSet, count_rows, read_plate_file, values

SPOKEN = {2: "Two", 3: "Three", 4: "Four"}
BETWEEN = "count.between_sample_sd_log10"


@dataclass(frozen=True, slots=True)
class How:
    """How plates are to be counted.

    Parameters
    ----------
    rule, tntc_limit, tntc_at_least, level
        As for ``count_plates``.
    plate_cm2 : float or None
        Area of a plate where the file does not say [cm²].
    between_sd : float or None
        Standard deviation between samples from the laboratory's own work [log10].
    """

    rule: Rule = "bam"
    tntc_limit: float = 250.0
    tntc_at_least: bool = False
    level: float = 0.95
    plate_cm2: float | None = None
    between_sd: float | None = None


@dataclass(frozen=True, slots=True)
class CountedSample:
    """One sample, counted in the item's basis.

    Parameters
    ----------
    name : str
    count : PlateCount or None
        None where every plate is a spreader or an accident.
    word : str
        SPR or LA then, else empty.
    for_mean : Estimate or None
        As the mean over samples takes it: a bound with half of α.
    portions : tuple of float
        Undiluted sample on each counted row, in the basis.
    """

    name: str
    count: PlateCount | None
    word: str = ""
    for_mean: Estimate | None = None
    portions: tuple[float, ...] = ()


def plates_file(
    path: Path, how: How | None = None, *, told: Callable[[str, int, int], None] | None = None
) -> dict[str, Any]:
    """Count every item of a file of plates.

    Parameters
    ----------
    path : Path
        CSV as :func:`rhizoledger.workflows.plate_file.read_plate_file` reads it.
    how : How, optional
    told : callable or None
        Told ``("samples", done, of)`` after each item.

    Returns
    -------
    dict
        ``results`` (one for each item, basis, time of sampling and kind of colonies), ``file``,
        ``level``, ``warnings``; JSON-ready.

    Raises
    ------
    InputError
        With every cell that cannot be used, or the plate that contradicts the others.
    """
    how = how or How()
    checked_level(how.level)
    sets, said = read_plate_file(path)
    evidence = load_evidence()[BETWEEN]
    of = sum(len(plates.samples) for plates in sets)
    counted: list[tuple[CountedSample, ...]] = []
    for plates in sets:
        counted.append(_counted(path.name, plates, how))
        if told is not None:
            told("samples", sum(map(len, counted)), of)
    means = [_over(samples, how, evidence) for samples in counted]
    recoveries = _recoveries(path.name, sets, counted, means)
    return {
        "file": path.name,
        "level": how.level,
        "results": [
            _result(plates, samples, mean, recoveries.get(plates.item), how)
            for plates, samples, mean in zip(sets, counted, means, strict=True)
        ],
        "warnings": list(said),
    }


def _counted(file: str, plates: PlateSet, how: How) -> tuple[CountedSample, ...]:
    return tuple(_sample(file, plates, name, rows, how) for name, rows in plates.samples.items())


def _sample(file: str, plates: PlateSet, name: str, rows: list[Row], how: How) -> CountedSample:
    def count(bound_alpha: float | None = None) -> PlateCount:
        return count_rows(
            plates,
            rows,
            tntc_limit=how.tntc_limit,
            tntc_at_least=how.tntc_at_least,
            level=how.level,
            bound_alpha=bound_alpha,
            rule=how.rule,
            plate_cm2=how.plate_cm2,
        )

    words = set(values(rows, "colonies"))
    if words <= {"SPR", "LA"}:
        return CountedSample(name, None, "SPR" if "SPR" in words else "LA")
    try:
        found = count()
        bound = found.estimate.status == "at_limit"
        for_mean = count((1 - how.level) / 2).estimate if bound else found.estimate
    except TntcContradiction as error:
        row = [row for row in rows if row.values["colonies"] == "TNTC"][error.place]
        raise InputError([Problem(file, row.number, "colonies", "TNTC", str(error), "")]) from error
    except RhizoledgerError as error:
        what = f"The plates of {plates.item}, sample {name}, cannot be counted. {error}"
        raise InputError([Problem(file, rows[0].number, None, None, what, "")]) from error
    return CountedSample(name, found, "", for_mean, found.likelihood.portions_ml)


def _over(samples: tuple[CountedSample, ...], how: How, evidence: Parameter) -> OverSamples | None:
    usable = [s.for_mean for s in samples if s.for_mean is not None]
    if not usable:
        return None
    taken = evidence.high or evidence.number()
    return over_samples(usable, how.level, evidence_sd=taken, between_sd=how.between_sd)


def _estimate(
    plates: PlateSet, samples: tuple[CountedSample, ...], mean: OverSamples | None
) -> Estimate:
    """By plates for one sample; over samples for several."""
    counts = [s.count for s in samples if s.count is not None]
    if mean is None:
        return Estimate.not_known(f"CFU/{plates.basis}", "no plate could be counted")
    return counts[0].estimate if len(counts) == 1 else mean.estimate


def _recoveries(
    file: str,
    sets: tuple[PlateSet, ...],
    counted: list[tuple[CountedSample, ...]],
    means: list[OverSamples | None],
) -> dict[str, Recovery]:
    """Recovery of each item that has one, its own for a zero-time control."""
    controls: dict[str, Recovery] = {}
    for plates, samples, mean in zip(sets, counted, means, strict=True):
        applied = plates.first["applied_per_seed"]
        if applied is None:
            continue
        row = next(iter(plates.samples.values()))[0].number
        try:
            if plates.item in controls:
                raise InputError("A zero-time control is one item, sampled once.")
            controls[plates.item] = recovery_from_control(_estimate(plates, samples, mean), applied)
        except InputError as error:
            problem = Problem(file, row, "applied_per_seed", f"{applied:g}", str(error), "")
            raise InputError([problem]) from error
    out = dict(controls)
    for plates in sets:
        share, name = plates.first["recovery"], plates.first["recovery_from"]
        if share is not None:
            out[plates.item] = given_recovery(share)
        elif name is not None:
            out[plates.item] = controls[name]
    return out


def _result(
    plates: PlateSet,
    samples: tuple[CountedSample, ...],
    mean: OverSamples | None,
    recovery: Recovery | None,
    how: How,
) -> dict[str, Any]:
    estimate = _estimate(plates, samples, mean)
    counted = [s for s in samples if s.count is not None]
    counts = [s.count for s in counted if s.count is not None]
    one = len(samples) == 1
    control = plates.first["applied_per_seed"] is not None
    out: dict[str, Any] = {
        "item": plates.item,
        "basis": plates.basis,
        "sampled_at": plates.sampled_at or None,
        "colonies_are": plates.colonies_are,
        "estimate": estimate.to_dict(),
        "reported": "; ".join(
            _reported(s) if one else f"{s.name}: {_reported(s)}" for s in samples
        ),
        "rule": how.rule,
        "interval_method": _method(counts, mean),
        "nb_estimate": counts[0].nb_value if len(counts) == 1 else None,
        "tntc_convention": "C >= limit" if how.tntc_at_least else "C > limit",
        "n_plates": sum(c.n_plates for c in counts),
        "n_tntc": sum(c.n_tntc for c in counts),
        "n_samples": len(counted),
        "colonies": sum(c.colonies for c in counts),
        "dispersion": _dispersion(pooled(c.scatter for c in counts)),
        "detection": _detection([w for s in counted for w in s.portions], how),
        "interval_covers": "plates" if len(counts) < 2 else "samples",
        "between_samples": None if mean is None else _between(mean),
        "recovery": None if recovery is None else asdict(recovery) | {"held": recovery.held},
        "recovered": estimate.to_dict() if plates.basis == "seed" else None,
        "corrected": (
            None if recovery is None or control else corrected(estimate, recovery).to_dict()
        ),
        "zero_time_control": control,
        "only_lowers": plates.only_lowers,
        "status": estimate.status,
        "samples": [] if one else [_one_sample(s, how) for s in samples],
        "warnings": [*_agree_by_luck(mean), *_warnings(plates, samples, recovery)],
    }
    if how.rule == "iso7218" and one and counts and counts[0].interval_method == "exact_poisson":
        low, high = iso7218_limits(counts[0].colonies, counts[0].plated_ml)
        out["rule_interval"] = {"low": low, "high": high, "level": 0.95}
    return out


def _reported(sample: CountedSample) -> str:
    return sample.word if sample.count is None else sample.count.reported


def _method(counts: list[PlateCount], mean: OverSamples | None) -> str | None:
    if mean is None:
        return None
    if len(counts) == 1:
        return counts[0].interval_method
    if mean.estimate.status == "at_limit":
        return "widest_of_samples"
    if mean.by_plates:
        return "plates_over_samples"
    return "t_over_samples" if mean.spread == "estimated" else "normal_over_samples"


def _agree_by_luck(mean: OverSamples | None) -> list[str]:
    """What samples that agree more closely than their plates can tell do not show."""
    if mean is None or not mean.by_plates:
        return []
    return [
        f"{SPOKEN.get(mean.estimate.n or 0, 'A few')} samples that agree so closely cannot show "
        "the spread between samples to be zero: the next may differ by more. A spread from your "
        "own work (--between-sd) would be put in."
    ]


def _one_sample(sample: CountedSample, how: How) -> dict[str, Any]:
    if sample.count is None:
        return {"sample": sample.name, "estimate": None, "reported": sample.word}
    count = sample.count
    return {
        "sample": sample.name,
        "estimate": count.estimate.to_dict(),
        "reported": count.reported,
        "interval_method": count.interval_method,
        "nb_estimate": count.nb_value,
        "n_plates": count.n_plates,
        "n_tntc": count.n_tntc,
        "colonies": count.colonies,
        "dispersion": _dispersion(count.scatter),
        "detection": _detection(list(sample.portions), how),
        "status": count.estimate.status,
        "warnings": list(count.warnings),
    }


def _dispersion(scatter: Dispersion) -> dict[str, Any]:
    return {
        "g2": scatter.g2,
        "df": scatter.df,
        "p": scatter.p,
        "nb_k": scatter.nb_k,
        "chi2": scatter.chi2,
        "index_of_dispersion": scatter.index,
    }


def _detection(portions: list[float], how: How) -> dict[str, float] | None:
    if not portions:
        return None
    return asdict(detection_limits(portions, round(1 - how.level, 12)))


def _between(mean: OverSamples) -> dict[str, Any]:
    return {
        "sd_log10": mean.sd_log10,
        "taken_sd_log10": mean.taken_sd_log10,
        "spread": mean.spread,
        "by_plates": mean.by_plates,
        "estimate": mean.estimate.to_dict(),
    }


def _warnings(
    plates: PlateSet, samples: tuple[CountedSample, ...], recovery: Recovery | None
) -> list[str]:
    said = []
    several = len(samples) > 1
    for s in samples:
        lead = f"Sample {s.name}: " if several else ""
        if s.count is None:
            said.append(f"{lead}No plate could be counted ({s.word}). Plate it again.")
            continue
        said += [f"{lead}{w}" for w in (*s.count.warnings, *s.count.report.warnings)]
        if 0 < s.count.colonies < LEAST_TOTAL and s.count.estimate.status == "ok":
            said.append(f"{lead}Fewer than ten colonies in all: detected, hardly quantified.")
    if plates.only_lowers:
        said.append(
            "Other bacteria may be among the colonies: this count can only lower a balance, never "
            "raise it (§1.5)."
        )
    media, days = plates.different("medium"), plates.different("day_read")
    if media:
        said.append(f"One sample was plated on several media ({', '.join(media)}), taken together.")
    if days:
        said.append(
            f"Plates of one sample were read on different days ({', '.join(days)}). If these are "
            "the same plates, keep the last reading only."
        )
    if recovery is not None and recovery.held:
        said.append(
            f"The zero-time control gave {recovery.measured:.2g} of what was applied; a recovery "
            "of 1 is used."
        )
    return said

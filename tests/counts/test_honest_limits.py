"""What a count says of its own method: whose maximum, whose limits, and what they cannot show."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rhizoledger.counts.guarantee import Composite, chance_with, lot_limits
from rhizoledger.counts.mpn import count_mpn
from rhizoledger.report.count_guarantee import guarantee_text
from rhizoledger.report.count_plates import plates_text
from rhizoledger.stats.negbin import fit
from rhizoledger.workflows.count_guarantee import guarantee_file
from rhizoledger.workflows.count_mpn import mpn_from_design
from rhizoledger.workflows.count_plates import plates_file

UNEVEN = [("1e-6", 20), ("1e-6", 95), ("1e-6", 44), ("1e-7", 13), ("1e-7", 6), ("1e-7", 1)]


def counted(folder: Path, rows: list[str], head: str = "item,dilution,volume_ml,colonies") -> Path:
    path = folder / "plates.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def one_line(found: dict[str, Any]) -> str:
    return " ".join(plates_text(found).split())


def test_both_maxima_stand_beside_a_negative_binomial_interval(tmp_path: Path) -> None:
    found = plates_file(counted(tmp_path, [f"A,{d},0.1,{c}" for d, c in UNEVEN]))
    (r,) = found["results"]
    assert r["interval_method"] == "negative_binomial"
    portions = [0.1 * float(d) for d, _ in UNEVEN]
    want = fit([c for _, c in UNEVEN], portions).mean
    poisson = sum(c for _, c in UNEVEN) / sum(portions)
    assert r["estimate"]["value"] == pytest.approx(poisson)
    assert r["nb_estimate"] == pytest.approx(want, rel=1e-3)
    assert abs(want / poisson - 1) > 0.05
    text = one_line(found)
    assert "maximum of the Poisson likelihood" in text
    assert "the negative binomial's own maximum is" in text
    assert "counted plates only" not in text
    even = plates_file(counted(tmp_path, ["A,1e-6,0.1,45", "A,1e-6,0.1,52"]))
    assert even["results"][0]["nb_estimate"] is None
    assert "own maximum" not in one_line(even)


def test_k_is_said_to_be_of_the_counted_plates_only(tmp_path: Path) -> None:
    rows = ["A,1e-6,0.1,TNTC", *(f"A,1e-6,0.1,{c}" for c in (180, 240)), "A,1e-7,0.1,40"]
    text = one_line(plates_file(counted(tmp_path, rows)))
    assert "Agreement of counted plates" in text and "of the counted plates only" in text


def test_limits_by_the_plates_are_named_and_luck_is_told(tmp_path: Path) -> None:
    head = "item,sample,dilution,volume_ml,colonies"
    found = plates_file(counted(tmp_path, ["A,a,1e-6,0.1,50", "A,b,1e-6,0.1,50"], head))
    (r,) = found["results"]
    assert r["interval_method"] == "plates_over_samples"
    assert "t interval" not in r["estimate"]["method"]
    assert any(w.startswith("Two samples") and "to be zero" in w for w in r["warnings"])
    text = one_line(found)
    assert "limits of the plates' own" in text and "t interval over samples" not in text
    apart = plates_file(counted(tmp_path, ["A,a,1e-6,0.1,50", "A,b,1e-6,0.1,90"], head))
    assert apart["results"][0]["interval_method"] == "t_over_samples"
    assert not any("to be zero" in w for w in apart["results"][0]["warnings"])
    lot = guarantee_file(counted(tmp_path, ["A,a,1e-6,0.1,50", "A,b,1e-6,0.1,50"], head), 2e8)
    assert "does not show the spread to be zero" in " ".join(guarantee_text(lot).split())


def test_composites_that_would_show_it_come_with_their_chance(tmp_path: Path) -> None:
    head = "item,sample,dilution,volume_ml,colonies"
    path = counted(tmp_path, ["L,a,1e-7,0.1,30", "L,b,1e-7,0.1,36"], head)
    found = guarantee_file(path, 2e9)
    (r,) = found["results"]
    text = " ".join(guarantee_text(found).split())
    assert f"with a chance of {r['composites_needed_chance']:.2f}" in text
    limits = lot_limits(
        [Composite(y, y - 0.1, y + 0.1) for y in (9.35, 9.5, 9.65)], 0.95, evidence_sd=0.25
    )
    want = chance_with(limits, 2e9, 6)
    rng = np.random.default_rng(1)
    y = rng.normal(9.5, 0.15, (40_000, 6))
    low = y.mean(axis=1) - 2.015048 * y.std(axis=1, ddof=1) / np.sqrt(6)
    assert want == pytest.approx(float((low >= np.log10(2e9)).mean()), abs=0.01)


def test_a_correction_larger_than_the_number_is_not_given() -> None:
    assert count_mpn([1, 0.1, 0.01], [1, 1, 1], [1, 0, 0]).bias_adjusted() is None
    found = mpn_from_design("1:1,0.1:1,0.01:1", "1,0,0", bias="salama")
    assert found["bias_adjusted"] is None and found["mpn"] > 0
    assert any("useless here" in w for w in found["warnings"])
    low = mpn_from_design("0.1:3,0.01:1", "3,0", bias="salama")
    assert 0 < low["bias_adjusted"] < low["low"]
    assert any("below its own interval" in w for w in low["warnings"])
    sound = mpn_from_design("1:10,0.1:10,0.01:10", "10,6,1", bias="salama")
    assert not any("bias" in w for w in sound["warnings"])

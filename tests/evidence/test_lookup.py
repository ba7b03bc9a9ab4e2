"""The workflow behind ``evidence list`` and ``evidence show``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rhizoledger.errors import NotFoundError
from rhizoledger.evidence import load_evidence
from rhizoledger.workflows.evidence import list_evidence, show_evidence


def test_the_list_holds_every_row_once_in_order() -> None:
    listed = list_evidence(gaps=False)
    ids = [row["id"] for row in listed["evidence"]]
    assert ids == sorted(load_evidence())
    assert listed["gaps"] == []
    json.dumps(listed, allow_nan=False)


def test_gaps_hold_what_is_weak_and_what_is_missing() -> None:
    listed = list_evidence(gaps=True)
    ids = {row["id"] for row in listed["evidence"]}
    assert "gain.soybean.history.sd_between_fields" in ids
    assert "crop.lentil.lb_per_bu" in ids
    assert "survival.package.liquid_warm.d_days" in ids, "its ends are judged"
    assert "survival.on_seed.soybean.log10_loss_21d" not in ids
    gap_ids = [gap["id"] for gap in listed["gaps"]]
    assert gap_ids == sorted(gap_ids) and "gain.lentil" in gap_ids
    json.dumps(listed, allow_nan=False)


def test_a_row_is_shown_with_its_references_in_full() -> None:
    shown = show_evidence("survival.on_seed.soybean.log10_loss_21d")
    assert (shown["low"], shown["high"]) == (1.14, 2.30)
    assert shown["covers"] == ["recovery", "drying", "on_seed"]
    first = shown["sources"][0]
    assert "Davidson & Reuszer 1978" in first["citation"]
    assert first["locator"].startswith("abstract; doi ")
    assert first["how_known"] == "abstract read; authors from memory"
    assert shown["used_for"].startswith("Ledger:")
    assert shown["replaced_by"] is None
    json.dumps(shown, allow_nan=False)


def test_every_row_can_be_shown() -> None:
    for key in load_evidence():
        shown = show_evidence(key)
        assert shown["id"] == key and shown["sources"]


def test_an_unknown_id_names_the_nearest() -> None:
    with pytest.raises(NotFoundError, match=r"gain\.soybean\.first_time"):
        show_evidence("gain.soybean.first_tim")


def test_a_superseded_row_is_shown_as_it_stood(tmp_path: Path) -> None:
    path = tmp_path / "evidence.toml"
    path.write_text(
        '[[parameter]]\nid = "own.bushel"\nvalue = 56\nunit = "lb/bu"\ndraw = "fixed"\n'
        'grade = "own"\nsources = ["common_practice"]\nconditions = "Invented."\n'
        'how_known = "invented"\nreplaces = "crop.lupin.lb_per_bu"\n',
        encoding="utf-8",
    )
    shown = show_evidence("crop.lupin.lb_per_bu", path)
    assert (shown["value"], shown["replaced_by"]) == (60, "own.bushel")
    own = show_evidence("own.bushel", path)
    assert (own["value"], own["replaces"]) == (56, "crop.lupin.lb_per_bu")
    assert own["used_for"] == show_evidence("crop.lupin.lb_per_bu")["used_for"]
    ids = [row["id"] for row in list_evidence(extra=path)["evidence"]]
    assert "own.bushel" in ids and "crop.lupin.lb_per_bu" not in ids

"""Predictions kept, found again, and held against the counts that came later."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rhizoledger.cli.app import main
from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.plan.predictions import Kept, between, evidence_digest, kept_for, predictions
from rhizoledger.plan.scorecard import FEW, Score, scorecard
from rhizoledger.plan.season_plan import make_context, plan_season
from rhizoledger.plan.seed_book import seed_book
from rhizoledger.records import Plate, Season
from rhizoledger.report.survival_scorecard import scorecard_text
from rhizoledger.stats.proportions import clopper_pearson
from rhizoledger.workflows.kept_predictions import COLUMNS, added, kept_text, read_kept
from rhizoledger.workflows.plan import make_plan
from rhizoledger.workflows.survival_scorecard import as_dict

from .test_reweigh import season
from .test_truth import DRYING_H, SEED, TREATED, Truth, simulate
from .test_truth import plates as counted_plates

DEMO = Path(__file__).parents[2] / "examples" / "demo"
SD = "count.between_sample_sd_log10"
COUNTED = TREATED + timedelta(days=4)
SEASONS = 200


def context_of(s: Season, n: int = 2000, as_of: date | None = None) -> Context:
    return make_context(
        s, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(),
        n_draws=n, as_of=as_of,
    )  # fmt: skip


def seed_plates(
    colonies: tuple[int | str, ...],
    dilution: float = 1e-3,
    at: datetime = COUNTED,
    colonies_are: str | None = "target",
) -> tuple[Plate, ...]:
    return tuple(
        Plate(
            2 + i, "B1", at, "seed", dilution, 0.1, c,  # type: ignore[arg-type]
            None, colonies_are, 100.0, 100.0,  # type: ignore[arg-type]
        )
        for i, c in enumerate(colonies)
    )  # fmt: skip


def with_counts(*groups: tuple[Plate, ...]) -> Season:
    base = season()
    return replace(base, plates=base.plates + tuple(p for g in groups for p in g))


def seed_scores(context: Context, kept: tuple[Kept, ...] = ()) -> list[Score]:
    return [s for s in scorecard(context, kept).scores if s.count.basis == "seed"]


@lru_cache(maxsize=1)
def kept_rows() -> tuple[Kept, ...]:
    """What a plan of the second day expects of the seed."""
    plan = plan_season(
        season(), load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(),
        n_draws=2000, as_of=date(2027, 5, 4),
    )  # fmt: skip
    return predictions(plan)


def kept(day: int, at_day: int, middle: float, p: float | None = 0.5) -> Kept:
    log10 = tuple(middle + d for d in (-0.6, -0.25, 0.0, 0.25, 0.6))
    at = datetime(2027, 5, at_day, tzinfo=UTC)
    return Kept("B1", date(2027, 5, day), at, "ok", log10, p, "0" * 12)


@pytest.mark.parametrize("colonies", [(60, 66, 71), (20, 14, 17), (2, 0, 1), (0, 0, 0)])
def test_the_place_of_a_count_is_the_mid_p_of_poisson_counts(colonies: tuple[int, ...]) -> None:
    """Against colonies simulated from the balance before it: no code of the scorecard."""
    context = context_of(with_counts(seed_plates(colonies)), 4000)
    facts = batch_facts(context.batches["B1"], context)
    before, _ = seed_book(facts, COUNTED - timedelta(seconds=1), context)
    rng = np.random.default_rng(12)
    x = np.repeat(before.worse.values, 25)
    sd = load_evidence()[SD]
    assert sd.low is not None and sd.high is not None
    x = x + rng.uniform(sd.low, sd.high, x.size) * rng.normal(size=x.size)
    total = rng.poisson(10**x * 1e-3 * 0.1 * len(colonies))
    seen = sum(colonies)
    exact = float(np.mean(total < seen) + 0.5 * np.mean(total == seen))
    (score,) = seed_scores(context)
    assert score.pit == pytest.approx(exact, abs=0.012)
    if seen:
        assert score.limits_90 is not None and score.counted_log10 is not None
        low, high = np.quantile(total, [0.05, 0.95]) / (1e-4 * len(colonies))
        if seen > 20:  # of fewer colonies only their place is sharp
            assert score.limits_90[1] == pytest.approx(np.log10(high), abs=0.06)
            assert score.limits_90[0] == pytest.approx(np.log10(low), abs=0.06)
    else:
        assert score.counted_log10 is None and score.error_log10 is None
        assert score.meets is False


def test_inside_the_limits_is_what_its_place_says() -> None:
    for colonies in ((300, 280, 290), (60, 66, 71), (9, 8, 12), (2, 1, 1)):
        (s,) = seed_scores(context_of(with_counts(seed_plates(colonies))))
        assert s.pit is not None
        if abs(abs(s.pit - 0.5) - 0.45) > 0.01:
            assert s.inside_90 == (abs(s.pit - 0.5) < 0.45)
        if abs(abs(s.pit - 0.5) - 0.25) > 0.01:
            assert s.inside_50 == (abs(s.pit - 0.5) < 0.25)


def test_an_earlier_count_is_used_and_the_count_itself_is_not() -> None:
    low = seed_plates((11, 9, 10))
    later = seed_plates((60, 62, 61), at=COUNTED + timedelta(days=1))
    alone = seed_scores(context_of(with_counts(later)))[0]
    first, second = seed_scores(context_of(with_counts(low, later)))
    again = seed_scores(context_of(with_counts(low)))[0]
    assert first.predicted == again.predicted  # nothing of what came later
    assert alone.predicted is not None and second.predicted is not None
    assert alone.predicted.value is not None and second.predicted.value is not None
    assert second.predicted.value < alone.predicted.value - 0.2


def test_each_day_is_kept_up_to_the_last_seed_drop_and_falls() -> None:
    rows = kept_rows()
    drop = TREATED + timedelta(days=8)
    ends = [datetime(2027, 5, d, tzinfo=UTC) for d in range(5, 12)]
    assert [r.at for r in rows] == [*ends, drop]
    assert {r.as_of for r in rows} == {date(2027, 5, 4)}
    assert {r.evidence for r in rows} == {evidence_digest(load_evidence())}
    middles = [r.log10[2] for r in rows]
    assert middles == sorted(middles, reverse=True)
    chances = [r.p_meets for r in rows if r.p_meets is not None]
    assert len(chances) == 8 and chances == sorted(chances, reverse=True)


def test_the_latest_prediction_before_the_day_of_the_count_is_used() -> None:
    rows = (kept(1, 7, 6.0), kept(1, 8, 5.8), kept(4, 7, 5.6, 0.8), kept(4, 8, 5.4, 0.6),
            kept(7, 8, 1.0))  # fmt: skip
    (score,) = seed_scores(context_of(with_counts(seed_plates((60, 66, 71)))), rows)
    assert COUNTED.date() == date(2027, 5, 7)
    assert (score.how, score.as_of) == ("kept", date(2027, 5, 4))
    assert score.predicted is not None and score.p_meets is not None
    share = 8 / 24  # the sample was taken at eight
    assert score.predicted.value == pytest.approx(5.6 - 0.2 * share, abs=1e-3)
    assert score.p_meets == pytest.approx(0.8 - 0.2 * share)


def test_without_a_kept_prediction_it_is_worked_out_again() -> None:
    rows = (kept(4, 9, 5.6), kept(4, 10, 5.5), kept(7, 8, 5.5))
    (score,) = seed_scores(context_of(with_counts(seed_plates((60, 66, 71)))), rows)
    assert score.how == "worked_out" and score.as_of is None


def test_between_two_rows_quantiles_change_evenly() -> None:
    one, two = kept(4, 7, 5.6), kept(4, 8, 5.4)
    found = kept_for((two, one), "B1", datetime(2027, 5, 7, 6, tzinfo=UTC), date(2027, 5, 7))
    assert found == (one, two)
    at = between(one, two, datetime(2027, 5, 7, 6, tzinfo=UTC))
    assert at.log10 == pytest.approx([x - 0.05 for x in one.log10])
    assert kept_for((one, two), "B2", one.at, date(2027, 5, 7)) is None


def test_a_kept_prediction_and_one_worked_out_agree_where_the_facts_do() -> None:
    """The plan of the day before knew the same, but for the readings of that day."""
    s = with_counts(seed_plates((60, 66, 71)))
    plan = plan_season(
        season(), load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(),
        n_draws=2000, as_of=date(2027, 5, 6),
    )  # fmt: skip
    (by_file,) = seed_scores(context_of(s), predictions(plan))
    (again,) = seed_scores(context_of(s))
    assert (by_file.how, again.how) == ("kept", "worked_out")
    assert by_file.pit == pytest.approx(again.pit, abs=0.03)


@pytest.mark.parametrize(
    ("counted", "why"),
    [
        (seed_plates((60, 66), colonies_are=None), "colonies of any kind"),
        (seed_plates(("TNTC", "TNTC")), "more than the count can tell"),
        (seed_plates((60, 66), at=TREATED - timedelta(hours=2)), "before the seed was treated"),
    ],
)
def test_what_cannot_judge_a_prediction_is_listed_and_says_why(
    counted: tuple[Plate, ...], why: str
) -> None:
    card = scorecard(context_of(with_counts(counted)))
    score = next(s for s in card.scores if s.count.basis == "seed")
    assert why in score.not_scored and score.pit is None
    assert card.n == 0 and card.bias is None and card.brier is None


def test_a_guarantee_and_an_unknown_balance_are_not_scored() -> None:
    base = season()
    card = scorecard(context_of(base))
    assert "no number" in card.scores[0].not_scored  # the lot's first count
    sure = replace(
        base.inoculants[0], guaranteed_titre=2e9, titre_unit="CFU/mL", guarantee_holds="to_expiry"
    )
    bound = scorecard(context_of(replace(base, inoculants=(sure,))))
    assert "guarantee" in bound.scores[0].not_scored
    assert bound.scores[0].predicted is not None
    assert bound.scores[0].predicted.status == "at_limit"


def test_the_summary_is_what_the_scores_add_up_to() -> None:
    groups = [
        seed_plates((n, n + 3), at=COUNTED + timedelta(hours=h)) for h, n in enumerate((60, 5, 220))
    ]
    card = scorecard(context_of(with_counts(*groups)))
    scored = [s for s in card.scores if s.pit is not None]
    assert card.n == len(scored) == 3 < FEW and card.too_few
    most = card.shares[1]
    assert most.inside == sum(s.inside_90 is True for s in scored)
    assert (most.low, most.high) == clopper_pearson(most.inside, 3, 0.95)
    errors = [s.error_log10 for s in scored if s.error_log10 is not None]
    assert card.bias is not None and card.bias.value == pytest.approx(np.mean(errors))
    pairs = [(s.p_meets, s.meets) for s in scored]
    assert card.brier == pytest.approx(np.mean([(p - bool(m)) ** 2 for p, m in pairs if p]))
    text = scorecard_text(as_dict(card, context_of(with_counts(*groups)), 0))
    assert "too few to say" in text and "worked out again" in text


def test_kept_rows_are_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "predictions.csv"
    rows = (*kept_rows(), replace(kept(4, 13, 5.0), item='B"2, x', status="not_known", log10=()))
    path.write_text(kept_text(rows), encoding="utf-8", newline="\n")
    back = read_kept(path)
    assert kept_text(back) == kept_text(rows)
    wanted = sorted(rows, key=lambda k: (k.as_of, k.item, k.at))
    assert [(k.item, k.at, k.status) for k in back] == [(k.item, k.at, k.status) for k in wanted]
    assert back[-1].log10 == pytest.approx(wanted[-1].log10, abs=1e-4)
    assert read_kept(tmp_path / "none.csv") == ()


def test_no_plan_touches_what_an_earlier_day_expected() -> None:
    first, second = (kept(4, 7, 5.6),), (kept(5, 7, 5.5),)
    both = added(first, second, date(2027, 5, 5))
    assert both == (*first, *second)
    mended = (kept(5, 7, 1.0),)
    assert added(both, mended, date(2027, 5, 5)) == (*first, *mended)
    assert added(both, (kept(4, 7, 1.0),), date(2027, 5, 4)) == both


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("B1,2027-05-04", "cells where"),
        ("B1,soon,2027-05-07T00:00:00+00:00,ok,1,2,3,4,5,0.5,x", "does not read"),
        ("B1,2027-05-04,2027-05-07T00:00:00+00:00,ok,1,2,9,4,5,0.5,x", "do not fit"),
        ("B1,2027-05-04,2027-05-07T00:00:00+00:00,ok,1,2,nan,4,5,0.5,x", "do not fit"),
        ("B1,2027-05-04,2027-05-07T00:00:00,ok,1,2,3,4,5,0.5,x", "do not fit"),
        ("B1,2027-05-04,2027-05-07T00:00:00+00:00,fine,1,2,3,4,5,0.5,x", "do not fit"),
        ("B1,2027-05-04,2027-05-07T00:00:00+00:00,ok,1,2,3,4,5,1.5,x", "is none"),
    ],
)
def test_a_file_that_was_changed_is_refused_with_its_row(
    tmp_path: Path, line: str, says: str
) -> None:
    path = tmp_path / "predictions.csv"
    path.write_text(",".join(COLUMNS) + "\n" + line + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_kept(path)
    assert says in str(caught.value) and caught.value.problems[0].row == 2
    path.write_text("item,at\n", encoding="utf-8")
    with pytest.raises(InputError, match="columns"):
        read_kept(path)


@pytest.mark.thorough
def test_the_command_scores_a_season_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    for day in ("2027-05-02", "2027-05-12"):
        make_plan(folder, as_of=day)
    rows = "".join(
        f"S01,2027-05-13T10:00,seed,1e-2,0.1,{n},agar,target,100,100,7\n" for n in (60, 66)
    )
    with (folder / "plates.csv").open("a", encoding="utf-8", newline="") as file:
        file.write(rows)
    figure = tmp_path / "scores.svg"
    assert main(["survival", "scorecard", str(folder), "--figure", str(figure)]) == 0
    text = capsys.readouterr().out
    assert "kept by the plan of 2027-05-12" in text and str(figure) in text
    assert "lower bound" in text
    assert "<svg" in figure.read_text(encoding="utf-8")
    assert main(["survival", "scorecard", str(folder), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    last = found["scores"][-1]
    assert last["prediction"] == "kept" and last["as_of"] == "2027-05-12" and last["scored"]
    assert found["summary"]["scored"] == sum(s["scored"] for s in found["scores"])


def with_truth(rng: np.random.Generator) -> tuple[Truth, Season, datetime]:
    """A simulated season with one sample of the seed in the middle of its wait."""
    sd = load_evidence()[SD]
    assert sd.low is not None and sd.high is not None
    while True:
        truth, s = simulate(rng)
        at = TREATED + (truth.planted - TREATED) / 2
        if at > TREATED + timedelta(hours=DRYING_H + 30):
            break
    lot = tuple(p for p in s.plates if p.item == "L1")
    size = float(rng.uniform(sd.low, sd.high))
    return truth, replace(
        s, plates=lot + counted_plates(rng, "B1", at, "seed", truth.balance(at), size)
    ), at  # fmt: skip


@pytest.mark.slow
def test_scored_predictions_cover_as_they_should_when_the_truth_is_simulated() -> None:
    rng = np.random.default_rng(SEED + 1)
    found: dict[str, list[Score]] = {"worked_out": [], "kept": []}
    for _ in range(SEASONS):
        _, s, at = with_truth(rng)
        context = context_of(s)
        found["worked_out"] += seed_scores(context)
        plan = plan_season(
            s, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(),
            n_draws=2000, as_of=(at - timedelta(days=1)).date(),
        )  # fmt: skip
        found["kept"] += seed_scores(context, predictions(plan))
    print()
    for how, scores in found.items():
        assert {x.how for x in scores} == {how} and len(scores) == SEASONS
        pits = np.array([x.pit for x in scores])
        inside = {50: np.mean([x.inside_50 for x in scores]),
                  90: np.mean([x.inside_90 for x in scores])}  # fmt: skip
        errors = np.array([x.error_log10 for x in scores if x.error_log10 is not None])
        bias, se = errors.mean(), errors.std(ddof=1) / np.sqrt(errors.size)
        brier = np.mean([(x.p_meets - bool(x.meets)) ** 2 for x in scores if x.p_meets is not None])
        base = np.mean([bool(x.meets) for x in scores])
        print(
            f"{how}: {SEASONS} counts; 50 % limits hold {100 * inside[50]:.1f} %, 90 % hold "
            f"{100 * inside[90]:.1f} %; places by fifths {np.histogram(pits, 5, (0, 1))[0]}; "
            f"bias {bias:+.3f} ± {se:.3f} log10; Brier {brier:.3f}, "
            f"of the mean {base * (1 - base):.3f}"
        )
        assert 0.86 <= inside[90] <= (0.94 if how == "worked_out" else 0.99)
        assert inside[50] >= 0.42
        assert abs(bias) < 4 * se
        assert brier < base * (1 - base)

"""Counts that lie far from the steps: draws are moved there, and say what the exact answer says."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
import pytest

from rhizoledger.draws import Draws
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.batch_answer import batch_answer, fine_enough
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.plan.counting import error_sizes, sample_counts
from rhizoledger.plan.document import document
from rhizoledger.plan.ledger import Book, Change
from rhizoledger.plan.reweigh import PARTICLES, moved_draws, reaches
from rhizoledger.plan.season_plan import make_context, plan_season
from rhizoledger.plan.seed_book import seed_book
from rhizoledger.records import Plate, Season
from rhizoledger.stats.importance import effective_size

from .test_counts import exact_log_marginal
from .test_truth import DRYING_H, TREATED, season_of, weather

SD = load_evidence()["count.between_sample_sd_log10"]
AT = datetime(2027, 5, 4, 8, tzinfo=UTC)
COLONIES = (80, 81, 82)


def plates(log10: float, at: datetime = AT, item: str = "B1") -> tuple[Plate, ...]:
    """Three plates of 100 seeds in 100 mL whose mean colony count says exactly this."""
    dilution = 81 / 10**log10
    return tuple(
        Plate(2 + i, item, at, "seed", dilution, 1.0, c, None, "target", 100.0, 100.0)
        for i, c in enumerate(COLONIES)
    )  # fmt: skip


@lru_cache(maxsize=1)
def season() -> Season:
    """A lot counted at 5×10⁹ per mL, seed of it in a shed for eight days."""
    planted = TREATED + timedelta(days=8)
    trace = weather(np.random.default_rng(3), planted)
    lot = tuple(
        Plate(2 + i, "L1", TREATED, "mL", 1e-7, 0.1, c, colonies_are="target")
        for i, c in enumerate((50, 52, 48))
    )
    return season_of(trace, planted, lot, 5)


def context_of(counted: tuple[Plate, ...], n: int = 4000, base: Season | None = None) -> Context:
    base = base or season()
    return make_context(
        replace(base, plates=base.plates + counted), load_evidence(),
        rules=published_rules(), hazard_facts=hazard_facts(), n_draws=n,
    )  # fmt: skip


def exact(prior_mean: float, prior_sd: float, log10: float) -> tuple[float, ...]:
    """5, 50 and 95 % of the posterior on a grid, with no code of the project."""
    grid = np.linspace(prior_mean - 6 * prior_sd, prior_mean + 6 * prior_sd, 301)
    ml = 81 / 10**log10
    log = np.array([exact_log_marginal(v, COLONIES, ml, error_sizes(SD).tolist()) for v in grid])
    log -= 0.5 * ((grid - prior_mean) / prior_sd) ** 2
    w = np.exp(log - log.max())
    cumulative = (np.cumsum(w) - 0.5 * w) / w.sum()
    return tuple(float(np.interp(q, cumulative, grid)) for q in (0.05, 0.5, 0.95))


def toy(context: Context, log10: float, sds: tuple[float, ...]) -> Book:
    """A balance that is a sum of normals, met by a count."""
    (sample,) = sample_counts(replace(season(), plates=plates(log10)))[0]
    book = Book(context.draws, SD)
    first, *rest = sds
    start = 5.0 + first * context.draws.normal("a")
    book.open("opening", AT, "a", start, "a modelled balance", at_least=False)
    for i, sd in enumerate(rest):
        step = Change.same({f"b{i}": sd * context.draws.normal(f"b{i}")})
        book.quantified("wait", AT, AT, step, (), "a step")
    book.count(sample)
    return book


@pytest.mark.thorough
@pytest.mark.parametrize("off", [-2.9, -2.2, -1.5, 0.0, 1.5, 2.2, 2.9])
def test_moved_draws_agree_with_the_posterior_on_a_grid(off: float) -> None:
    sds = (0.6, 0.35, 0.2)
    total = math.hypot(*sds)
    log10 = 5.0 + off * math.hypot(total, SD.number())
    context = context_of(())
    plain = toy(context, log10, sds)
    n, moved = moved_draws(lambda c: toy(c, log10, sds), context)
    book = toy(context.with_draws(n, moved), log10, sds)
    met = book.entries[-1].met
    assert met is not None and met.did == "weighs"
    assert met.ess is not None and met.k_hat is not None and plain.ess is not None
    print(f"\n{off:+.1f} sd: {plain.ess:.0f} of 4000, then {met.ess:.0f} of {n}, k {met.k_hat:.2f}")
    assert met.ess >= 0.05 * n and met.k_hat < 0.7 and not met.doubt
    found = [book.worse.quantile(q) for q in (0.05, 0.5, 0.95)]
    assert found == pytest.approx(exact(5.0, total, log10), abs=0.025)
    assert met.before.value == pytest.approx(5.0, abs=0.05)  # what was believed before stands
    assert met.before.low == pytest.approx(5.0 - 1.645 * total, abs=0.08)


@pytest.mark.thorough
def test_a_season_with_a_hard_count_agrees_with_many_more_seeded_draws() -> None:
    """The same posterior by brute force, before the count, after it and at seed drop."""
    easy = context_of(())
    facts = batch_facts(easy.batches["B1"], easy)
    at = TREATED + timedelta(days=4)
    before, _ = seed_book(facts, at, easy)
    cells = before.closing()
    assert cells.value is not None and cells.se is not None
    context = context_of(plates(cells.value - 3.1 * cells.se, at))
    drop = TREATED + timedelta(days=8)
    seeded, _ = seed_book(facts, drop, context)
    assert not reaches(seeded, 4000)
    fine = fine_enough(facts, drop, context)
    book, _ = seed_book(facts, drop, fine)
    assert fine.draws.n == PARTICLES and fine.draws.moved is not None
    assert book.ess is not None and book.ess > 2000
    brute, _ = seed_book(facts, drop, context.with_draws(400_000), brief=True)
    for q in (0.05, 0.5, 0.95):
        assert book.worse.quantile(q) == pytest.approx(brute.worse.quantile(q), abs=0.025)
    shares, wanted = book.worse.spread_from(), brute.worse.spread_from()
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares["count L1"] == pytest.approx(wanted["count L1"], abs=0.06)


@pytest.mark.thorough
def test_both_ends_of_a_gap_are_reached() -> None:
    whole = season()
    trace = whole.traces["shed.csv"]
    keep = np.ones(trace.time_s.size, bool)
    keep[60:150] = False  # almost two days without readings
    holed = replace(trace, time_s=trace.time_s[keep], temp_c=trace.temp_c[keep])
    base = replace(whole, traces={trace.name: holed})
    easy = context_of((), base=base)
    facts = batch_facts(easy.batches["B1"], easy)
    at, drop = TREATED + timedelta(days=4), TREATED + timedelta(days=8)
    cells = seed_book(facts, at, easy)[0].closing()
    assert cells.value is not None and cells.se is not None
    context = context_of(plates(cells.value - 2.6 * cells.se, at), base=base)
    fine = fine_enough(facts, drop, context)
    book, _ = seed_book(facts, drop, fine, brief=True)
    (pair,) = book.weighings
    assert not np.array_equal(pair[0].after, pair[1].after)
    assert min(w.ess for w in pair) > 1000
    brute, _ = seed_book(facts, drop, context.with_draws(300_000), brief=True)
    for ours, theirs in ((book.worse, brute.worse), (book.better, brute.better)):
        assert ours.quantile(0.5) == pytest.approx(theirs.quantile(0.5), abs=0.03)


@pytest.mark.thorough
def test_two_hard_counts_are_each_used_once() -> None:
    """A second count of the same seed an hour later, far from what the first left."""
    easy = context_of(())
    facts = batch_facts(easy.batches["B1"], easy)
    at, drop = TREATED + timedelta(days=4), TREATED + timedelta(days=8)
    cells = seed_book(facts, at, easy)[0].closing()
    assert cells.value is not None and cells.se is not None
    first = plates(cells.value - 2.5 * cells.se, at)
    second = plates(cells.value - 3.0 * cells.se, at + timedelta(hours=1))
    context = context_of(first + second)
    book, _ = seed_book(facts, drop, fine_enough(facts, drop, context))
    assert [e.met.did for e in book.entries if e.met] == ["opens", "weighs", "weighs"]
    one, two = (pair[0] for pair in book.weighings)
    assert two.before is not None and np.array_equal(two.before, one.after)
    brute, _ = seed_book(facts, drop, context.with_draws(600_000), brief=True)
    assert book.worse.quantile(0.5) == pytest.approx(brute.worse.quantile(0.5), abs=0.04)


def test_an_easy_count_leaves_the_draws_as_they_are() -> None:
    easy = context_of((), 1000)
    facts = batch_facts(easy.batches["B1"], easy)
    at, drop = TREATED + timedelta(days=4), TREATED + timedelta(days=8)
    cells = seed_book(facts, at, easy)[0].closing()
    assert cells.value is not None
    context = context_of(plates(cells.value, at), 1000)
    assert fine_enough(facts, drop, context) is context


def test_a_count_changes_only_what_comes_after_it() -> None:
    """Entries before it are the same to the last digit, and so is a batch of another lot."""
    easy = context_of((), 1000)
    facts = batch_facts(easy.batches["B1"], easy)
    at, drop = TREATED + timedelta(days=4), TREATED + timedelta(days=8)
    without = seed_book(facts, drop, easy)[0].entries
    cells = seed_book(facts, at, easy)[0].closing()
    assert cells.value is not None
    with_count = seed_book(facts, drop, context_of(plates(cells.value + 0.2, at), 1000))[0].entries
    before = [e for e in with_count if e.end < at]
    assert before and before == without[: len(before)]
    assert with_count[-1].balance != without[-1].balance


def test_the_entry_tells_before_alone_and_after() -> None:
    at = TREATED + timedelta(days=4)
    easy = context_of((), 1000)
    facts = batch_facts(easy.batches["B1"], easy)
    before = seed_book(facts, at, easy)[0].closing()
    assert before.value is not None
    base = season()
    counted = plates(before.value + 0.3, at)
    plan = plan_season(
        replace(base, plates=base.plates + counted), load_evidence(),
        rules=published_rules(), hazard_facts=hazard_facts(), n_draws=1000,
    )  # fmt: skip
    ledger = document(plan, {})["batches"][0]["ledger"]
    opened, met = [e for e in ledger if "count" in e]
    assert opened["count"]["did"] == "opens" and opened["count"]["ess"] is None
    told = met["count"]
    assert told["did"] == "weighs" and told["draws"] == 1000
    assert told["before"]["value"] == pytest.approx(before.value, abs=1e-6)
    assert told["alone"]["value"] == pytest.approx(before.value + 0.3, abs=0.03)
    assert told["before"]["value"] < met["balance"]["value"] < told["alone"]["value"]
    assert 100 < told["ess"] < 1000 and told["k_hat"] < 0.7
    assert not any("count" in e for e in ledger if e["step"] != "count")


def test_where_no_draws_reach_the_entry_says_so() -> None:
    """Four draws cannot carry any count; the doubt is said with its figures."""
    context = context_of((), 4)
    book = toy(context, 4.2, (0.6, 0.3))
    met = book.entries[-1].met
    assert met is not None and met.did == "weighs"
    assert "hardly reach" in met.doubt and "effective draws of 4" in met.doubt
    assert met.doubt in book.entries[-1].why


@pytest.mark.thorough
def test_moved_draws_stand_for_the_evidence() -> None:
    """Weighted, the moved parameters have the distribution that the evidence gives them."""
    context = context_of(())
    sds = (0.7, 0.3)
    n, moved = moved_draws(lambda c: toy(c, 3.4, sds), context)
    assert moved is not None
    draws = Draws(context.draws.seed, n, moved=moved)
    w = np.exp(moved.log_weight - moved.log_weight.max())
    w /= w.sum()
    z = draws.normal("a")
    assert float(w @ z) == pytest.approx(0.0, abs=0.05)
    assert float(w @ z**2) == pytest.approx(1.0, abs=0.06)
    assert effective_size(moved.log_weight) > 0.25 * n * 0.9
    assert (draws.normal("untouched") == Draws(context.draws.seed, n).normal("untouched")).all()


@pytest.mark.thorough
def test_a_hard_count_gives_the_same_answer_twice_and_in_any_company() -> None:
    context = context_of(plates(2.9, TREATED + timedelta(hours=DRYING_H + 30)))
    facts = batch_facts(context.batches["B1"], context)
    drop = TREATED + timedelta(days=8)
    one, two = (batch_answer(facts, drop, c).at_drop for c in (context, context_of(
        plates(2.9, TREATED + timedelta(hours=DRYING_H + 30)))))  # fmt: skip
    assert one.p == two.p and one.cells == two.cells

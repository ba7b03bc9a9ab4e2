"""Counts as the ledger meets them: what they open, what they may not raise, what voids them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from rhizoledger.draws import Draws
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.counting import error_sizes, sample_counts
from rhizoledger.plan.ledger import Book
from rhizoledger.plan.season_plan import Plan, plan_season
from rhizoledger.records import Plate, Season, Tubes
from rhizoledger.workflows.season import load

BY_HAND = Path(__file__).parent / "by_hand"
SD = "count.between_sample_sd_log10"


@lru_cache(maxsize=1)
def by_hand() -> Season:
    """The season worked by hand, with the packaged evidence and its intervals."""
    return load(BY_HAND)


def planned(season: Season) -> Plan:
    return plan_season(
        season, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts()
    )


def batch(season: Season) -> BatchAnswer:
    (answer,) = planned(season).batches
    return answer


def seed_plates(cells_per_seed: float, colonies_are: str | None) -> tuple[Plate, ...]:
    """Three plates of 100 seeds washed in 100 mL, a day after treating, near 80 colonies each."""
    at = by_hand().stays[1].start + timedelta(days=1)
    dilution = 80 / (cells_per_seed * 0.1)
    return tuple(
        Plate(
            2 + i, "B1", at, "seed", dilution, 0.1, 80 + i, None,
            colonies_are,  # type: ignore[arg-type]
            100.0, 100.0,
        )
        for i in range(3)
    )  # fmt: skip


@pytest.mark.parametrize("colonies_are", [None, "total"])
def test_a_count_of_any_colonies_lowers_and_never_raises(colonies_are: str | None) -> None:
    plain = batch(by_hand()).at_drop.cells
    low = batch(replace(by_hand(), plates=seed_plates(3e3, colonies_are))).at_drop.cells
    high = batch(replace(by_hand(), plates=seed_plates(3e7, colonies_are))).at_drop.cells
    assert None not in (plain.value, low.value, high.value)
    assert low.value < plain.value - 1  # type: ignore[operator]
    assert high.value == plain.value


def test_a_count_of_the_target_raises_and_lowers() -> None:
    plain = batch(by_hand()).at_drop.cells
    high = batch(replace(by_hand(), plates=seed_plates(1.2e6, "target"))).at_drop.cells
    assert plain.value is not None and high.value is not None
    assert high.value > plain.value
    assert high.se is not None and plain.se is not None and high.se < plain.se


def test_a_count_that_contradicts_the_steps_stands_alone_and_says_so() -> None:
    answer = batch(replace(by_hand(), plates=seed_plates(1e3, "target")))
    count = next(e for e in answer.ledger.entries if e.step == "count")
    assert count.balance.value == pytest.approx(np.log10(1e3), abs=0.1)
    assert not answer.at_drop.book.worse.at_least


def test_an_unknown_balance_gets_only_a_bound_from_any_colonies() -> None:
    bare = replace(by_hand().batches[0], lots=(), recipe=None)
    season = replace(by_hand(), batches=(bare,))
    before = batch(season).at_drop.cells
    assert before.value is None and before.high is None
    after = batch(replace(season, plates=seed_plates(1e4, None))).at_drop.cells
    assert after.value is None
    assert after.high == pytest.approx(4 + 1.64 * load_evidence()[SD].number(), abs=0.15)


def test_a_positive_control_voids_the_count() -> None:
    at = by_hand().stays[1].start + timedelta(days=1)
    tubes = tuple(
        Tubes(2 + i, "B1", at, "seed", 10.0 ** -(4 + i), 4, positive, "soybean", 1)
        for i, positive in enumerate((4, 4, 2, 0))
    )
    counts, problems = sample_counts(replace(by_hand(), tubes=tubes))
    assert counts == ()
    assert len(problems) == 1
    assert "voids" in problems[0].what
    kept, none = sample_counts(
        replace(by_hand(), tubes=tuple(replace(t, control_positive=0) for t in tubes))
    )
    assert len(kept) == 1 and none == ()


def exact_log_marginal(x: float, colonies: Sequence[int], ml: float, sds: Sequence[float]) -> float:
    """Poisson counts of one sample with lognormal error, by brute force: no code of the project."""
    total = 0.0
    for sd in sds:
        y = np.linspace(x - 9 * sd, x + 9 * sd, 60_001)
        rate = 10.0**y * ml
        log = sum(c * np.log(rate) - rate - math.lgamma(c + 1) for c in colonies)
        density = np.exp(log - 0.5 * ((y - x) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
        total += float(np.trapezoid(density, y)) / len(sds)
    return math.log(total) if total > 0 else -math.inf


@pytest.mark.parametrize("colonies", [(3, 5, 2), (80, 81, 82), (230, 228, 228), (900, 905, 910)])
def test_the_marginal_is_smooth_and_right_however_many_colonies(colonies: tuple[int, ...]) -> None:
    at = by_hand().stays[0].start + timedelta(days=1)
    rows = tuple(
        Plate(2 + i, "L1", at, "mL", 1e-6, 0.1, c, None, "target") for i, c in enumerate(colonies)
    )
    ((sample,), _) = sample_counts(replace(by_hand(), plates=rows))
    sizes = error_sizes(load_evidence()[SD])
    centre = math.log10(sum(colonies) / (len(colonies) * 1e-7))
    x = centre + np.linspace(-0.4, 0.4, 33)  # between the nodes of any fixed rule
    ours = sample.marginal(x, sizes)
    exact = np.array([exact_log_marginal(v, colonies, 1e-7, sizes) for v in x])
    assert np.ptp(ours - exact) < 2e-3


def test_the_sample_error_widens_a_count_and_does_not_lift_it() -> None:
    at = by_hand().stays[0].start + timedelta(days=1)
    rows = tuple(Plate(2 + i, "L1", at, "mL", 1e-6, 0.1, 228, None, "target") for i in range(3))
    ((sample,), _) = sample_counts(replace(by_hand(), plates=rows))
    draws = sample.posterior(Draws(5, 40_000), load_evidence()[SD])
    assert float(np.median(draws)) == pytest.approx(math.log10(228 / 1e-7), abs=0.005)


@pytest.mark.thorough
def test_reweighting_agrees_with_the_posterior_on_a_grid() -> None:
    """A uniform balance met by plates of one sample, against brute force on a grid."""
    (sample,) = sample_counts(replace(by_hand(), plates=seed_plates(2e5, "target")))[0]
    sd = load_evidence()[SD]
    book = Book(Draws(3, 40_000), sd)
    u = book.draws.uniform("balance")
    book.open("opening", sample.at, "prior", 4.5 + 1.5 * u, "a modelled balance", at_least=False)
    book.count(sample)
    grid = np.linspace(4.5, 6.0, 301)
    ml = 80 / 2e5  # portion of a seed's cells on one plate
    log = np.array([exact_log_marginal(v, (80, 81, 82), ml, error_sizes(sd)) for v in grid])
    weight = np.exp(log - log.max())
    cumulative = np.cumsum(weight) / weight.sum()
    for q in (0.05, 0.5, 0.95):
        exact = float(np.interp(q, cumulative, grid))
        assert book.worse.quantile(q) == pytest.approx(exact, abs=0.012)
    assert book.ess is not None and 400 < book.ess < 40_000


def test_a_count_far_in_the_tail_is_weighed_and_never_trusted_alone() -> None:
    """More and more colonies raise P smoothly: no number of draws decides what is believed."""
    need = 5.0
    chances: list[float] = []
    for cells in (6e4, 1e5, 1.4e5, 2e5):
        (sample,) = sample_counts(replace(by_hand(), plates=seed_plates(cells, "target")))[0]
        book = Book(Draws(3, 40_000), load_evidence()[SD])
        prior = 4.2 + 0.45 * book.draws.normal("balance")
        book.open("opening", sample.at, "prior", prior, "a modelled balance", at_least=False)
        book.count(sample)
        chances.append(book.worse.p_at_least(need))
    sd2, prior2 = 0.18**2 + 0.045**2, 0.45**2
    for cells, p in zip((6e4, 1e5, 1.4e5, 2e5), chances, strict=True):
        mean = (4.2 * sd2 + math.log10(cells) * prior2) / (sd2 + prior2)
        normal = NormalDist(mean, math.sqrt(sd2 * prior2 / (sd2 + prior2)))
        assert p == pytest.approx(1 - normal.cdf(need), abs=0.06)
    assert chances == sorted(chances)


def test_where_count_and_steps_contradict_the_lower_stands() -> None:
    for cells, kept in ((1e7, True), (1e3, False)):
        (sample,) = sample_counts(replace(by_hand(), plates=seed_plates(cells, "target")))[0]
        book = Book(Draws(3, 4_000), load_evidence()[SD])
        prior = (4.2 if kept else 6.0) + 0.3 * book.draws.normal("balance")
        book.open("opening", sample.at, "prior", prior, "a modelled balance", at_least=False)
        before = book.worse.quantile(0.5)
        book.count(sample)
        assert (book.worse.quantile(0.5) == before) == kept
        assert "far" in book.entries[-1].why


def test_plates_past_counting_are_a_lower_bound_and_no_more() -> None:
    at = by_hand().stays[0].start + timedelta(days=1)
    tntc = Plate(2, "L1", at, "mL", 1e-6, 0.1, "TNTC", None, "target")
    plain = batch(by_hand()).at_drop
    below = batch(replace(by_hand(), plates=(tntc,))).at_drop
    assert below.cells.value == plain.cells.value  # the guarantee already says more
    bare = replace(by_hand().inoculants[0], guaranteed_titre=None)
    alone = batch(replace(by_hand(), inoculants=(bare,), plates=(tntc,)))
    count = next(e for e in alone.ledger.entries if e.step == "count")
    per_seed = np.log10(250 / (1e-6 * 0.1) * 2 / 6000)
    assert count.balance.value == pytest.approx(per_seed, abs=0.1)
    assert count.balance.high == count.balance.value
    assert alone.at_drop.book.worse.at_least

"""Each field: does inoculation pay here, how sure is that, and what is worth finding out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta

from rhizoledger import units
from rhizoledger.errors import UnitError
from rhizoledger.estimate import Estimate
from rhizoledger.evidence import worst_grade
from rhizoledger.fields.gain import Gain, gain_prior, gain_rows
from rhizoledger.fields.history import RuleAnswer, apply_rules, dose_statement, history
from rhizoledger.money.break_even import break_even
from rhizoledger.money.budget import cost_per_area_from_pack
from rhizoledger.money.information import evsi_normal
from rhizoledger.money.payoff import Payoff, PayoffSummary, payoff_draws
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import NOON, moment
from rhizoledger.plan.context import Context, crop_slug
from rhizoledger.plan.market import drawn_price, kg_ha_per_unit, price_per_gain
from rhizoledger.plan.verdict import Consequence, Verdict, judge_field
from rhizoledger.records import Application, Field, Planting
from rhizoledger.treating.rates import pack_of

STRIP_PAIRS = 6  # numeric: pairs of the check-strip trial whose worth is printed; a choice
FIELD_FACTS = tuple(f.name for f in fields(Field))


@dataclass(frozen=True, slots=True)
class Test:
    """Something worth finding out, what knowing it is worth, and by when it must be ordered."""

    what: str
    value: float | None
    needed_by: date | None
    note: str
    parameters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FieldAnswer:
    """Everything the plan says of one crop in one field. Money is per the season's area."""

    field: Field
    crop: str | None
    consequence: Consequence
    gain: Estimate
    cost_per_area: float | None
    cost_how: str
    break_even: float | None
    p_pays: float | None
    p_pays_k: dict[str, float] | None
    net: Estimate
    verdict: Verdict
    worth_testing: tuple[Test, ...]
    rules: tuple[RuleAnswer, ...]
    parameters: tuple[str, ...]
    worst_grade: str | None
    dose: str
    net_dots: tuple[float, ...] = ()
    """Twenty equally likely nets per area; none where there is no net."""


def field_answers(
    field: Field, plantings: Sequence[Planting], facts: dict[str, BatchFacts], context: Context
) -> list[FieldAnswer]:
    """One answer for each crop that the field is asked about."""
    own = [field.crop] if field.crop else []
    crops: list[str | None] = list(dict.fromkeys([*own, *(p.crop for p in plantings)]))
    return [
        _answer(field, crop, [p for p in plantings if p.crop == crop], facts, context)
        for crop in crops or [None]
    ]


def _answer(
    field: Field,
    crop: str | None,
    plantings: Sequence[Planting],
    facts: dict[str, BatchFacts],
    context: Context,
) -> FieldAnswer:
    settings = context.season.settings
    past = history(field.years_since_group)
    consequence: Consequence = "first_time" if past == "never" else past
    group = context.group_of(crop) if crop else None
    region = field.region or _place(context)
    rows = gain_rows(context.evidence, crop_slug(crop), region) if crop else None
    gain = gain_prior(past, rows, context.draws, field=field.field)
    cost, cost_how = _cost(field, plantings, facts, context)
    unit = settings.units.yield_
    per_unit = kg_ha_per_unit(crop, context)
    price = price_per_gain(crop, per_unit, context)
    money_unit = f"money/{settings.units.area}"
    summary: PayoffSummary | None = None
    if gain is not None and price is not None and cost is not None and per_unit is not None:
        drawn = drawn_price(crop, price, context) if crop else price
        summary = payoff_draws(gain.draws / per_unit, drawn, cost)
    if gain is None or per_unit is None:
        gain_estimate = Estimate.not_known(unit, _no_gain(crop, context))
    else:
        gain_estimate = gain.estimate(per_unit, unit)
    needed = break_even(price, cost) if price is not None and cost is not None else None
    net = Estimate.not_known(money_unit, "needs a gain, a price and a cost")
    if summary is not None:
        net = Payoff.from_summary(gain_estimate, summary, cost or 0.0, money_unit).net
    word, note = judge_field(
        consequence,
        p_pays=summary.p_pays if summary else None,
        expected_net=summary.expected_net if summary else None,
        worst_net=summary.p5 if summary else None,
        toss_up=settings.toss_up,
        max_loss=settings.max_loss_per_area,
    )
    known = {name: getattr(field, name) for name in FIELD_FACTS}
    rules = apply_rules(context.rules, {**known, "group": group}) if group else ()
    used = gain.parameters if gain is not None else ()
    grade = worst_grade([context.evidence[i].grade for i in used]) if used else None
    tests = _worth_testing(
        field, crop, plantings, consequence, gain, per_unit, price, cost, context
    )
    return FieldAnswer(
        field,
        crop,
        consequence,
        gain_estimate,
        cost,
        cost_how,
        needed,
        _spoken(summary.p_pays, grade) if summary else None,
        {k: _spoken(p, grade) for k, p in summary.p_pays_k.items()} if summary else None,
        net,
        Verdict(word, _reasons(word, consequence, crop, note, cost, price, gain, context), ()),
        tests,
        rules,
        tuple(dict.fromkeys((*used, *(i for t in tests for i in t.parameters)))),
        grade,
        dose_statement(past),
        () if summary is None else summary.dots,
    )


def _spoken(p: float, grade: str | None) -> float:
    """A probability as it may be said: never two decimals on an assumption (§7)."""
    return round(p, 1 if grade == "assumption" else 3)  # numeric: decimals, no fact of the world


def _place(context: Context) -> str | None:
    s = context.season.settings
    if s.country is None:
        return None
    return f"{s.country} {s.state}" if s.state else s.country


def _cost(
    field: Field, plantings: Sequence[Planting], facts: dict[str, BatchFacts], context: Context
) -> tuple[float | None, str]:
    """What inoculating costs per area: as the season says, else from packs, rates and seeding."""
    s = context.season.settings
    furrow = [a for a in context.season.applications if a.field == field.field]
    bare = bool(furrow and plantings) and all(p.batch is None for p in plantings)
    fees = [x for x in (None if bare else s.treating_fee, s.freight) if x is not None]
    if furrow and s.furrow_pass is not None:
        fees.append(s.furrow_pass)
    if s.product_per_area is not None:
        return s.product_per_area + sum(fees), "as the season says"
    in_furrow = [_furrow_cost(a, plantings, context) for a in furrow]
    if any(cost is None for cost in in_furrow):
        return None, "needs the pack price, rate and row spacing of the furrow dose"
    fees += [cost for cost in in_furrow if cost is not None]
    beside = ", furrow dose included" if in_furrow else ""
    if bare:
        return sum(fees), "furrow dose on bare seed"
    for p in plantings:
        batch = facts.get(p.batch) if p.batch else None
        if batch is None or batch.inoculant is None or not batch.applied:
            continue
        inoculant, seed = batch.inoculant, batch.batch
        pack = pack_of(inoculant.pack_size, inoculant.pack_unit)
        per_seed = batch.applied[0].per_seed
        if (
            inoculant.pack_price is None
            or pack is None
            or per_seed is None
            or not seed.seeds_per_kg
        ):
            continue
        if pack.unit != inoculant.titre_unit.removeprefix("CFU/"):
            continue  # sold by mass and dosed by volume, or the reverse: no price per dose
        kg_ha = units.kg_per_ha_seeding(p.seeding_rate, p.seeding_unit, seed.seeds_per_kg)
        cost = cost_per_area_from_pack(
            inoculant.pack_price,
            pack.amount,
            per_seed * seed.seeds_per_kg,
            kg_ha,
            ha_per_area=units.area_ha(1.0, s.units.area),
            other_per_area=sum(fees),
        )
        return cost, f"pack price of {inoculant.inoculant} at the rate of {seed.batch}{beside}"
    return None, "needs a pack price or product_per_area"


def _furrow_cost(a: Application, plantings: Sequence[Planting], context: Context) -> float | None:
    """What one furrow dose costs per area; None where a fact is missing."""
    inoculant = context.inoculants[context.lots[a.lot].inoculant]
    pack = pack_of(inoculant.pack_size, inoculant.pack_unit)
    if inoculant.pack_price is None or pack is None:
        return None
    spacing = next((p.row_spacing_m for p in plantings if p.seq == a.seq), None)
    try:
        per_ha = units.per_ha(
            a.rate,
            units.parse_rate_unit(a.rate_unit),
            row_spacing_m=spacing,
            pack_amount=pack.amount,
        )
    except UnitError:
        return None
    ha = units.area_ha(1.0, context.season.settings.units.area)
    return inoculant.pack_price * per_ha / pack.amount * ha


def _no_gain(crop: str | None, context: Context) -> str:
    if crop is None:
        return "the crop is not written down"
    return f"no published gain for {crop} here; your own strips would make it known"


def _reasons(
    word: str,
    consequence: Consequence,
    crop: str | None,
    note: str,
    cost: float | None,
    price: float | None,
    gain: Gain | None,
    context: Context,
) -> tuple[str, ...]:
    if consequence == "first_time":
        return (
            "This host group never grew here: without live rhizobia the crop cannot feed itself.",
            "Put the right inoculant down in two places: on the seed and in the furrow.",
        )
    if consequence == "unknown":
        return (
            "Nobody has said what grew here, so it is treated as first-time ground.",
            "Find out: it decides between two doses and a question of money.",
        )
    if word == "not_known":
        lacking = [] if gain is not None else [_no_gain(crop, context)]
        lacking += [] if cost is not None else ["what inoculating costs is not written down"]
        lacking += [] if price is not None else ["no market price is set for this crop"]
        return tuple(f"Not known: {what}." for what in lacking)
    said = {
        "inoculate": "On the evidence it is likelier to pay here than not.",
        "skip": "On the evidence it is likelier to lose money here than to pay.",
        "toss_up": "About as likely to pay as not: decide by what you can afford to lose.",
    }[word]
    return (said, f"Limit of loss: {note}.") if note else (said,)


def _worth_testing(
    field: Field,
    crop: str | None,
    plantings: Sequence[Planting],
    consequence: Consequence,
    gain: Gain | None,
    per_unit: float | None,
    price: float | None,
    cost: float | None,
    context: Context,
) -> tuple[Test, ...]:
    """What is worth finding out, if there is still time to order it before planting week."""
    days = [moment(p.planned_on, context.zone, NOON).date() for p in plantings]
    first = min(days, default=None)
    tests: list[Test] = []
    sigma = context.parameter(f"trial.{crop_slug(crop or '')}.pair_difference_sd")
    by_year = context.parameter(f"trial.{crop_slug(crop or '')}.field_by_year_sd")
    if consequence == "history" and gain and sigma and per_unit and price and cost is not None:
        found = evsi_normal(
            gain.mean_kg_ha / per_unit,
            gain.sd_kg_ha / per_unit,
            STRIP_PAIRS,
            sigma.number() / per_unit,
            price,
            cost,
            sigma_year=by_year.number() / per_unit if by_year is not None else 0.0,
        )
        worth = round(found.evsi * field.area, 2)
        note = "before the cost of the strips; one year's answer serves later years too"
        rows = tuple(p.id for p in (sigma, by_year) if p is not None)
        what = f"{STRIP_PAIRS} pairs of check strips"
        tests.append(_test(what, worth, "strip", note, first, context, rows))
    if consequence == "unknown":
        note = "asks for the field's crop history first; that costs nothing"
        tests.append(Test("the field's crop history", None, first, note))
    if consequence != "history" and field.soil_mpn_per_g is None:
        note = "what it is worth is not known: nothing published ties the gain to the count"
        tests.append(
            _test("a soil count of this crop's rhizobia", None, "soil_count", note, first, context)
        )
    return tuple(t for t in tests if t.needed_by is None or t.needed_by >= context.as_of)


def _test(
    what: str,
    value: float | None,
    kind: str,
    note: str,
    first: date | None,
    context: Context,
    rows: tuple[str, ...] = (),
) -> Test:
    notice = context.evidence[f"{kind}.notice_days"]
    by = first - timedelta(days=round(notice.number())) if first is not None else None
    return Test(what, value, by, note, (*rows, notice.id))

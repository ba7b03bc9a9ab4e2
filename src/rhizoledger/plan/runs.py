"""Each treating run: amounts, liquid and packs as planned and as done, stops and cautions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rhizoledger import units
from rhizoledger.errors import RhizoledgerError
from rhizoledger.plan.batch_facts import BatchFacts, seed_facts
from rhizoledger.plan.context import Context, same_crop
from rhizoledger.records import Product
from rhizoledger.treating.cautions import Caution
from rhizoledger.treating.label import Stop
from rhizoledger.treating.recipe import OnSeed, RecipeCheck, check_recipe
from rhizoledger.treating.runs import PlannedRun, RunSheet, done_run, planned_run


@dataclass(frozen=True, slots=True)
class RunAnswer:
    """One batch's run sheet, and the liquid that a second dose of inoculant alone would add."""

    sheet: RunSheet
    inoculant_liquid: float | None = None
    twice_over_label: bool = False

    @property
    def stops(self) -> tuple[Stop, ...]:
        """Rules that forbid the run."""
        return self.sheet.stops

    def room_for_inoculant(self) -> bool:
        """Whether inoculant alone may go on again inside label rate and liquid limit (§3.3)."""
        if self.twice_over_label:
            return False
        limit = self.sheet.planned.liquid_limit_ml_per_100kg
        if limit is None or self.inoculant_liquid is None:
            return True
        return (self.sheet.planned.liquid_ml_per_100kg or 0.0) + self.inoculant_liquid <= limit


def run_answer(facts: BatchFacts, context: Context) -> RunAnswer:
    """Check a batch's recipe and set the run as planned beside the run as done."""
    batch = facts.batch
    window = {"slurry_life_hours": facts.inoculant.slurry_life_hours if facts.inoculant else None}
    nothing = PlannedRun((), None, None, {}, {})
    try:
        check = check_recipe(
            batch,
            facts.recipe,
            context.inoculants,
            _labelled(batch.crop, context),
            crop_group=facts.group,
            inoculant_groups={
                name: context.group_served(item) for name, item in context.inoculants.items()
            },
            stacks=context.season.stacks,
            on_seed=_on_seed(facts, context),
            liquid_limit_ml_per_100kg=_limit(facts, context),
            organic=_organic(batch.batch, context),
            kg_per_bu=seed_facts(batch, context).kg_per_bu,
        )
        planned = planned_run(batch, check, context.inoculants, context.products)
    except RhizoledgerError as error:
        return RunAnswer(RunSheet(batch.batch, nothing, None, window, (), (_failed(error),)))
    stops, cautions = [*check.stops], [*check.warnings]
    done = None
    try:
        done = done_run(batch, facts.treatments, check, context.inoculants, context.products)
    except RhizoledgerError as error:
        cautions.append(_failed(error))
    if done is not None:
        stops += done.stops
        cautions += done.warnings
    sheet = RunSheet(
        batch.batch,
        planned,
        done,
        window,
        tuple(dict.fromkeys(stops)),
        tuple(dict.fromkeys(cautions)),
    )
    return RunAnswer(sheet, _inoculant_liquid(facts, check), _twice_over_label(facts, check))


def _failed(error: RhizoledgerError) -> Caution:
    return Caution("not_worked_out", f"The run could not be worked out. {error}")


def _labelled(crop: str, context: Context) -> dict[str, Product]:
    """Products with the batch's crop spelled on the label as the batch spells it."""
    return {
        name: replace(
            p, label_crops=tuple(crop if same_crop(c, crop) else c for c in p.label_crops)
        )
        for name, p in context.products.items()
    }


def _on_seed(facts: BatchFacts, context: Context) -> OnSeed | None:
    """What the batches this one came from already carry."""
    recipes = [context.batches[p].recipe for p in facts.batch.parents if p in context.batches]
    names = tuple(r for r in recipes if r is not None)
    if not names:
        return None
    items = tuple(dict.fromkeys(s.item for s in context.season.recipes if s.recipe in names))
    return OnSeed(items, names)


def _limit(facts: BatchFacts, context: Context) -> float | None:
    """The machine's or label's limit on liquid for this crop [mL/100 kg]."""
    limits = context.season.settings.max_liquid
    text = next((t for c, t in limits.items() if same_crop(c, facts.batch.crop)), None)
    if text is None:
        return None
    value, unit = units.parse_rate(str(text))
    seed = seed_facts(facts.batch, context)
    per_kg = units.per_kg_seed(
        value,
        unit,
        seeds_per_kg=seed.seeds_per_kg,
        seeds_per_unit=seed.seeds_per_unit,
        kg_per_bag=seed.kg_per_bag,
        kg_per_bu=seed.kg_per_bu,
    )
    return per_kg * 100


def _organic(batch: str, context: Context) -> bool:
    organic = {f.field for f in context.season.fields if f.organic}
    return any(p.batch == batch and p.field in organic for p in context.season.plantings)


def _twice_over_label(facts: BatchFacts, check: RecipeCheck) -> bool:
    """Whether the recipe's inoculant, put on a second time, would pass the label's rate."""
    name = facts.inoculant.inoculant if facts.inoculant else ""
    once = sum(d.per_kg or 0.0 for d in check.doses if d.item == name)
    most = check.max_per_kg.get(name)
    return most is not None and bool(2 * once > most * (1 + np.finfo(float).eps * 100))


def _inoculant_liquid(facts: BatchFacts, check: RecipeCheck) -> float | None:
    """Liquid that inoculant alone puts on the seed [mL/100 kg]: what a second wetting would add."""
    name = facts.inoculant.inoculant if facts.inoculant else None
    mine = [d.liquid_ml_per_kg for d in check.doses if d.item == name]
    known = [x for x in mine if x is not None]
    return sum(known) * 100 if known and len(known) == len(mine) else None

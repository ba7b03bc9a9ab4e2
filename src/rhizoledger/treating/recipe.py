"""Whether a recipe may go on a batch, and what to mind where it may (§3.3).

A *stop* is a rule that no number outweighs: over the label's rate, off the label's crops, the wrong
host group, a stack that a label forbids, a pesticide that is on the seed already, more liquid than
the limit, an item not allowed on organic ground. A *caution* is something to mind or to find out.
The program never works out a second dose of a pesticide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rhizoledger.errors import InputError, NotFoundError
from rhizoledger.records import Batch, Inoculant, Product, RecipeStep, Stack
from rhizoledger.treating.cautions import Caution, order_cautions, seed_cautions, water_cautions
from rhizoledger.treating.label import (
    PESTICIDE_KINDS,
    Item,
    Stop,
    check_rate,
    density_of,
    is_pesticide,
    name_of,
    pack_held,
)
from rhizoledger.treating.rates import ROUNDING, Dose, SeedFacts, dose, liquid_ml_per_100kg, plain
from rhizoledger.treating.stacks import judge_stack, stack_members

CAME_IN = frozenset(("bought_in", "carried_over", "returned"))


@dataclass(frozen=True, slots=True)
class RecipeCheck:
    """What a recipe comes to on a batch.

    Parameters
    ----------
    stops, warnings : tuple
        Rules that forbid it, and things to mind.
    doses : tuple of Dose
        Amounts in the order of the steps.
    liquid_ml_per_100kg : float or None
        Liquid on the seed, what was put on before included; None where a fact is missing.
    liquid_limit_ml_per_100kg : float or None
        The limit given, if any.
    max_per_kg : mapping of str to float
        Label maximum by item [mL or g per kg of seed, as the item's dose], where it is known.
    """

    stops: tuple[Stop, ...]
    warnings: tuple[Caution, ...]
    doses: tuple[Dose, ...]
    liquid_ml_per_100kg: float | None
    liquid_limit_ml_per_100kg: float | None
    max_per_kg: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class OnSeed:
    """What is on the seed before this recipe: items, recipes and liquid.

    Parameters
    ----------
    items : tuple of str
        Items put on earlier (a parent's recipe, an earlier run).
    recipes : tuple of str
        Recipes put on earlier.
    liquid_ml_per_100kg : float
        Liquid put on earlier; a second wetting counts against the same limit.
    """

    items: tuple[str, ...] = ()
    recipes: tuple[str, ...] = ()
    liquid_ml_per_100kg: float = 0.0


def check_recipe(
    batch: Batch,
    steps: Sequence[RecipeStep],
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
    *,
    crop_group: str | None,
    inoculant_groups: Mapping[str, str | None] | None = None,
    stacks: Sequence[Stack] = (),
    on_seed: OnSeed | None = None,
    liquid_limit_ml_per_100kg: float | None = None,
    organic: bool = False,
    kg_per_bu: float | None = None,
) -> RecipeCheck:
    """Check a recipe against a batch and work out its amounts.

    Parameters
    ----------
    batch : Batch
        The seed. For seed that came in (bought in, carried over, returned) the recipe is what will
        be put on *here*, not what its tag says is on it.
    steps : sequence of RecipeStep
        The recipe; may be empty.
    inoculants, products : mapping of str to record
        Every item that a step names must be in one of them.
    crop_group : str or None
        Host group of the batch's crop; None where it is not known.
    inoculant_groups : mapping of str to (str or None), optional
        Host group by inoculant; the record's own ``host_group`` where left out.
    stacks : sequence of Stack
        What is known of items together.
    on_seed : OnSeed, optional
        What is on the seed already.
    liquid_limit_ml_per_100kg : float or None
        Machine's or label's limit.
    organic : bool
        True if any of the seed goes to an organic field.
    kg_per_bu : float or None
        Bushel weight of the crop, for rates per bushel.

    Returns
    -------
    RecipeCheck

    Raises
    ------
    NotFoundError
        If a step names an item that is neither an inoculant nor a product.
    InputError, UnitError
        If a rate or its unit cannot be used.

    Notes
    -----
    §3.2, §3.3. An inoculant's label range is in its own ``rate_unit``; a product's label maximum is
    in the unit of the recipe step, because ``products`` has no unit for it. An item in several
    steps is judged by their sum.
    """
    before = on_seed or OnSeed()
    ordered = sorted(steps, key=lambda step: step.step)
    items = {step.item: _item(step, inoculants, products) for step in ordered}
    seed = SeedFacts.of(batch, kg_per_bu)
    doses = tuple(
        dose(
            step.item,
            step.rate,
            step.rate_unit,
            seed,
            pack=pack_held(items[step.item]),
            density_g_per_ml=density_of(items[step.item]),
            tank=step.tank,
        )
        for step in ordered
    )
    stops: list[Stop] = []
    cautions: list[Caution] = list(seed_cautions(batch, bool(ordered)))
    max_per_kg: dict[str, float] = {}
    for name, item in items.items():
        own = [step for step in ordered if step.item == name]
        check_rate(item, own, seed, stops, cautions, max_per_kg)
        _check_crop(item, batch, crop_group, inoculant_groups, stops, cautions)
        _check_organic(item, organic, stops, cautions)
    _check_on_seed(batch, items, before, stops, cautions)
    _check_stacks(ordered, inoculants, products, before, stacks, stops)
    liquid = _check_liquid(doses, before, liquid_limit_ml_per_100kg, stops, cautions)
    cautions += order_cautions(ordered, inoculants, products, PESTICIDE_KINDS)
    cautions += water_cautions(ordered, inoculants, products)
    return RecipeCheck(
        tuple(stops), tuple(cautions), doses, liquid, liquid_limit_ml_per_100kg, max_per_kg
    )


def _item(
    step: RecipeStep, inoculants: Mapping[str, Inoculant], products: Mapping[str, Product]
) -> Item:
    found = inoculants.get(step.item) or products.get(step.item)
    if found is None:
        known = ", ".join(sorted((*inoculants, *products))) or "none"
        raise NotFoundError(
            f"Recipe {step.recipe}, step {step.step}: {step.item!r} is neither an inoculant nor a "
            f"product. Known: {known}."
        )
    return found


def _check_crop(
    item: Item,
    batch: Batch,
    crop_group: str | None,
    groups: Mapping[str, str | None] | None,
    stops: list[Stop],
    cautions: list[Caution],
) -> None:
    """Label crops of a product, host group and placement of an inoculant."""
    if isinstance(item, Product):
        allowed = {crop.strip().casefold() for crop in item.label_crops}
        if allowed and batch.crop.strip().casefold() not in allowed:
            crops = ", ".join(item.label_crops)
            sentence = f"{item.product} is labelled for {crops}, not for {batch.crop}."
            stops.append(Stop("crop_not_on_label", sentence))
        return
    name = item.inoculant
    group = groups.get(name) if groups is not None else item.host_group
    if group is None or crop_group is None:
        what = f"the crop {batch.crop}" if crop_group is None else f"the inoculant {name}"
        sentence = f"The host group of {what} is not known. Find out which rhizobia it takes."
        cautions.append(Caution("host_group_unknown", sentence))
    elif group != crop_group:
        sentence = (
            f"{name} carries rhizobia for {group}; {batch.crop} needs those for {crop_group}."
        )
        stops.append(Stop("wrong_host_group", sentence))
    if item.placements and "seed" not in item.placements:
        places = ", ".join(item.placements)
        sentence = f"{name} is meant for {places}, and this recipe puts it on seed."
        cautions.append(Caution("placement", sentence))


def _check_organic(item: Item, organic: bool, stops: list[Stop], cautions: list[Caution]) -> None:
    if not organic or (isinstance(item, Product) and item.kind == "water"):
        return
    if item.organic_ok is False:
        stops.append(Stop("not_organic", f"{name_of(item)} is not allowed on an organic field."))
    elif item.organic_ok is None:
        sentence = f"Whether {name_of(item)} is allowed on an organic field is not known."
        cautions.append(Caution("organic_unknown", sentence))


def _check_on_seed(
    batch: Batch,
    items: Mapping[str, Item],
    before: OnSeed,
    stops: list[Stop],
    cautions: list[Caution],
) -> None:
    """A pesticide that is, or may be, on the seed already is a stop (§3.3)."""
    pesticides = [name for name, item in items.items() if is_pesticide(item)]
    again = [name for name in pesticides if name in before.items]
    if again:
        names = ", ".join(again)
        stops.append(Stop("pesticide_already_on_seed", f"{names} is on this seed already."))
    elif pesticides and batch.origin in CAME_IN:
        names, how = ", ".join(pesticides), batch.origin.replace("_", " ")
        sentence = (
            f"This seed is {how} and may carry a pesticide already; {names} may not go on top. "
            "Use a recipe with inoculant only, where tag and label allow it."
        )
        stops.append(Stop("pesticide_already_on_seed", sentence))
    elif pesticides and before.items:
        sentence = (
            f"Something is on this seed already ({', '.join(before.items)}). "
            "Read the labels on total dose and on order before adding to it."
        )
        cautions.append(Caution("treated_before", sentence))
    if batch.recipe is not None and batch.recipe in before.recipes:
        sentence = f"Recipe {batch.recipe} was put on this seed before."
        if pesticides:
            stops.append(Stop("recipe_twice", f"{sentence} It is not put on twice."))
        else:
            cautions.append(Caution("recipe_twice", f"{sentence} Check that the label allows it."))
    actives: dict[str, list[str]] = {}
    for name in pesticides:
        item = items[name]
        active = item.active if isinstance(item, Product) else None
        if active:
            actives.setdefault(active.strip().casefold(), []).append(name)
    for active, names_of in actives.items():
        if len(names_of) > 1:
            sentence = (
                f"{' and '.join(names_of)} hold the same active ({active}). "
                "Check the label's limit on its total."
            )
            cautions.append(Caution("same_active", sentence))


def _check_stacks(
    steps: Sequence[RecipeStep],
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
    before: OnSeed,
    stacks: Sequence[Stack],
    stops: list[Stop],
) -> None:
    """A stack that a label forbids, in the tank or on the seed, is a stop."""
    recipe = steps[0].recipe if steps else None
    for name in dict.fromkeys(step.item for step in steps if step.item in inoculants):
        tanks = {step.tank for step in steps if step.item == name}
        mates = stack_members([s for s in steps if s.tank in tanks], products, name)
        ours = stack_members(steps, products, name)
        whole = tuple(dict.fromkeys((*before.items, *ours)))
        for contact, others in (("tank", mates), ("on_seed", whole)):
            if not others:
                continue
            judged = judge_stack(
                stacks,
                name,
                others,
                recipe,
                "tank" if contact == "tank" else "on_seed",
                recipe_items=ours,
            )
            if judged.state == "forbidden":
                rows = ", ".join(str(row) for row in judged.rows)
                beside = ", ".join(others)
                sentence = f"{name} with {beside}: {judged.why} (stacks, row {rows})"
                stops.append(Stop("label_forbids_stack", sentence))


def _check_liquid(
    doses: Sequence[Dose],
    before: OnSeed,
    limit: float | None,
    stops: list[Stop],
    cautions: list[Caution],
) -> float | None:
    if limit is not None and not (math.isfinite(limit) and limit >= 0):
        raise InputError(f"The liquid limit is {limit}. Give mL per 100 kg, not negative.")
    unknown = [one.item for one in doses if one.liquid_ml_per_kg is None]
    known = liquid_ml_per_100kg(one for one in doses if one.liquid_ml_per_kg is not None) or 0.0
    total = known + before.liquid_ml_per_100kg
    if unknown:
        names = ", ".join(dict.fromkeys(unknown))
        sentence = f"The liquid on the seed is not known: {names} could not be turned into mL."
        cautions.append(Caution("liquid_not_known", sentence))
    if limit is not None and total > limit * (1 + ROUNDING):
        wetted = "" if not before.liquid_ml_per_100kg else ", the first wetting included"
        least = "at least " if unknown else ""
        sentence = (
            f"The seed gets {least}{plain(total)} mL of liquid per 100 kg{wetted}; "
            f"the limit is {plain(limit)}."
        )
        stops.append(Stop("liquid_over_limit", sentence))
    return None if unknown else total

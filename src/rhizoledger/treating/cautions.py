"""Things to mind in a treating run: seed size, order, drying, water and metals.

None of them is a number of cells lost: where harm is known but not measured it is said in words
(§2.8), and a count would settle it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rhizoledger.records import Batch, Inoculant, Product, RecipeStep

OTHER_CHEMICAL_KINDS = frozenset(("micronutrient", "fertiliser"))
NO_METAL_WORDS = frozenset(("", "none", "no"))


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to mind: a code and a sentence that can be read out."""

    code: str
    sentence: str


def seed_cautions(batch: Batch, treated: bool) -> Iterator[Caution]:
    """What a guessed or unknown seed size means for a run."""
    if not treated:
        return
    if batch.seeds_per_kg is None:
        yield Caution("seed_size_unknown", "COUNT SEED FIRST: the seed size is not known.")
    elif batch.seed_size_how == "guess":
        yield Caution("seed_size_guess", "COUNT SEED FIRST: the seed size is a guess.")


def order_cautions(
    steps: Sequence[RecipeStep],
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
    pesticide_kinds: Iterable[str],
) -> Iterator[Caution]:
    """Chemical first, dried fully, inoculant second.

    Parameters
    ----------
    steps : sequence of RecipeStep
        In the order they go on. Items in one tank have no order; their stack is judged instead.
    inoculants, products : mapping of str to record
        Items by name.
    pesticide_kinds : iterable of str
        Product kinds that are pesticides; micronutrients and fertilisers count as chemicals too.
    """
    kinds = OTHER_CHEMICAL_KINDS.union(pesticide_kinds)
    chemicals = [
        (place, step)
        for place, step in enumerate(steps)
        if step.item in products and products[step.item].kind in kinds
    ]
    for place, step in enumerate(steps):
        if step.item not in inoculants:
            continue
        for other_place, other in chemicals:
            if other.tank == step.tank:
                continue
            if other_place > place:
                yield Caution(
                    "order",
                    f"{other.item} goes on after {step.item}. "
                    "Put the chemical on first, let it dry, then the inoculant.",
                )
            elif not any(between.dry_before_next for between in steps[other_place:place]):
                yield Caution(
                    "not_dried",
                    f"No drying is written between {other.item} and {step.item}. "
                    "Let the seed dry before the inoculant goes on.",
                )


def water_cautions(
    steps: Sequence[RecipeStep],
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
) -> Iterator[Caution]:
    """Water mixed with the inoculant, and metals beside it: harmful, not quantified (§2.8)."""
    live_tanks = {step.tank: step.item for step in steps if step.item in inoculants}
    for tank, name in live_tanks.items():
        mixed = [step for step in steps if step.tank == tank]
        said = {step.water_source for step in mixed if step.water_source is not None}
        has_water = any(
            step.item in products and products[step.item].kind == "water" for step in mixed
        )
        if "chlorinated" in said:
            yield Caution(
                "chlorinated_water",
                f"Chlorinated water is mixed with {name}: known harmful, not quantified. "
                "Use water without chlorine; a count would show what was lost.",
            )
        elif "unknown" in said or (has_water and "not" not in said):
            yield Caution(
                "water_unknown",
                f"Whether the water mixed with {name} is chlorinated is not known. Find out.",
            )
    if not live_tanks:
        return
    names = ", ".join(dict.fromkeys(live_tanks.values()))
    for item in dict.fromkeys(step.item for step in steps if step.item in products):
        metals = (products[item].metals or "").strip()
        if metals.casefold() not in NO_METAL_WORDS:
            yield Caution(
                "metals",
                f"{item} carries {metals} beside {names}: known harmful to rhizobia, not "
                "quantified. A count on this stack would settle it.",
            )

"""Harms without a number that a run met, as short sentences (§2.8)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rhizoledger.plan.context import Context
from rhizoledger.plan.timeline import Run
from rhizoledger.records import Event, Product
from rhizoledger.survival.hazards import Hazard, hazards_of

NAMES = {
    "sun": "stood in the sun",
    "frozen": "froze",
    "frozen_seed": "seed below freezing",
    "rewetted": "wetted again",
    "closed_vehicle": "in a closed vehicle, product temperature not known",
    "metals": "metals on the seed",
    "chlorinated_water": "mixed with chlorinated water",
    "airtight": "packed airtight",
    "warm_peat": "warm peat can grow",
}


def run_hazards(
    run: Run,
    events: Iterable[Event],
    context: Context,
    *,
    form: str | None,
    products: Sequence[Product] = (),
    water: Sequence[str | None] = (),
    stack_known: bool = True,
) -> list[str]:
    """What harmed an item during a run and has no number; empty where nothing is written down.

    An event at the very end of a run belongs to it, one at its start to the run before. Metals
    count only where the stack as a whole was neither labelled nor tested (§3.2).
    """
    during = [e for e in events if run.start < e.at <= run.end or e.at == run.start == run.end]
    low, high = run.span_c or (None, None)
    found = hazards_of(
        run.stage,
        run.stays,
        during,
        facts=context.hazard_facts,
        form=form,
        min_c=low,
        max_c=high,
        metals=[] if stack_known else [m for p in products if (m := _metals(p)) is not None],
        water_sources=water,
        unit=context.season.settings.units.temperature,
    )
    return [_sentence(h) for h in found]


def _metals(product: Product) -> str | None:
    """The metals a product holds; a row that says "none" holds none."""
    text = (product.metals or "").strip()
    return None if text.casefold() in ("", "no", "none") else text


def _sentence(h: Hazard) -> str:
    name = NAMES.get(h.kind, h.kind.replace("_", " "))
    seen = f" ({h.seen})" if h.seen else ""
    return f"{name}{seen}: known harmful, not quantified"

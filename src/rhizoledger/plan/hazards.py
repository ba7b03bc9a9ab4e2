"""Harms without a number that a run met, as short sentences (§2.8)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rhizoledger.plan.context import Context
from rhizoledger.plan.timeline import Run
from rhizoledger.records import Event, Product
from rhizoledger.survival.hazards import Hazard, hazards_of
from rhizoledger.survival.vehicle import closed_vehicle_rise
from rhizoledger.units import degrees

FIT_RISE = "survival.vehicle.fit_rise_c"
FIT_TAU = "survival.vehicle.fit_tau_min"
RISE_MAX = "survival.vehicle.rise_max_c"

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
    return [_sentence(h, _cabin_air(during, context)) for h in found]


def _cabin_air(events: Sequence[Event], context: Context) -> str:
    """How warm the air of a closed vehicle may have become, from the published rise; or nothing.

    The air alone, never the product's temperature and never a loss (§2.8).
    """
    rise, tau = context.evidence[FIT_RISE], context.evidence[FIT_TAU]
    most = context.evidence[RISE_MAX].number()
    ends: list[float] = []
    for e in events:
        if e.event == "closed_vehicle" and e.minutes is not None and e.ambient_c is not None:
            slow = closed_vehicle_rise(e.minutes, rise.low or 0.0, tau.high or tau.number())
            fast = closed_vehicle_rise(e.minutes, rise.high or most, tau.low or tau.number())
            ends += [e.ambient_c + float(slow), e.ambient_c + min(float(fast), most)]
    if not ends:
        return ""
    unit = context.season.settings.units.temperature
    return f", its air by the published rise {degrees(unit, min(ends), max(ends))}"


def _metals(product: Product) -> str | None:
    """The metals a product holds; a row that says "none" holds none."""
    text = (product.metals or "").strip()
    return None if text.casefold() in ("", "no", "none") else text


def _sentence(h: Hazard, cabin_air: str) -> str:
    name = NAMES.get(h.kind, h.kind.replace("_", " "))
    air = cabin_air if h.kind == "closed_vehicle" else ""
    seen = f" ({h.seen}{air})" if h.seen else ""
    return f"{name}{seen}: known harmful, not quantified"

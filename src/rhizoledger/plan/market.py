"""What a unit of yield weighs and fetches, in the units the season is written in."""

from __future__ import annotations

import numpy as np

from rhizoledger import units
from rhizoledger.draws import FloatArray
from rhizoledger.plan.context import Context, same_crop
from rhizoledger.records import Market


def _bushel(crop: str | None, context: Context) -> float | None:
    row = context.crop_row(crop, "lb_per_bu")
    return row.number() if row is not None else None


def kg_ha_per_unit(crop: str | None, context: Context) -> float | None:
    """kg/ha in one unit of yield as the season writes it."""
    unit, bushel = context.season.settings.units.yield_, _bushel(crop, context)
    if unit.startswith("bu") and bushel is None:
        return None
    return units.yield_kg_ha(1.0, unit, bushel)


def market_of(crop: str | None, context: Context) -> Market | None:
    """The market row of a crop, however it is spelled."""
    rows = context.season.settings.markets
    return next((m for name, m in rows.items() if crop and same_crop(name, crop)), None)


def price_per_gain(crop: str | None, per_unit: float | None, context: Context) -> float | None:
    """Money per area for one unit of gain; None where the crop has no price above zero."""
    settings = context.season.settings
    market = market_of(crop, context)
    if market is None or market.price <= 0 or per_unit is None:
        return None
    bushel = _bushel(crop, context)
    if market.unit.startswith("bu") and bushel is None:
        return None
    per_kg = units.price_per_kg(market.price, market.unit, bushel)
    return per_kg * per_unit * units.area_ha(1.0, settings.units.area)


def drawn_price(crop: str, price: float, context: Context) -> float | FloatArray:
    """The price as it is drawn: lognormal about its mean where the market row has a ``price_sd``.

    One draw serves every field that sells the crop; without a ``price_sd`` the price is exact.
    """
    market = market_of(crop, context)
    if market is None or not market.price_sd:
        return price
    variance = float(np.log1p((market.price_sd / market.price) ** 2))
    normal = context.draws.normal("price", crop)
    drawn: FloatArray = price * np.exp(np.sqrt(variance) * normal - 0.5 * variance)
    return drawn

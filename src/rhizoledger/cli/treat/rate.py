"""``rhizoledger treat rate``: a rate in every basis of the trade."""

from __future__ import annotations

from rhizoledger.cli.console import say, say_json


def rate(
    rate: str | None = None,
    /,
    *,
    to: str | None = None,
    seeds_per_lb: float | None = None,
    seeds_per_kg: float | None = None,
    thousand_seeds_g: float | None = None,
    seeds_per_unit: float | None = None,
    bag: str | None = None,
    crop: str | None = None,
    lb_per_bu: float | None = None,
    seeding_rate: str | None = None,
    row_cm: float | None = None,
    row_in: float | None = None,
    density: float | None = None,
    active: str | None = None,
    titre: str | None = None,
    cells_per_seed: float | None = None,
    pack: str | None = None,
    label_max: str | None = None,
    json: bool = False,
) -> int:
    """Turn a rate into another basis, with active and cells per seed.

    Parameters
    ----------
    rate
        As on the label, in quotes: "4 fl oz/cwt", "2 mL/kg", "1 pack/50 units".
    to
        The basis wanted: mL/100kg, mL/unit, "fl oz/ac", "mg active/seed", cells/seed.
    seeds_per_lb
        Seed size.
    seeds_per_kg
        The same in kg.
    thousand_seeds_g
        The same as the weight of a thousand seeds in g.
    seeds_per_unit
        Seeds in a unit, such as 140000.
    bag
        What a bag of seed weighs: "50 lb".
    crop
        The crop, for its bushel weight.
    lb_per_bu
        Another bushel weight.
    seeding_rate
        "140000 seeds/ac" or "60 lb/ac", for rates on land.
    row_cm
        Between rows in cm, for rates along a row.
    row_in
        The same in inches.
    density
        Of the product in g per mL, between volume and mass.
    active
        Active ingredient in the product: "600 g/L", "400 g/kg", "4 lb/gal".
    titre
        Live cells: "1e10 CFU/mL", "2e9 CFU/g".
    cells_per_seed
        In place of a rate: the cells wanted on each seed.
    pack
        What one pack holds: "3.2 L".
    label_max
        The label's highest rate, to hold this one against.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.treat_rate import rate_text
    from rhizoledger.workflows.treat_rate import seed_facts, treat_rate

    facts = seed_facts(
        seeds_per_lb=seeds_per_lb,
        seeds_per_kg=seeds_per_kg,
        thousand_seeds_g=thousand_seeds_g,
        seeds_per_unit=seeds_per_unit,
        bag=bag,
        crop=crop,
        lb_per_bu=lb_per_bu,
        seeding_rate=seeding_rate,
        row_cm=row_cm,
        row_in=row_in,
        density=density,
        active=active,
        titre=titre,
        pack=pack,
    )
    found = treat_rate(rate, facts, to=to, cells_per_seed=cells_per_seed, label_max=label_max)
    if json:
        say_json(found)
    else:
        say(rate_text(found))
    return 0

"""The tables of counts, ground, planting and what follows."""

from __future__ import annotations

from rhizoledger import records
from rhizoledger.season.schema import Column as C
from rhizoledger.season.schema import Table
from rhizoledger.season.seed_tables import STOCK

BASES = ("mL", "g", "seed")

PLATES = Table(
    "plates",
    "Plate counts, one plate a row.",
    (
        C("item", "id", "filled", "A lot, batch or parcel.", refers=STOCK),
        C("sampled_at", "moment", "filled", wants_time=True),
        C("basis", "choice", "filled", choices=BASES),
        C("dilution", "number", "filled", "A fraction: 1e-6.", above=0, at_most=1),
        C("volume_ml", "number", "filled", "Plated.", "mL", above=0),
        C("colonies", "colonies", "filled", "A whole number, TNTC, SPR or LA."),
        C("medium", "text"),
        C("colonies_are", "choice", choices=("target", "total", "contaminant")),
        C("wash_ml", "number", unit="mL", above=0),
        C("seeds_washed", "number", unit="seeds", above=0),
        C("day_read", "number", unit="day", at_least=0),
    ),
    records.Plate,
    key=(),
)

TUBES = Table(
    "tubes",
    "Most-probable-number counts, one dilution a row.",
    (
        C("item", "id", "filled", "A lot, batch, parcel or field.", refers=(*STOCK, "fields")),
        C("sampled_at", "moment", "filled"),
        C("basis", "choice", "filled", choices=BASES),
        C("amount", "number", "filled", "Of undiluted sample in one tube, in basis.", above=0),
        C("tubes", "integer", "filled", at_least=1),
        C("positive", "integer", "filled", at_least=0),
        C("host_plant", "text"),
        C("control_positive", "integer", at_least=0),
    ),
    records.Tubes,
    key=("item", "sampled_at", "basis", "amount"),
    order=(("positive", "tubes", False),),
)

FIELDS = Table(
    "fields",
    "Fields, their history of the host group, and their soil.",
    (
        C("field", "id", "filled"),
        C("area", "number", "filled", "In the season's area unit.", above=0),
        C("crop", "text", note="The crop asked about; its plantings' where empty."),
        C("grower", "text"),
        C("years_since_group", "years", "column", "A number, never, unknown.", "year"),
        C("group_crops_grown", "number", at_least=0),
        C("last_nodulation", "text"),
        C("ph", "number", above=0, at_most=14),
        C("organic_matter_pct", "number", unit="%", at_least=0, at_most=100),
        C("sand_pct", "number", unit="%", at_least=0, at_most=100),
        C("flooded_days", "number", unit="day", at_least=0),
        C("drought_weeks", "number", unit="week", at_least=0),
        C("eroded", "yes_no"),
        C("nitrate_kg_ha", "number", unit="kg/ha", at_least=0),
        C("irrigated", "yes_no"),
        C("organic", "yes_no"),
        C("previous_crop", "text"),
        C("soil_mpn_per_g", "number", unit="MPN/g", at_least=0),
        C("region", "text"),
        C("boundary", "file", note="GeoJSON file in this folder."),
    ),
    records.Field,
    key=("field", "crop"),
)

PLANTINGS = Table(
    "plantings",
    "Which batch goes into which field, when.",
    (
        C("field", "id", "filled", refers=("fields",)),
        C("seq", "integer", "filled", "1, 2, … in one field.", at_least=1),
        C("batch", "id", "filled", "A batch or parcel, or none (bare seed).", refers=STOCK[1:]),
        C("crop", "text", "filled"),
        C("planned_on", "date_or_moment", "filled"),
        C("spread_days", "number", unit="day", at_least=0),
        C("planted_from", "moment"),
        C("planted_to", "moment"),
        C("area", "number", "filled", "In the season's area unit.", above=0),
        C("seeding_rate", "number", "filled", "In seeding_unit.", above=0),
        C(
            "seeding_unit",
            "choice",
            "filled",
            choices=("seeds/ac", "seeds/ha", "lb/ac", "kg/ha"),
        ),
        C(
            "row_spacing",
            "row_spacing",
            note="With its unit (30 in, 76 cm), or inches where area is in acres, else cm.",
            above=0,
        ),
        C("soil", "choice", choices=("moist", "dry", "wet")),
        C("reason", "choice", choices=("first", "replant", "double_crop", "fill")),
    ),
    records.Planting,
    key=("field", "seq"),
    order=(("planted_from", "planted_to", False),),
)

APPLICATIONS = Table(
    "applications",
    "Inoculant put in the furrow, not on seed.",
    (
        C("field", "id", "filled", refers=("fields",)),
        C("seq", "integer", "filled", "The planting's.", at_least=1),
        C("lot", "id", "filled", refers=("lots",)),
        C("placement", "choice", "filled", choices=("furrow_liquid", "furrow_granule")),
        C("rate", "number", "filled", "In rate_unit.", above=0),
        C("rate_unit", "furrow_rate_unit", "filled", "Such as fl oz/ac, g/100 m, oz/1000 ft."),
        C("water_rate", "text", note="With its unit."),
        C("tank_mix", "ids", note="Joined by +.", refers=("products", "inoculants")),
        C("at", "moment"),
    ),
    records.Application,
    key=("field", "seq", "lot", "placement"),
)

ROOTS = Table(
    "roots",
    "Plants dug and looked at, one plant a row.",
    (
        C("field", "id", "filled", refers=("fields",)),
        C("seq", "integer", "filled", "The planting's.", at_least=1),
        C("strip", "choice", choices=("treated", "check")),
        C("stage", "text", "filled", "Crop stage."),
        C("sampled_on", "date", "filled"),
        C("plant", "integer", "filled", "Number of the plant.", at_least=1),
        C("nodules", "integer", "filled", at_least=0),
        C("crown", "integer", note="On the crown.", at_least=0),
        C("cut", "integer", note="Cut open.", at_least=0),
        C("pink_of_cut", "integer", note="Pink inside, of those cut.", at_least=0),
        C("size_mm", "number", unit="mm", at_least=0),
        C("dug", "choice", choices=("spaded", "pulled")),
    ),
    records.RootDig,
    key=("field", "seq", "strip", "sampled_on", "plant"),
    order=(("crown", "nodules", False), ("cut", "nodules", False), ("pink_of_cut", "cut", False)),
)

DISPOSITIONS = Table(
    "dispositions",
    "What became of an item in the end.",
    (
        C("item", "id", "filled", "A lot, batch or parcel.", refers=STOCK),
        C("on", "date", "filled"),
        C("quantity", "number", "filled", "In unit.", at_least=0),
        C("unit", "stock_unit", "filled"),
        C(
            "fate",
            "choice",
            "filled",
            choices=(
                "planted",
                "returned_unopened",
                "returned_opened",
                "carried_over",
                "disposed",
                "recalled",
            ),
        ),
        C("to", "text"),
    ),
    records.Disposition,
    key=("item", "on", "fate", "to"),
)

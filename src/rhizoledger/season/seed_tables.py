"""The tables of inoculants, seed, treating, and what happens to a lot or batch on the way."""

from __future__ import annotations

from rhizoledger import records
from rhizoledger.season.schema import Column as C
from rhizoledger.season.schema import Table

SEED_UNITS = ("kg", "lb", "unit", "bag", "bu")
STOCK = ("lots", "batches", "parcels")

COLDEST_C, HOTTEST_C = -60.0, 60.0
"""Typed temperatures outside are slips, mostly °F in a °C column."""


def _label(name: str = "label_file") -> C:
    return C(name, "file", note="File with the label's own text, in this folder.")


REQUIREMENTS = Table(
    "requirements",
    "Cells per seed that a crop needs, and who says so.",
    (
        C("crop", "text", "filled", "Crop name."),
        C("cells_per_seed", "number", "filled", "Live cells.", "cells/seed", above=0),
        C(
            "basis",
            "choice",
            "filled",
            "Compared with cells applied, or with the balance at seed drop.",
            choices=("nominal_applied", "recovered_at_planting"),
        ),
        C("source", "text", "filled", "Who says so."),
    ),
    records.Requirement,
    key=("crop",),
)

INOCULANTS = Table(
    "inoculants",
    "Live products as their labels describe them.",
    (
        C("inoculant", "id", "filled", "Name used in the other tables."),
        C("host_group", "text", "filled", "Host group served."),
        C("species", "text", "column", "Species of rhizobia."),
        C("form", "choice", "filled", choices=("liquid", "peat", "granule", "dry")),
        C(
            "placements",
            "choices",
            "filled",
            "Where the label lets it go; several joined by + or ;.",
            choices=("seed", "furrow_liquid", "furrow_granule"),
        ),
        C("guaranteed_titre", "number", "column", "Guaranteed live cells.", above=0),
        C("titre_unit", "choice", "filled", choices=("CFU/mL", "CFU/g")),
        C(
            "guarantee_holds",
            "choice",
            "column",
            "Until when the guarantee is given.",
            choices=("to_expiry", "at_manufacture"),
        ),
        C("rate", "number", "column", "Label rate, in rate_unit.", above=0),
        C("rate_unit", "rate_unit", "column", "Such as mL/100 kg, fl oz/cwt, pack/50 units."),
        C("label_rate_min", "number", note="In rate_unit.", at_least=0),
        C("label_rate_max", "number", note="In rate_unit.", above=0),
        C("pack_size", "number", "column", "Content of one pack, in pack_unit.", above=0),
        C("pack_unit", "amount_unit", "column", "mL, L, fl oz, g, kg, …"),
        C("pack_price", "number", note="Price of one pack.", at_least=0),
        C("opened_life_days", "number", note="Life once opened.", unit="day", at_least=0),
        C("slurry_life_hours", "number", note="Life once mixed.", unit="h", at_least=0),
        C("protectant", "text", note="Protectant on the label, or none."),
        C("store_min_c", "number", note="Label storage.", unit="°C"),
        C("store_max_c", "number", note="Label storage.", unit="°C"),
        C("organic_ok", "yes_no", note="Allowed in organic production."),
        _label(),
    ),
    records.Inoculant,
    key=("inoculant",),
    order=(("label_rate_min", "label_rate_max", False), ("store_min_c", "store_max_c", True)),
)

PRODUCTS = Table(
    "products",
    "Anything else that goes on seed or into a tank, water too.",
    (
        C("product", "id", "filled", "Name used in the other tables."),
        C(
            "kind",
            "choice",
            "filled",
            choices=(
                "fungicide",
                "insecticide",
                "nematicide",
                "polymer",
                "sticker",
                "extender",
                "micronutrient",
                "biological",
                "colourant",
                "flow_agent",
                "lime_coat",
                "fertiliser",
                "water",
                "other",
            ),
        ),
        C("metals", "text", note="Metals in it, such as Zn; none where there are none."),
        C("active", "text", note="Active ingredients."),
        C("formulation", "text"),
        C("density_g_per_ml", "number", unit="g/mL", above=0),
        C("pack_size", "number", note="Content of one pack, in pack_unit.", above=0),
        C("pack_unit", "amount_unit"),
        C("pack_price", "number", note="Price of one pack.", at_least=0),
        C(
            "label_rate_max",
            "number_or_rate",
            note="In the recipe's rate unit, or with its own: 6 fl oz/cwt.",
            above=0,
        ),
        C("label_crops", "texts", note="Crops on the label, joined by + or ;."),
        C("organic_ok", "yes_no", note="Allowed in organic production."),
        _label(),
    ),
    records.Product,
    key=("product",),
)

RECIPES = Table(
    "recipes",
    "What goes on seed, step by step; the same tank letter means mixed together.",
    (
        C("recipe", "id", "filled", "Name of the recipe."),
        C("step", "integer", "filled", "Order on the seed.", at_least=1),
        C("tank", "text", "filled", "Letter of the tank."),
        C("item", "id", "filled", "A product or an inoculant.", refers=("products", "inoculants")),
        C("rate", "number", "filled", "In rate_unit.", at_least=0),
        C("rate_unit", "seed_rate_unit", "filled", "Such as fl oz/cwt, mL/100 kg, g/unit."),
        C("wait_minutes", "number", note="Wait before the next step.", unit="min", at_least=0),
        C("dry_before_next", "yes_no"),
        C("water_source", "choice", choices=("chlorinated", "not", "unknown")),
    ),
    records.RecipeStep,
    key=("recipe", "step", "item"),
)

STACKS = Table(
    "stacks",
    "What is known of an inoculant together with other items.",
    (
        C("inoculant", "id", "filled", refers=("inoculants",)),
        C(
            "with",
            "ids",
            "filled",
            "A product, several joined by +, or a recipe.",
            refers=("products", "inoculants", "recipes"),
            field="with_",
        ),
        C("contact", "choice", "filled", choices=("tank", "on_seed", "furrow_tank")),
        C(
            "verdict",
            "choice",
            "filled",
            choices=(
                "label_allows",
                "label_forbids",
                "tested_ok",
                "tested_harmful",
                "not_tested",
            ),
        ),
        C("max_hours", "number", note="Longest contact.", unit="h", at_least=0),
        C("log10_loss", "number", note="Loss found, log10.", at_least=0),
        C("loss_hours", "number", note="Over how long.", unit="h", above=0),
        C("loss_basis", "choice", choices=("over_check", "total")),
        C("by", "choice", "column", choices=("label", "maker", "independent", "own")),
        C("source", "text", "column", "Who says so, where."),
    ),
    records.Stack,
    key=("inoculant", "with", "contact", "by", "source"),
)

LOTS = Table(
    "lots",
    "Production lots of inoculants.",
    (
        C("lot", "id", "filled", "Lot name; lots, batches and parcels share one namespace."),
        C("inoculant", "id", "filled", refers=("inoculants",)),
        C("made_on", "date"),
        C("expires_on", "date", "filled"),
        C("received_on", "date"),
        C("packs", "number", note="Packs received.", at_least=0),
    ),
    records.Lot,
    key=("lot",),
    order=(
        ("made_on", "expires_on", False),
        ("made_on", "received_on", False),
    ),
)

BATCHES = Table(
    "batches",
    "Batches of seed, treated here or bought in.",
    (
        C("batch", "id", "filled", "Batch name; lots, batches and parcels share one namespace."),
        C("crop", "text", "filled"),
        C(
            "origin",
            "choice",
            "filled",
            choices=("own_run", "custom", "bought_in", "blend", "returned", "carried_over"),
        ),
        C("quantity", "number", "filled", "In quantity_unit.", above=0),
        C("quantity_unit", "choice", "filled", choices=SEED_UNITS),
        C("seeds_per_unit", "number", note="Seeds in one unit.", unit="seeds", above=0),
        C("kg_per_bag", "number", note="Mass of one bag.", unit="kg", above=0),
        C("seeds_per_kg", "number", note="This or seeds_per_lb.", unit="seeds/kg", above=0),
        C("seeds_per_lb", "number", note="This or seeds_per_kg.", unit="seeds/lb", above=0),
        C("seed_size_how", "choice", choices=("tag", "counted", "guess")),
        C("owner", "text"),
        C("needed_by", "date"),
        C("parents", "ids", note="Batches it came from, joined by +.", refers=STOCK[1:]),
        C("recipe", "id", refers=("recipes",)),
        C("lot", "ids", note="Lots used or meant, joined by +.", refers=("lots",), field="lots"),
        C("treat_on", "date_or_moment"),
        C("tag_use_by", "date_or_moment"),
        C("tag_cells_per_seed", "number", unit="cells/seed", above=0),
    ),
    records.Batch,
    key=("batch",),
    one_of=(("seeds_per_kg", "seeds_per_lb"),),
)

TREATMENTS = Table(
    "treatments",
    "Treating runs as they were done.",
    (
        C("run", "id", "filled"),
        C("batch", "id", "filled", refers=("batches",)),
        C("item", "id", "filled", "A product or an inoculant.", refers=("products", "inoculants")),
        C("lot_or_blank", "id", "column", refers=("lots",), field="lot", also=("lot",)),
        C("amount", "number", "filled", "What went on, in unit.", at_least=0),
        C("unit", "amount_unit", "filled"),
        C("started_at", "moment", "filled", wants_time=True),
        C("finished_at", "moment", "column", wants_time=True),
        C("seed_temp_c", "number", unit="°C", at_least=COLDEST_C, at_most=HOTTEST_C),
        C("operator", "text"),
        C("sample_bag", "text"),
    ),
    records.Treatment,
    key=("run", "batch", "item", "lot_or_blank", "started_at"),
    order=(("started_at", "finished_at", False),),
)

STAYS = Table(
    "stays",
    "Where an item was, is or will be, and how warm.",
    (
        C("item", "id", "filled", "A lot, batch or parcel.", refers=STOCK),
        C(
            "stage",
            "choice",
            "filled",
            choices=("package", "slurry", "drying", "on_seed", "planter"),
        ),
        C("start", "moment", "filled", "Future rows are plans."),
        C("end", "moment", note="Empty: still there."),
        C(
            "place",
            "choice",
            choices=("store", "vehicle_closed", "yard", "tender", "planter"),
        ),
        C("logger", "file", note="File in loggers/, with extension; or the two below."),
        C("temp_low_c", "number", unit="°C", at_least=COLDEST_C, at_most=HOTTEST_C),
        C("temp_high_c", "number", unit="°C", at_least=COLDEST_C, at_most=HOTTEST_C),
        C("sensor_at", "choice", choices=("product", "air")),
        C("moisture", "choice", choices=("wet", "drying", "dry")),
        C("covered", "yes_no"),
        C("sun_hours", "number", unit="h", at_least=0),
        C("packaging", "choice", choices=("breathable", "airtight")),
    ),
    records.Stay,
    key=("item", "stage", "start"),
    order=(("start", "end", True), ("temp_low_c", "temp_high_c", False)),
    one_of=(("logger", "temp_low_c"), ("logger", "temp_high_c")),
)

EVENTS = Table(
    "events",
    "Things that happened to an item at a moment.",
    (
        C("item", "id", "filled", "A lot, batch or parcel.", refers=STOCK),
        C("at", "moment", "filled", wants_time=True),
        C(
            "event",
            "choice",
            "filled",
            choices=(
                "frozen",
                "closed_vehicle",
                "direct_sun",
                "rewetted",
                "opened",
                "frozen_seed",
                "split",
            ),
        ),
        C("minutes", "number", unit="min", at_least=0),
        C("ambient_c", "number", unit="°C", at_least=COLDEST_C, at_most=HOTTEST_C),
        C("parts", "ids", note="New parcels of a split, joined by +."),
        C("note", "text"),
    ),
    records.Event,
    key=("item", "at", "event"),
)

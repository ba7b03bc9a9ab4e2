"""A batch, three items and a good recipe, all invented."""

from __future__ import annotations

from typing import Any

from rhizoledger.records import Batch, Inoculant, Product, RecipeStep

BATCH = Batch(
    2,
    "B1",
    "soybean",
    "own_run",
    1000,
    "kg",
    1000.0,
    6000.0,
    150_000.0,
    25.0,
    "counted",
    recipe="R1",
)
I1 = Inoculant(
    2, "I1", "soybean", "sp.", "liquid", ("seed",), 1e10, "CFU/mL", "to_expiry", 250.0, "mL/100 kg",
    label_rate_min=200.0, label_rate_max=300.0, organic_ok=True,
)  # fmt: skip
F1 = Product(2, "F1", "fungicide", label_rate_max=150.0, label_crops=("soybean", "pea"))
P1 = Product(3, "P1", "polymer")
W1 = Product(4, "W1", "water")
INOCULANTS = {"I1": I1}
PRODUCTS = {"F1": F1, "P1": P1, "W1": W1}


def step(
    n: int, item: str, rate: float, tank: str = "A", unit: str = "mL/100 kg", **more: Any
) -> RecipeStep:
    return RecipeStep(n + 1, "R1", n, tank, item, rate, unit, **more)


GOOD = (step(1, "F1", 100, dry_before_next=True), step(2, "I1", 250, "B"))

"""Words for what the plan names in one word or one id: verdicts, limits, parts of a spread."""

from __future__ import annotations

from rhizoledger.plan.balance import TOGETHER

VERDICTS = {
    "stop": "STOP: do not plant as it is",
    "re_inoculate": "inoculate before planting",
    "plant_and_back_up": "plant, with a second dose in the furrow",
    "not_known": "not known",
    "plant": "plant",
    "inoculate_twice": "inoculate twice (seed and furrow)",
    "inoculate": "inoculate",
    "toss_up": "toss-up: about as likely to pay as not",
    "skip": "skip",
}
ARRIVALS = {
    "meets": "enough live cells arrived on the evidence there is",
    "unclear": "whether enough live cells arrived is not settled",
    "fails": "too few live cells are likely to have arrived",
    "not_known": "how many live cells arrived is not known",
}
ARRIVALS_AHEAD = {
    "meets": "enough arrive",
    "unclear": "not settled",
    "fails": "too few",
    "not_known": "not known",
}
GRADE_WORDS = {
    "own": "your own fitted value",
    "standard": "a standard sets it",
    "measured": "measured on this organism and matrix",
    "near": "measured on another organism or matrix, or derived",
    "practice": "common practice, no source",
    "assumption": "an assumption",
}
LIMITS = {"opened_life": "opened life", "slurry_life": "slurry life"}
STEPS = {"on_seed": "on the seed", "planter": "in the planter", "package": "in its package"}
_ROWS = {
    "log10_loss_21d": "the published loss on seed",
    "first_phase_share": "how much of that falls at once on drying",
    "z_c": "how warmth speeds it",
    "log10_loss_per_day": "loss of peat in its package",
    "d_days": "loss of liquid in its package",
}


def part(name: str) -> str:
    """What a part of the balance is, in words.

    Examples
    --------
    >>> part("survival.on_seed.soybean.z_c"), part("count L1"), part("own.my_fit")
    ('how warmth speeds it', 'the count of L1', 'evidence row own.my_fit')
    """
    if name == TOGETHER:
        return "these together"
    if name.startswith("count "):
        return f"the count of {name.removeprefix('count ')}"
    known = _ROWS.get(name.rpartition(".")[2])
    if known is not None:
        return known
    return f"evidence row {name}" if "." in name else name

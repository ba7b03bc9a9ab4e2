"""The counts of a season, as the plan took them: density, limits, and what each may change."""

from __future__ import annotations

from rhizoledger.counts.per_seed import agrees_with_guarantee
from rhizoledger.estimate import Estimate
from rhizoledger.plan.counting import SampleCount
from rhizoledger.plan.season_plan import Plan
from rhizoledger.report.blocks import Block, Cell, Heading, Paragraph, Table
from rhizoledger.report.numbers import day, large

UNIT = (
    "Each row is one sample; its limits say how well plates or tubes measured that sample, not how "
    "samples of the lot differ. A plate count is of colonies, not of cells that nodulate."
)


def counts_blocks(plan: Plan) -> list[Block]:
    """Every sample counted so far; nothing where there is none."""
    c = plan.context
    if not c.counts:
        return []
    rows = tuple(_row(count, plan) for count in c.counts)
    columns = ("Sample of", "Taken", "Live cells", "Per", "Counted on", "May", "Note")
    table = Table("Counts", "Every sample counted, with 90 % limits", columns, rows)
    return [Heading("Counts", 2, "counts"), Paragraph(UNIT), table]


def _row(count: SampleCount, plan: Plan) -> tuple[Cell, ...]:
    c = plan.context
    return (
        count.item,
        day(count.at, c.zone),
        density(count.estimate),
        count.basis,
        count.how,
        "only lower the ledger" if count.only_lowers else "raise or lower the ledger",
        " ".join(_notes(count, plan)),
    )


def _notes(count: SampleCount, plan: Plan) -> list[str]:
    notes = list(count.warnings)
    lot = plan.context.lots.get(count.item)
    of = plan.context.inoculants.get(lot.inoculant) if lot is not None else None
    per = of.titre_unit.removeprefix("CFU/") if of is not None else None
    if of is not None and of.guaranteed_titre and count.basis == per:
        against = agrees_with_guarantee(count.estimate, of.guaranteed_titre)
        notes.append(against or "Its limits hold the guarantee.")
    return notes


def density(e: Estimate) -> str:
    r"""A density with its limits, to two digits; a bound alone says which it is.

    Examples
    --------
    >>> density(Estimate(5.2e9, 4.1e9, 6.5e9, "CFU/mL", level=0.9))
    '5.2×10⁹ (4.1×10⁹ to 6.5×10⁹)'
    >>> density(Estimate(0.0, 0.0, 2300.0, "CFU/mL", status="at_limit"))
    'below 2\xa0300'
    """
    if e.status == "at_limit":
        if e.value is None and e.low is not None:
            return f"above {large(e.low)}"
        return "not known" if e.high is None else f"below {large(e.high)}"
    if e.value is None:
        return "not known"
    if e.low is None or e.high is None:
        return large(e.value)
    return f"{large(e.value)} ({large(e.low)} to {large(e.high)})"

"""What a count on the way did, in a sentence: before, by itself, and after."""

from __future__ import annotations

from rhizoledger.plan.ledger import Entry
from rhizoledger.plan.spoken import grouped
from rhizoledger.report.numbers import cells

AFTER = {
    "opens": "from here on the count is followed",
    "stands_alone": "from here on the count alone is followed",
    "stays_out": "the balance stays as it was",
}


def count_sentence(entry: Entry) -> str:
    """Before the count, the count alone, and after it; nothing for any other entry."""
    met = entry.met
    if met is None:
        return ""
    known = met.before.value is not None or met.before.high is not None
    before = f"Before it {cells(met.before)}" if known else "Before it no number stood"
    alone = cells(met.alone)
    if met.alone.value is None and met.alone.low is not None:
        alone = f"at least {grouped(10**met.alone.low)}"
    if met.did != "weighs":
        return f"{before}; the count alone {alone}; {AFTER[met.did]}."
    text = f"{before}; the count alone {alone}; both together {cells(entry.balance)}"
    if met.ess is None or met.k_hat is None:
        return f"{text}."
    k_hat = "below 0" if met.k_hat < 0 else f"{met.k_hat:.1f}"
    return f"{text}; worth {grouped(met.ess)} of {grouped(met.draws)} draws, k-hat {k_hat}."

"""A what-if in one process: the question, its table and its longest waits, beside its parts."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

from rhizoledger.plan.batch_answer import batch_at
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.what_if import Question, what_if
from rhizoledger.workflows.plan import season_context

DEMO = Path(__file__).parents[1] / "examples" / "demo"
RUNS = 5


def seconds(work: Callable[[], object]) -> float:
    """Median time of a few runs, after one to warm up [s]."""
    work()
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print times, and the table as a multiple of its cells."""
    context = season_context(DEMO)
    question = Question(7.0, 5.0)
    found = what_if("S07", question, context)
    cells = sum(len(s.outcomes) for s in found.stores)
    whole = seconds(lambda: what_if("S07", question, season_context(DEMO)))
    read = seconds(lambda: season_context(DEMO))
    facts = batch_facts(context.batches["S07"], context)
    one = seconds(lambda: batch_at(facts, found.base, context, brief=True))
    print(f"folder to answer  {whole:.3f} s  (limit 1 s), of which reading {read:.3f} s")
    print(f"one cell alone    {1000 * one:.1f} ms, {cells} cells: {cells * one:.3f} s")
    print(f"ratio to reading and cells alone: {whole / (read + cells * one):.2f}")


if __name__ == "__main__":
    main()

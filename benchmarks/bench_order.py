"""Run orders of 8, 12 and 20 runs: time, cost against the greedy order, and the proven gap."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from rhizoledger.plan.order_bound import best_order
from rhizoledger.plan.order_cost import Due, start_cost
from rhizoledger.plan.order_search import Line
from rhizoledger.plan.work_time import Shifts, free_days, parse_days, parse_hours, work_time

ZONE = ZoneInfo("America/Chicago")
SHIFTS = Shifts(parse_hours("8-18"), parse_days("mon-sat"))
STEP_MIN = 15
FIRST = datetime(2027, 5, 3, tzinfo=ZONE)
RECIPES = 6
SEASONS = 3


def invented(runs: int, seed: int) -> Line:
    """Runs with dates, windows and prices drawn as a shop of that size might have them."""
    draw = np.random.default_rng([runs, seed])
    days = max(7, int(0.9 * runs))
    start = work_time(SHIFTS, FIRST, free_days(FIRST.date(), days), ZONE, STEP_MIN)
    cost, length = [], []
    for _ in range(runs):
        minutes = float(draw.uniform(40, 200))
        at = FIRST + timedelta(hours=float(draw.uniform(36, 24 * days - 24)))
        due = Due("", at, 48.0, 1.0, draw.uniform(5, 40), draw.uniform(150, 1200))
        window = float(draw.choice([24, 72, 120, 240]))
        table = start_cost(start.start_s, minutes, (due,), window).whole
        steps = start.steps(minutes)
        table[np.arange(len(start)) + steps > start.ends] = np.inf
        cost.append(table)
        length.append(steps)
    minutes_between = np.where(np.eye(RECIPES, dtype=bool), 0, draw.choice([15, 30, 60], (6, 6)))
    gap = -(-minutes_between // STEP_MIN)
    kind = draw.integers(0, RECIPES, runs)
    return Line(np.stack(cost), np.array(length), kind, 0, gap, 1.0 * minutes_between)


def main() -> None:
    """Print a line for each size and season."""
    print("runs  steps  greedy    found    least   gap    how     seconds")
    for runs in (8, 12, 20):
        for seed in range(SEASONS):
            line = invented(runs, seed)
            begin = time.perf_counter()
            o = best_order(line)
            took = time.perf_counter() - begin
            how = "proved" if o.proved else "bounded"
            print(
                f"{runs:4d} {line.steps:6d} {o.greedy:8.1f} {o.found.cost:8.1f} {o.least:8.1f}"
                f" {100 * o.gap:5.1f} %  {how:7s} {took:7.2f}"
            )


if __name__ == "__main__":
    main()

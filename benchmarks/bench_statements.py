"""How fast statements are written: the demo, and a season of 500 batches and 500 fields made of it.

Run from the folder of the project:  python benchmarks/bench_statements.py [--batches 500] [--check]

Prints seconds, the ratio to drawing the figures and nothing else in one process, and the largest
memory use of any process. With --check it exits 1 when a limit is broken. All data are invented.
"""

from __future__ import annotations

import argparse
import csv
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rhizoledger.report.blocks import Figure
from rhizoledger.report.statement import statement
from rhizoledger.report.statements import write_statements
from rhizoledger.workflows.plan import PlanResult, make_plan

DEMO = Path(__file__).resolve().parent.parent / "examples" / "demo"
COPIED = ("S01", "S02", "S04", "S06", "S07", "S08", "S11", "S12")
PER_GROWER = 3
LIMITS = {"demo": 5.0, "many": 60.0, "megabytes": 1000.0}
Rows = list[dict[str, str]]


def rows(name: str) -> Rows:
    with (DEMO / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def many_batches(folder: Path, n: int) -> None:
    """A season of n batches, each in a field of its own, copied from eight of the demo's."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    batches = {b["batch"]: b for b in rows("batches.csv")}
    stays, plantings = rows("stays.csv"), rows("plantings.csv")
    fields = {f["field"]: f for f in rows("fields.csv")}
    lots = [r["lot"] for r in rows("lots.csv")]
    made: dict[str, Rows] = {"batches": [], "plantings": [], "fields": []}
    made["stays"] = [s for s in stays if s["item"] in lots]
    for i in range(n):
        old = COPIED[i % len(COPIED)]
        name, field, grower = f"X{i:04d}", f"Y{i:04d}", f"Grower {i // PER_GROWER}"
        made["batches"].append(batches[old] | {"batch": name, "owner": grower})
        made["stays"] += [s | {"item": name} for s in stays if s["item"] == old]
        planting = next(p for p in plantings if p["batch"] == old)
        made["plantings"].append(planting | {"field": field, "seq": "1", "batch": name})
        own = fields[planting["field"]] | {"field": field, "grower": grower}
        made["fields"].append(own | {"area": planting["area"]})
    for table in ("plates", "events"):
        made[table] = [r for r in rows(f"{table}.csv") if r["item"] in lots]
    for table in ("treatments", "applications", "dispositions", "tubes", "roots"):
        (folder / f"{table}.csv").unlink(missing_ok=True)
    for table, content in made.items():
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as handle:
            writer = csv.DictWriter(handle, content[0].keys())
            writer.writeheader()
            writer.writerows(content)


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bare_figures(result: PlanResult) -> float:
    """Seconds for the renderer alone on every figure of the report, in this process."""
    import vl_convert

    page = statement(result.plan, "0" * 64, "bench")
    specs = [dict(b.spec) for b in page.blocks if isinstance(b, Figure)]
    return timed(lambda: [vl_convert.vegalite_to_svg(s, allowed_base_urls=[]) for s in specs])


def megabytes() -> float:
    of = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return max(resource.getrusage(who).ru_maxrss for who in of) / 1024


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batches", type=int, default=500)
    parser.add_argument("--check", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        demo = make_plan(DEMO, base / "demo")
        seen = {"demo": timed(lambda: write_statements(demo))}
        many_batches(base / "many", chosen.batches)
        start = time.perf_counter()
        plan = make_plan(base / "many", base / "out")
        planned = time.perf_counter() - start
        seen["many"] = timed(lambda: write_statements(plan))
        seen["megabytes"] = megabytes()
        bare = bare_figures(plan)
    print(f"demo: statements {seen['demo']:.1f} s")
    print(f"{chosen.batches} batches and fields: planned in {planned:.1f} s")
    print(f"  statements {seen['many']:.1f} s, {seen['many'] / bare:.2f} x the figures alone")
    print(f"  largest process {seen['megabytes']:.0f} MB")
    broken = [name for name, limit in LIMITS.items() if seen[name] > limit]
    if chosen.check and broken:
        print(f"over the limit: {', '.join(broken)}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

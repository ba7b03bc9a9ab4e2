"""Fifty million readings from Parquet to exact exposure histograms, beside DuckDB and pandas.

Run from the folder of the project:
python benchmarks/bench_exposure.py [--readings 50000000] [--rounds 2] [--check]

Two files of one-minute readings are invented: one record, and 500 lots one after the other. Each
engine runs in a process of its own, so that its memory is its own, and must arrive at the same
whole numbers: milliseconds and degree-milliseconds of every quarter degree, each line cut where it
crosses an edge. DuckDB is asked in three ways and the quickest counts. The yardstick is decoding
alone: the same pieces read and thrown away. Seconds are the best of the rounds, CPU seconds those
of all threads; starting up and compiling are left out, and printed. DuckDB, pandas and pyarrow are
witnesses that the package never needs; what is not installed is left out and said so. With --check
it exits 1 when a limit is broken: DuckDB 2 x with numpy and 5 x with the extra [fast], pandas 10 x,
400 MB.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

LOTS, STEP_S, FIRST_S = 500, 60, 1_780_000_000
FIRST_UC, BIN_UC, LONGEST_MS = 60_000_000, 250_000, 7_200_000
PEAK_MB, DUCKDB_NUMPY, DUCKDB_FAST, PANDAS = 400, 2.0, 5.0, 10.0
OURS = ("decoding alone", "numpy", "fast")
THEIRS = ("duckdb lines", "duckdb pieces", "duckdb distinct", "pandas")
NEEDS = {"fast": ("numba",), "pandas": ("pandas", "pyarrow")}


def invent(folder: Path, readings: int) -> dict[str, Path]:
    """A day's wave, a slow drift and noise, in hundredths of a degree and single precision."""
    import polars as pl

    rng = np.random.default_rng(1)
    each = readings // LOTS
    time_s = FIRST_S + STEP_S * np.arange(each)
    lots = []
    for i in range(LOTS):
        drift = np.cumsum(rng.standard_normal(each)) * 0.01
        drift -= np.linspace(0, drift[-1], each)
        wave = np.sin(2 * np.pi * time_s / 86_400 + rng.uniform(0, 6))
        temp = rng.uniform(4, 24) + rng.uniform(0.5, 9) * wave + drift
        temp = np.round(np.clip(temp + 0.03 * rng.standard_normal(each), -30, 60), 2)
        when = pl.Series(time_s * 1_000_000).cast(pl.Datetime("us"))
        lots.append(pl.DataFrame({"item": [f"L{i:03d}"] * each, "time": when, "temp_c": temp}))
    many = pl.concat(lots).with_columns(pl.col("temp_c").cast(pl.Float32))
    when = pl.Series("time", STEP_S * 1_000_000 * np.arange(many.height)).cast(pl.Datetime("us"))
    paths = {"one record": folder / "one.parquet", "500 lots": folder / "lots.parquet"}
    many.write_parquet(paths["500 lots"], row_group_size=500_000)
    many.select(when, "temp_c").write_parquet(paths["one record"], row_group_size=500_000)
    return paths


def ours(path: Path, engine: str) -> tuple[Callable[[], Any], float]:
    importlib.import_module("polars")  # starting up is not what is timed

    from rhizoledger.season.logger_stream import LoggerFile
    from rhizoledger.survival.stream_lines import add_lines, fast_kernel
    from rhizoledger.workflows.exposure_reading import stream_file

    if engine == "decoding alone":
        return lambda: sum(piece.time_s.size for piece in LoggerFile(path).pieces()), 0.0
    kernel, start = add_lines, time.perf_counter()
    if engine == "fast":
        kernel = fast_kernel()
        sums = np.zeros(720, np.int64), np.zeros(720, np.int64)
        kernel(np.array([0, 60]), np.array([0, 1_000_000]), 7200, *sums)
    ready = time.perf_counter() - start

    def work() -> list[list[Any]]:
        found = {k: s.exposure() for k, s in stream_file(LoggerFile(path), None, kernel).items()}
        return [
            [item or "", e.first_bin + i, int(e.ticks[i]), int(e.degree_ticks[i])]
            for item, e in found.items()
            for i in np.flatnonzero(e.ticks).tolist()
        ]

    return work, ready


def by_duckdb(path: Path, way: str) -> Callable[[], Any]:
    import duckdb

    lots = "lots" in path.name
    item, same = ("item,", "and item = before") if lots else ("", "")
    before = ", lag(item) over () as before" if lots else ""
    many, group = "1 as many", ""
    if way == "distinct":
        many, group = "count(*) as many", "group by all"
    # Single precision holds five decimals. lag over () follows the rows of the file, which is what
    # DuckDB does fastest; an order by or a partition by would make it sort them.
    lines = f"""
      select {item} dt, a, b, {many}, a // {BIN_UC} as ka, b // {BIN_UC} as kb from (
        select {item} t - lag(t) over () as dt, lag(u) over () as a, u as b {before} from (
          select {item} epoch_ms(time) as t,
            10 * cast(round_even(cast(temp_c as double) * 1e5, 0) as bigint) + {FIRST_UC} as u
          from '{path}'))
      where dt is not null and dt <= {LONGEST_MS} {same} {group}"""
    end = "dt * (((ka + k * d + {}) * {} - a) / (b - a))"
    cut = "cast(round_even({}, 0) as bigint)"
    enter = cut.format(end.format("(d < 0)::int", BIN_UC))
    leave = cut.format(end.format("(d > 0)::int", BIN_UC))
    middle = f"(bin * {BIN_UC} + {BIN_UC // 2})"

    def pieces(of: str) -> str:
        return f"""
      select {item} bin, sum(many * (v - u)) as s, sum(many * cast(round_even(
          (v - u) * (a - {middle} + (b - a) / dt * (v + u) / 2), 0) as bigint)) as g
      from (select {item} many, dt, a, b, ka + k * d as bin,
          case when k = 0 then 0 else {enter} end as u,
          case when k = abs(kb - ka) then dt else {leave} end as v
        from (select *, sign(kb - ka)::bigint as d, unnest(range(0, abs(kb - ka) + 1)) as k
          from {of}))
      group by all"""

    if way == "lines":
        parts = f"""
      select {item} ka as bin, sum(dt) as s,
          sum(dt // 2 * (a + b - 2 * (ka * {BIN_UC} + {BIN_UC // 2}))) as g
      from n where ka = kb group by all
      union all {pieces("(select * from n where ka <> kb)")}"""
    else:
        parts = pieces("n")
    query = f"""with n as ({lines}), p as ({parts})
      select {item or "'',"} bin::int, sum(s)::bigint, sum(g)::bigint
      from p group by all having sum(s) > 0 order by all"""
    con = duckdb.connect()
    return lambda: [list(row) for row in con.execute(query).fetchall()]


def by_pandas(path: Path) -> Callable[[], Any]:
    import pandas as pd

    lots = "lots" in path.name
    keys = ["item", "bin"] if lots else ["bin"]

    def work() -> list[list[Any]]:
        d = pd.read_parquet(path)
        d["t"] = d.pop("time").astype("datetime64[ms]").astype("int64")
        temp = d.pop("temp_c").astype("float64")
        d["b"] = 10 * (temp * 1e5).round().astype("int64") + FIRST_UC
        d["a"], d["dt"] = d["b"].shift(fill_value=0), d["t"].diff().fillna(1e18).astype("int64")
        keep = d["dt"] <= LONGEST_MS
        if lots:
            d["item"] = d["item"].astype("category")
            keep &= d["item"].cat.codes.diff() == 0
        d = d[keep].drop(columns="t")
        d["bin"], d["kb"] = d["a"] // BIN_UC, d["b"] // BIN_UC
        level = d["bin"] == d["kb"]
        whole, cross = d[level], d[~level]
        middle = whole["bin"] * BIN_UC + BIN_UC // 2
        g = whole["dt"] // 2 * (whole["a"] + whole["b"] - 2 * middle)
        parts = [whole.assign(s=whole["dt"], g=g).groupby(keys, observed=True)[["s", "g"]].sum()]
        n = (cross["kb"] - cross["bin"]).abs() + 1
        p = cross.loc[cross.index.repeat(n)]
        k = p.groupby(level=0).cumcount().to_numpy()
        p = p.reset_index(drop=True)
        d_ = np.sign(p["kb"] - p["bin"])
        p["bin"] += k * d_
        rise = p["b"] - p["a"]
        enter = (p["dt"] * (((p["bin"] + (d_ < 0)) * BIN_UC - p["a"]) / rise)).round()
        leave = (p["dt"] * (((p["bin"] + (d_ > 0)) * BIN_UC - p["a"]) / rise)).round()
        u = enter.where(k > 0, 0).astype("int64")
        v = leave.where(p["bin"] != p["kb"], p["dt"]).astype("int64")
        offset = p["a"] - (p["bin"] * BIN_UC + BIN_UC // 2)
        p["s"] = v - u
        p["g"] = (p["s"] * (offset + rise / p["dt"] * (v + u) / 2)).round().astype("int64")
        parts.append(p.groupby(keys, observed=True)[["s", "g"]].sum())
        total = pd.concat(parts).groupby(level=keys, observed=True).sum().reset_index()
        total = total[total["s"] > 0]
        items = total["item"] if lots else [""] * len(total)
        return [list(x) for x in zip(items, total["bin"], total["s"], total["g"], strict=True)]

    return work


def peak_mb() -> float:
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def child(engine: str, path: Path) -> None:
    """One engine, once: seconds, start-up, memory, and a digest of its histograms."""
    ready = 0.0
    if engine in OURS:
        work, ready = ours(path, engine)
    elif engine == "pandas":
        work = by_pandas(path)
    else:
        work = by_duckdb(path, engine.split()[1])
    start, cpu = time.perf_counter(), time.process_time()
    found = work()
    spent, cpu = time.perf_counter() - start, time.process_time() - cpu
    answer = [] if isinstance(found, int) else sorted([str(i), *map(int, r)] for i, *r in found)
    sums = [sum(r[2] for r in answer), sum(r[3] for r in answer), hash_of(answer)]
    told = {"s": spent, "cpu": cpu, "ready": ready, "mb": peak_mb(), "sums": sums}
    print(json.dumps(told))


def hash_of(answer: list[Any]) -> str:
    import hashlib

    return hashlib.sha256(json.dumps(answer).encode()).hexdigest()[:12]


def run(engine: str, path: Path) -> dict[str, Any]:
    words = [sys.executable, __file__, "--child", engine, "--file", str(path)]
    out = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    found: dict[str, Any] = json.loads(out)
    return found


def here(engine: str) -> bool:
    needs = NEEDS.get(engine, ("duckdb",) if engine.startswith("duckdb") else ())
    return all(importlib.util.find_spec(name) is not None for name in needs)


def compare(name: str, path: Path, readings: int, rounds: int) -> list[str]:
    """Time every engine on one file, print it, and say which limits are broken."""
    engines = [e for e in (*OURS, *THEIRS) if here(e)]
    best: dict[str, dict[str, Any]] = {}
    for _ in range(rounds):
        for engine in engines:
            one = run(engine, path)
            if engine not in best or one["s"] < best[engine]["s"]:
                best[engine] = one
    size = path.stat().st_size / 1e6
    print(f"\n{name}: {readings / 1e6:g} million readings, {size:.0f} MB")
    print(
        "engine            seconds   CPU s  M/s   peak MB  share of decoding's speed  same numbers"
    )
    alone = best["decoding alone"]["s"]
    for engine, one in best.items():
        same = one["sums"][2] == best["numpy"]["sums"][2]
        print(
            f"{engine:16} {one['s']:8.2f} {one['cpu']:7.2f} {readings / one['s'] / 1e6:5.1f} "
            f"{one['mb']:8.0f} "
            f"{alone / one['s']:14.2f} {'' if engine == OURS[0] else 'yes' if same else 'NO':>24}"
            + (f"   (compiled in {one['ready']:.1f} s)" if one["ready"] > 0.1 else "")
        )
    broken = [
        f"{name}: {e} differs" for e in engines[1:] if best[e]["sums"] != best["numpy"]["sums"]
    ]
    asked = {e: best[e]["s"] for e in engines if e.startswith("duckdb")}
    pandas = {"pandas": best["pandas"]["s"]} if "pandas" in best else {}
    for engine, theirs, wanted in (
        ("numpy", asked, DUCKDB_NUMPY),
        ("fast", asked, DUCKDB_FAST),
        ("numpy", pandas, PANDAS),
    ):
        if engine in best and theirs:
            ratios = {whom: s / best[engine]["s"] for whom, s in theirs.items()}
            said = ", ".join(f"{ratio:.1f} x {whom}" for whom, ratio in ratios.items())
            print(f"{engine} is as fast as {said}; {wanted:g} x wanted")
            if min(ratios.values()) < wanted:
                broken.append(f"{name}: {engine} is {min(ratios.values()):.1f} x, not {wanted:g} x")
    for engine in engines:
        if engine in OURS and best[engine]["mb"] > PEAK_MB:
            broken.append(f"{name}: {engine} takes {best[engine]['mb']:.0f} MB, not {PEAK_MB}")
    return broken


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=50_000_000)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--check", action="store_true", help="exit 1 if a limit is broken")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        child(args.child, args.file)
        return 0
    missing = [e for e in (*OURS, *THEIRS) if not here(e)]
    if missing:
        print(f"Left out, not installed: {', '.join(missing)}")
    broken = []
    with tempfile.TemporaryDirectory() as folder:
        for name, path in invent(Path(folder), args.readings).items():
            broken += compare(name, path, args.readings // LOTS * LOTS, args.rounds)
    for line in broken:
        print(f"broken: {line}")
    return 1 if args.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())

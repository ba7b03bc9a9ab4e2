"""The console summary: the answers of a plan in 80 columns, most urgent first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from textwrap import wrap

from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.field_answer import FieldAnswer
from rhizoledger.plan.planting_answer import PlantingAnswer, drop_time
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.spoken import grouped
from rhizoledger.report.numbers import cells, figures, money, odds, time_left
from rhizoledger.report.words import ARRIVALS, LIMITS, VERDICTS, part

WIDTH = 80
INDENT = " " * 37
SHOWN = 6
"""As many lines as anyone acts on before breakfast; the rest stands in plan.json."""
A_WEEK = timedelta(days=7)
RANKS = ("stop", "re_inoculate", "clock", "plant_and_back_up", "not_known", "order")
"""Order of "Do next": what cannot be undone first, what can be ordered for later last."""
PLANTING_ORDER = ("stop", "re_inoculate", "plant_and_back_up", "not_known", "plant")
PLANTED = {
    ("meets",): "plant",
    ("unclear", "not_known"): "plant; how much arrives is not settled (field has history)",
    ("fails",): "plant; do not count on this inoculant (field has history)",
}
FIELD_ORDER = ("inoculate_twice", "inoculate", "toss_up", "skip", "not_known")
CAUTION = (
    "Label, tag and local rules come first. Treated seed is never food, feed or oil; wear gloves, "
    "keep dust down. Counts are by plate: not every living cell nodulates."
)


def summary_text(plan: Plan, written: Sequence[Path] = ()) -> str:
    """The summary of a plan, one text, no line longer than 80 characters.

    Parameters
    ----------
    plan : Plan
    written : sequence of Path
        Files written, named on the last lines.
    """
    c = plan.context
    lines = _wrapped(f"{c.season.settings.name}, as of {c.as_of.isoformat()}")
    for section in (
        _batches(plan.batches, c.now),
        _plantings(plan.plantings),
        _fields(plan.fields, c.season.settings.units.yield_, c.season.settings.units.area),
        _next(plan),
        _tighten(plan),
        _not_asked(plan),
        _warnings(plan),
        _inputs(plan),
        _wrapped(CAUTION),
    ):
        if section:
            lines += ["", *section]
    if written:
        names = ", ".join(path.name for path in written)
        lines += ["", *_wrapped(f"Written: {names}"), f"in {written[0].parent}"]
    return "\n".join(lines)


def _batches(batches: Iterable[BatchAnswer], now: datetime) -> list[str]:
    rows = sorted(batches, key=lambda b: (b.window is None, b.window.at if b.window else now))
    if not rows:
        return []
    lines = ["Seed batches: time left, what sets it, live cells a seed at seed drop"]
    for b in rows:
        left, by = "not known", "no window"
        if b.window is not None:
            left = time_left(b.window.at, now)
            by = LIMITS.get(b.window.by, b.window.by)
        lines += _hung(f"  {b.name:<12} {left:<9} {by:<11} ", cells(b.at_drop.cells))
        if b.at_drop.p is not None:
            share = odds(b.at_drop.p, at_least=b.at_drop.book.worse.at_least)
            lines += _hung(INDENT, f"chance of enough: {share}")
        elif b.at_drop.why_no_p:
            lines += _hung(INDENT, f"chance not stated: {b.at_drop.why_no_p.rstrip('.')}")
    return lines


def _plantings(plantings: Sequence[PlantingAnswer]) -> list[str]:
    if not plantings:
        return []
    lines = ["Plantings"]
    for word in PLANTING_ORDER:
        rows = [p for p in plantings if p.verdict.word == word and not p.planted]
        if not rows:
            continue
        if word == "plant":
            lines += _plain_plantings(rows)
            continue
        lines.append(f"  {VERDICTS[word]} ({len(rows)})")
        for p in rows:
            lines += _hung(f"    {_place(p)}: ", p.verdict.reasons[0])
    done = [p for p in plantings if p.planted]
    if done:
        lines.append(f"  in the ground ({len(done)})")
    for p in done:
        lines += _hung(f"    {_place(p)}: ", f"{ARRIVALS[p.arrival]}; {p.verdict.actions[0]}")
    return lines


def _plain_plantings(rows: Sequence[PlantingAnswer]) -> list[str]:
    """What is to be planted, apart by what can be counted on."""
    lines: list[str] = []
    for words, said in PLANTED.items():
        some = [p for p in rows if p.arrival in words]
        if some:
            lines.append(f"  {said} ({len(some)})")
            lines += _hung("    ", ", ".join(_place(p) for p in some))
    return lines


def _place(p: PlantingAnswer) -> str:
    return f"{p.planting.field}/{p.planting.seq} {p.planting.batch or 'bare seed'}"


def _fields(fields: Sequence[FieldAnswer], unit: str, area: str) -> list[str]:
    if not fields:
        return []
    lines = [f"Fields: does inoculation pay? (gain in {unit}, money per {area})"]
    for word in FIELD_ORDER:
        rows = [f for f in fields if f.verdict.word == word]
        if not rows:
            continue
        lines.append(f"  {VERDICTS[word]} ({len(rows)})")
        for f in rows:
            name = f"    {f.field.field} {f.crop or 'crop not written down'}: "
            lines += _hung(name, _money_sentence(f))
    return lines


def _money_sentence(f: FieldAnswer) -> str:
    if f.p_pays is None:
        cost = "cost not known" if f.cost_per_area is None else f"costs {money(f.cost_per_area)}"
        needs = "" if f.break_even is None else f", pays from {figures(f.break_even)}"
        gain = f.gain.method if f.gain.value is None else f"gain about {figures(f.gain.value)}"
        return f"{gain}; {cost}{needs}"
    assert f.gain.value is not None and f.break_even is not None
    return (
        f"chance of paying: {odds(f.p_pays)}; gain about {figures(f.gain.value)}, "
        f"needs {figures(f.break_even)}; "
        f"net {money(f.net.value)} ({money(f.net.low)} to {money(f.net.high)})"
    )


def _next(plan: Plan) -> list[str]:
    """What to do: stops first, then clocks, then what can still be ordered."""
    todo: list[tuple[int, datetime, str]] = []
    now = plan.context.now
    open_plantings = [p for p in plan.plantings if not p.planted]
    stopped = {p.planting.batch for p in open_plantings if p.verdict.word == "stop"}
    places: dict[tuple[int, str], list[str]] = {}
    for p in open_plantings:
        if p.verdict.word == "plant" or (
            p.verdict.word == "plant_and_back_up" and any(f.backs_up for f in p.furrow)
        ):
            continue
        rank = RANKS.index(p.verdict.word)
        places.setdefault((rank, p.verdict.actions[0]), []).append(_place(p))
    for (rank, action), where in places.items():
        todo.append((rank, now, f"{', '.join(where)}: {action}"))
    for r in plan.runs:
        if r.stops and r.sheet.done is None and r.sheet.batch not in stopped:
            todo.append((0, now, f"run {r.sheet.batch}: {r.stops[0].sentence}"))
    for b in plan.batches:
        ahead = [p for p in open_plantings if p.planting.batch == b.name]
        if b.window is not None and ahead and now <= b.window.at <= now + A_WEEK:
            first = [p.planting.field for p in ahead if p.consequence != "history"]
            fields = ", ".join(dict.fromkeys([*first, *(p.planting.field for p in ahead)]))
            left = time_left(b.window.at, now)
            late = [
                p.planting.field for p in ahead
                if drop_time(p.planting, plan.context) > b.window.at
            ]  # fmt: skip
            text = f"{b.name}: {left} left to plant it ({fields})."
            if late:
                text += f" Planned too late: {', '.join(dict.fromkeys(late))}."
            todo.append((RANKS.index("clock"), b.window.at, text))
    for f in plan.fields:
        for t in f.worth_testing:
            if t.needed_by is not None and (t.value is None or t.value >= 1):
                worth = f", worth about {grouped(t.value)}" if t.value else ""
                text = f"{f.field.field}: see to {t.what} by {t.needed_by}{worth}"
                todo.append((RANKS.index("order"), now, text))
    unique = list(dict.fromkeys(text for _, _, text in sorted(todo, key=lambda x: x[:2])))
    if not unique:
        return []
    out = ["Do next"]
    for text in unique[:SHOWN]:
        out += _hung("  - ", text)
    if len(unique) > SHOWN:
        out.append(f"  and {len(unique) - SHOWN} more in plan.html")
    return out


def _tighten(plan: Plan) -> list[str]:
    if not plan.tighten:
        return []
    t = plan.tighten[0]
    now, then = grouped(t.factor_now), grouped(t.factor_then)
    by = f" (most of it from {part(t.moved_by)})" if t.moved_by else ""
    text = (
        f"{t.answer} is known only within a factor of {now}{by}. {t.what.capitalize()} would bring "
        f"that to about {then}."
    )
    return ["What would tighten most", *_hung("  ", text)]


def _not_asked(plan: Plan) -> list[str]:
    return _wrapped(f"Not asked: {'; '.join(plan.not_asked)}.") if plan.not_asked else []


def _warnings(plan: Plan) -> list[str]:
    if not plan.problems:
        return []
    out = [f"Warnings ({len(plan.problems)})"]
    for problem in plan.problems[:5]:
        out += _hung("  - ", problem.sentence())
    if len(plan.problems) > 5:
        out.append(f"  and {len(plan.problems) - 5} more in plan.html")
    return out


def _inputs(plan: Plan) -> list[str]:
    s = plan.context.season
    counted = {
        ("lot", "s"): s.lots, ("batch", "es"): s.batches, ("stay", "s"): s.stays,
        ("logger", "s"): s.traces, ("count", "s"): plan.context.counts,
        ("treating row", "s"): s.treatments, ("field", "s"): s.fields,
        ("planting", "s"): s.plantings,
    }  # fmt: skip
    said = ", ".join(
        f"{len(rows)} {name}{'' if len(rows) == 1 else many}"
        for (name, many), rows in counted.items()
        if len(rows)
    )
    return _wrapped(f"Read: {said}.") if said else []


def _wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH)


def _hung(head: str, text: str) -> list[str]:
    """``text`` after ``head``, further lines indented under its start where that is short."""
    indent = " " * min(len(head), WIDTH // 2)
    return wrap(text, WIDTH, initial_indent=head, subsequent_indent=indent) or [head.rstrip()]

"""Harm without a number: what was seen, a flag, and what would settle it (§2.8).

Nothing here is a loss. A hazard makes a step "known harmful, not quantified" (or not valid, or not
known), it never turns a verdict green, and a count is what settles it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, Protocol, get_args

from rhizoledger.records import Event, Stay
from rhizoledger.units import degrees

Kind = Literal[
    "sun",
    "frozen",
    "frozen_seed",
    "rewetted",
    "closed_vehicle",
    "metals",
    "chlorinated_water",
    "airtight",
    "warm_peat",
    "above_range",
    "below_range",
    "unbounded_gap",
]
HAZARD_KINDS: tuple[str, ...] = get_args(Kind)

HARMFUL = "Known harmful, not quantified."
COUNT = "A count of live cells taken afterwards."
PLAIN_WORDS: Mapping[str, tuple[str, str]] = {
    "warm_peat": ("Warm peat can grow: a model of loss does not hold there.", COUNT),
    "above_range": ("Warmer than the label's storage range: the guarantee no longer holds.", COUNT),
    "below_range": ("Colder than the label's storage range: the guarantee no longer holds.", COUNT),
    "unbounded_gap": (
        "Time without a temperature that nothing bounds: not quantified.",
        "The temperature range of the place, a logger left there, or a count of live cells.",
    ),
}
"""Words for what is not a harm but a limit of the model, where no evidence row has better ones."""

_BY_EVENT: Mapping[str, Kind] = {
    "direct_sun": "sun",
    "frozen": "frozen",
    "frozen_seed": "frozen_seed",
    "rewetted": "rewetted",
    "closed_vehicle": "closed_vehicle",
}


class HazardWords(Protocol):
    """What an evidence row says about one kind of hazard."""

    @property
    def known(self) -> str:
        """What is known of it."""

    @property
    def settle(self) -> str:
        """What would settle it."""


@dataclass(frozen=True, slots=True)
class Hazard:
    """One kind of harm that an item met.

    Parameters
    ----------
    kind : str
        One of :data:`HAZARD_KINDS`.
    what : str
        What is known of it, in a sentence; never a loss.
    settle : str
        What would settle it.
    seen : str
        The temperature, time or name behind the flag; empty where only the fact is known.
    """

    kind: Kind
    what: str
    settle: str
    seen: str = ""


def hazards_of(
    stage: str,
    stays: Sequence[Stay],
    events: Iterable[Event],
    *,
    facts: Mapping[str, HazardWords],
    form: str | None = None,
    min_c: float | None = None,
    max_c: float | None = None,
    unbounded_hours: float = 0.0,
    metals: Sequence[str] = (),
    water_sources: Sequence[str | None] = (),
    store_min_c: float | None = None,
    store_max_c: float | None = None,
    grows_above_c: float | None = None,
    unit: str = "C",
) -> tuple[Hazard, ...]:
    """Hazards of an item during one stage, one entry for each kind, in the order of the kinds.

    Parameters
    ----------
    stage : str
        Stage of the run: package, slurry, drying, on_seed or planter.
    stays : sequence of Stay
        Rows of the run, in time order.
    events : iterable of Event
        What happened to the item during the run; the caller picks them by time.
    facts : mapping of str to HazardWords
        Words by kind, from the evidence tables. A kind without words gets plain ones.
    form : str, optional
        Form of the inoculant: liquid, peat, granule or dry.
    min_c, max_c : float, optional
        Coldest and warmest temperature the run can have had [°C].
    unbounded_hours : float
        Time without a temperature and without bounds [h].
    metals : sequence of str
        Metals in products that touch the cells.
    water_sources : sequence of str or None
        Water used for the mix: chlorinated, not, unknown.
    store_min_c, store_max_c : float, optional
        The label's storage range [°C]; judged in the package only.
    grows_above_c : float, optional
        Above it peat can grow [°C], from an evidence parameter.
    unit : {"C", "F"}
        Unit in which temperatures are said.

    Returns
    -------
    tuple of Hazard
        Empty where none was found, which does not say that there was none.

    Notes
    -----
    §2.8. A closed vehicle is not flagged where loggers in the product itself cover every row: then
    its temperature is known. Sun is not flagged on rows that say the item was covered.

    Examples
    --------
    >>> [h.kind for h in hazards_of("package", (), (), facts={}, form="liquid", min_c=-3.0)]
    ['frozen']
    """
    seen: dict[Kind, list[str]] = defaultdict(list)
    in_product = bool(stays) and all(s.logger and s.sensor_at == "product" for s in stays)
    for event in events:
        kind = _BY_EVENT.get(event.event)
        if kind is not None and not (kind == "closed_vehicle" and in_product):
            seen[kind].append(_event_seen(event, unit))
    for stay in stays:
        if stay.sun_hours and not stay.covered:
            seen["sun"].append(f"{stay.sun_hours:g} h")
        if stay.place == "vehicle_closed" and not in_product:
            seen["closed_vehicle"].append("")
        if stay.packaging == "airtight":
            seen["airtight"].append("")
    if _wetted_again(stays):
        seen["rewetted"].append("")
    if metals:
        seen["metals"].append(", ".join(sorted(set(metals))))
    if "chlorinated" in water_sources:
        seen["chlorinated_water"].append("")
    _by_temperature(seen, stage, form, min_c, max_c, store_min_c, store_max_c, grows_above_c, unit)
    if unbounded_hours > 0:
        seen["unbounded_gap"].append(f"{unbounded_hours:.1f} h")
    return tuple(_hazard(kind, seen[kind], facts) for kind in get_args(Kind) if kind in seen)


def _by_temperature(
    seen: dict[Kind, list[str]],
    stage: str,
    form: str | None,
    min_c: float | None,
    max_c: float | None,
    store_min_c: float | None,
    store_max_c: float | None,
    grows_above_c: float | None,
    unit: str,
) -> None:
    if min_c is not None and min_c < 0:
        if stage not in ("package", "slurry"):
            seen["frozen_seed"].append(f"down to {degrees(unit, min_c)}")
        elif form != "dry":  # dried cells are kept frozen on purpose
            seen["frozen"].append(f"down to {degrees(unit, min_c)}")
    if stage != "package":
        return
    if max_c is not None:
        reached = f"up to {degrees(unit, max_c)}"
        if form == "peat" and grows_above_c is not None and max_c > grows_above_c:
            seen["warm_peat"].append(reached)
        if store_max_c is not None and max_c > store_max_c:
            seen["above_range"].append(f"{reached}, label {degrees(unit, store_max_c)}")
    if min_c is not None and store_min_c is not None and min_c < store_min_c:
        seen["below_range"].append(
            f"down to {degrees(unit, min_c)}, label {degrees(unit, store_min_c)}"
        )


def _wetted_again(stays: Sequence[Stay]) -> bool:
    """Whether dry seed became wet: each wet-dry cycle costs more than a steady state would."""
    on_seed = [s.moisture for s in stays if s.stage in ("drying", "on_seed", "planter")]
    known = [m for m in on_seed if m is not None]
    return any(a == "dry" and b != "dry" for a, b in pairwise(known))


def _event_seen(event: Event, unit: str) -> str:
    parts = [] if event.minutes is None else [f"{event.minutes:g} min"]
    if event.ambient_c is not None:
        parts.append(f"ambient {degrees(unit, event.ambient_c)}")
    return ", ".join(parts)


def _hazard(kind: Kind, seen: Sequence[str], facts: Mapping[str, HazardWords]) -> Hazard:
    words = facts.get(kind)
    what, settle = PLAIN_WORDS.get(kind, (HARMFUL, COUNT))
    if words is not None:
        what, settle = words.known, words.settle
    return Hazard(kind, what, settle, "; ".join(dict.fromkeys(s for s in seen if s)))

"""What is known of an inoculant together with other items (§3.2).

A stack is known only as it was tested or labelled *whole*. Pairs are a guess at best, one untested
member leaves nothing known, and nothing is inherited through an active ingredient.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rhizoledger.records import Contact, Product, RecipeStep, Stack

State = Literal["alone", "whole", "pairs", "untested", "forbidden", "harmful"]
LossBasis = Literal["over_check", "total"]
By = Literal["label", "maker", "independent", "own"]

ALONE = "alone"
ALLOWING = ("label_allows", "tested_ok")
CONTACT_WORDS: Mapping[Contact, str] = {
    "tank": "in the tank",
    "on_seed": "on seed",
    "furrow_tank": "in the furrow tank",
}
VERDICT_WORDS: Mapping[str, str] = {
    "label_allows": "the label allows it",
    "label_forbids": "the label forbids it",
    "tested_ok": "a test found no harm",
    "tested_harmful": "a test found harm",
    "not_tested": "it is written down as not tested",
}


@dataclass(frozen=True, slots=True)
class StackJudgement:
    """What may be said of an inoculant with what is beside it.

    Parameters
    ----------
    state : {"alone", "whole", "pairs", "untested", "forbidden", "harmful"}
        ``whole``: labelled or tested as it is. ``pairs``: only parts of it are known, so its hours
        are an assumption and never green on first-time ground. ``untested``: no number.
    rows : tuple of int
        Row numbers of ``stacks`` that it rests on.
    max_hours : float or None
        Shortest limit among them, from first wetting [h]; None where none is given, and always
        where the stack is forbidden, harmful or untested.
    log10_loss, loss_hours, loss_basis
        Largest loss among them [log10], the hours it was seen over, and whether it is over the
        check (natural death comes on top) or total (it contains natural death).
    by : {"label", "maker", "independent", "own"} or None
        Who says so: the row that decides.
    why : str
        The judgement in sentences, contradictions named.
    """

    state: State
    rows: tuple[int, ...]
    max_hours: float | None
    log10_loss: float | None
    loss_hours: float | None
    loss_basis: LossBasis | None
    by: By | None
    why: str


def stack_members(
    steps: Iterable[RecipeStep], products: Mapping[str, Product], inoculant: str
) -> tuple[str, ...]:
    """What an inoculant shares its seed with: every other item but water, each once.

    Colourants, polymers and other inoculants count: anything can harm.
    """
    names: dict[str, None] = {}
    for step in steps:
        product = products.get(step.item)
        if step.item != inoculant and (product is None or product.kind != "water"):
            names[step.item] = None
    return tuple(names)


def judge_stack(
    stacks: Iterable[Stack],
    inoculant: str,
    others: Sequence[str],
    recipe: str | None,
    contact: Contact,
    *,
    recipe_items: Sequence[str] | None = None,
) -> StackJudgement:
    """What is known of ``inoculant`` beside ``others`` in one kind of contact.

    Parameters
    ----------
    stacks : iterable of Stack
        The season's ``stacks`` rows.
    inoculant : str
        The inoculant judged.
    others : sequence of str
        Everything else beside it, without water (see :func:`stack_members`).
    recipe : str or None
        The recipe that ``others`` is the whole of; a row may name it instead of its items.
    contact : {"tank", "on_seed", "furrow_tank"}
        Rows for another contact say nothing here.
    recipe_items : sequence of str, optional
        What the recipe puts beside the inoculant. Where given and different from ``others``, a row
        that names the recipe does not describe this stack and is not used.

    Returns
    -------
    StackJudgement
        ``forbidden`` where a label forbids the whole or any part; else ``harmful`` where a test of
        the whole, or of a part of an untested whole, found harm; else ``whole``, ``pairs`` or
        ``untested``. Among rows that agree, the shortest hours and the largest loss.

    Notes
    -----
    §3.2. A test of the whole outranks harm seen in a part, because a further member (a protectant)
    may be what made the difference; the contradiction is named.

    Examples
    --------
    >>> ok = Stack(2, "I1", ("F1",), "on_seed", "tested_ok", max_hours=48)
    >>> judge_stack([ok], "I1", ("F1",), None, "on_seed").max_hours
    48
    >>> judge_stack([ok], "I1", ("F1", "P1"), None, "on_seed").state
    'untested'
    """
    ours = [row for row in stacks if _key(row.inoculant) == _key(inoculant)]
    here = [row for row in ours if row.contact == contact]
    beside = {_key(name): name for name in others if _key(name) != _key(inoculant)}
    if recipe is not None and recipe_items is not None:
        of_recipe = {_key(name) for name in recipe_items} - {_key(inoculant)}
        recipe = recipe if of_recipe == set(beside) else None
    whole = [row for row in here if _describes_whole(row, beside, recipe)]
    parts = [row for row in here if row not in whole and _members(row) < set(beside)]
    parts = [row for row in parts if _members(row)]
    place = CONTACT_WORDS[contact]

    forbidding = [row for row in (*whole, *parts) if row.verdict == "label_forbids"]
    if forbidding:
        others_say = [row for row in whole if row.verdict in ALLOWING]
        return _judgement("forbidden", forbidding, f"The label forbids it {place}.", others_say)
    harmful = [row for row in whole if row.verdict == "tested_harmful"]
    allowing = [row for row in whole if row.verdict in ALLOWING]
    part_harm = [row for row in parts if row.verdict == "tested_harmful"]
    if harmful:
        return _judgement("harmful", harmful, f"A test of this stack {place} found harm.", allowing)
    if not beside:
        why = (
            f"Nothing else is {place}." if allowing else f"Nothing else is {place}; no hours given."
        )
        return _judgement("alone", allowing, why, [])
    if allowing:
        why = f"Labelled or tested whole {place}."
        return _judgement("whole", allowing, why, part_harm)
    if part_harm:
        return _judgement("harmful", part_harm, f"A test of part of this stack {place} found harm.")
    known = [row for row in parts if row.verdict in ALLOWING]
    covered = {member for row in known for member in _members(row)}
    missing = [name for key, name in beside.items() if key not in covered]
    if missing:
        names = ", ".join(missing)
        why = f"{inoculant} with {names} {place}: not tested and not on a label; nothing is known."
        elsewhere = [row for row in ours if row.contact != contact and _members(row) & set(beside)]
        if elsewhere:
            seen = ", ".join(str(row.row) for row in elsewhere)
            why += f" What is known of another contact (stacks, row {seen}) does not answer it."
        return StackJudgement("untested", (), None, None, None, None, None, why)
    why = f"Known {place} only in parts, never whole: its hours are an assumption."
    return _judgement("pairs", known, why)


def _describes_whole(row: Stack, beside: Mapping[str, str], recipe: str | None) -> bool:
    members = _members(row)
    if members == set(beside):
        return True
    return recipe is not None and members == {_key(recipe)}


def _members(row: Stack) -> set[str]:
    """What the row sets beside the inoculant; the word ``alone`` means nothing."""
    members = {_key(name) for name in row.with_} - {_key(row.inoculant)}
    return set() if members == {ALONE} else members


def _judgement(
    state: State, rows: Sequence[Stack], why: str, against: Sequence[Stack] = ()
) -> StackJudgement:
    """Shortest hours, largest loss, and who says so, from the rows that decide."""
    open_rows = rows if state in ("alone", "whole", "pairs") else ()
    timed = [(row.max_hours, row) for row in open_rows if row.max_hours is not None]
    hours, limiting = min(timed, key=lambda pair: pair[0], default=(None, None))
    # Of equal losses, the one over the shorter time is the faster and is taken.
    losing = sorted(
        (row for row in rows if row.log10_loss is not None),
        key=lambda row: (-(row.log10_loss or 0.0), row.loss_hours or 0.0),
    )
    loss = losing[0] if losing else None
    decides = limiting or (rows[0] if rows else None)
    sentences = [why]
    if len({row.max_hours for row in open_rows}) > 1:
        told = ", ".join(f"row {row.row}: {_hours(row.max_hours)}" for row in open_rows)
        sentences.append(f"The rows give different hours ({told}); the shortest is taken.")
    if len({(row.log10_loss, row.loss_hours, row.loss_basis) for row in losing}) > 1:
        told = ", ".join(
            f"row {row.row}: {row.log10_loss:g} in {_hours(row.loss_hours)}" for row in losing
        )
        sentences.append(f"The rows give different losses ({told}); the largest is taken.")
    if against:
        told = "; ".join(f"row {row.row}, {VERDICT_WORDS[row.verdict]}" for row in against)
        sentences.append(f"Against it stands: {told}.")
    return StackJudgement(
        state,
        tuple(row.row for row in rows),
        hours,
        loss.log10_loss if loss else None,
        loss.loss_hours if loss else None,
        loss.loss_basis if loss else None,
        _by(decides),
        " ".join(sentences),
    )


def _hours(hours: float | None) -> str:
    return "hours not given" if hours is None else f"{hours:g} h"


def _by(row: Stack | None) -> By | None:
    if row is None:
        return None
    if row.by is None and row.verdict in ("label_allows", "label_forbids"):
        return "label"
    return row.by


def _key(name: str) -> str:
    return name.strip().casefold()

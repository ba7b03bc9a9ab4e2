"""How a planting's verdict is reached: SEASON's rules, first match, and nothing else.

Pure decisions on words and probabilities; what had to be worked out comes as an argument.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Arrival = Literal["meets", "unclear", "fails", "not_known"]
Consequence = Literal["first_time", "history", "unknown"]
PlantingWord = Literal["plant", "plant_and_back_up", "re_inoculate", "stop", "not_known"]
FieldWord = Literal["inoculate_twice", "inoculate", "toss_up", "skip", "not_known"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """A word, why, and what to do."""

    word: str
    reasons: tuple[str, ...]
    actions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of a batch at one planting.

    Parameters
    ----------
    p : float or None
        P(balance ≥ requirement) where it may be printed: stack and protectant known, worst grade
        ``near`` or better, at the worse end of every gap.
    p_low, p_high : float or None
        Prior-sensitivity band around it, Monte Carlo error included.
    window_open : bool
        A label, tag or whole-stack test window covers the planting.
    window_closed : str
        The limit that is past at planting, or nothing.
    clean : bool
        No excursion and no unquantified hazard since the last count.
    missing : str
        What is needed and not known, or nothing.
    too_few : bool
        Even the upper end of what can be there is below the requirement.
    """

    p: float | None
    p_low: float | None
    p_high: float | None
    window_open: bool
    window_closed: str
    clean: bool
    missing: str
    too_few: bool = False


def judge_arrival(s: Standing, wanted: float) -> tuple[Arrival, str]:
    """Whether enough live cells arrive, and the sentence that says so.

    *fails* is tested first. A window is open only as far as the model does not shorten it: where P
    may be printed and is below what is wanted, a label's hours alone do not make it "meets".

    Examples
    --------
    >>> judge_arrival(Standing(None, None, None, True, "", True, ""), 0.9)[0]
    'meets'
    >>> judge_arrival(Standing(0.05, 0.04, 0.06, True, "", True, ""), 0.9)[0]
    'fails'
    """
    if s.window_closed:
        return "fails", f"The window is closed at planting: {s.window_closed}."
    if s.too_few or (s.p is not None and s.p <= 1 - wanted):
        return "fails", "Too few live cells are likely to arrive."
    crossing = (
        s.p_low is not None and s.p_high is not None and s.p_low < wanted < s.p_high
    )  # §2.9: a band across the wanted probability decides nothing
    if s.p is not None and s.p >= wanted and not crossing:
        return "meets", "Enough live cells arrive on the evidence there is."
    if s.window_open and s.clean and s.p is None:
        return "meets", "The label, tag or test window for this seed is open at planting."
    if s.p is not None and s.window_open:
        return "unclear", (
            "The label, tag or test still allows planting, but the evidence does not settle "
            "whether enough live cells arrive."
        )
    if s.p is not None:
        return "unclear", "The evidence does not settle whether enough live cells arrive."
    if s.missing:
        return "not_known", s.missing
    return "unclear", "Nothing published settles whether enough live cells arrive."


def judge_planting(
    arrival: Arrival,
    consequence: Consequence,
    *,
    stop: str,
    unknown_group: str,
    may_re_inoculate: bool,
) -> PlantingWord:
    """The verdict's word, first match.

    Examples
    --------
    >>> judge_planting("fails", "history", stop="", unknown_group="", may_re_inoculate=True)
    'plant'
    >>> judge_planting("fails", "unknown", stop="", unknown_group="", may_re_inoculate=True)
    're_inoculate'
    """
    if stop:
        return "stop"
    if unknown_group:
        return "not_known"
    if arrival == "meets" or consequence == "history":
        return "plant"
    if arrival == "fails" and may_re_inoculate:
        return "re_inoculate"
    return "plant_and_back_up"


def judge_field(
    consequence: Consequence,
    *,
    p_pays: float | None,
    expected_net: float | None,
    worst_net: float | None,
    toss_up: tuple[float, float],
    max_loss: float | None,
) -> tuple[FieldWord, str]:
    """A field's word and a note, first match; ``skip`` is impossible on first-time ground.

    Examples
    --------
    >>> judge_field("unknown", p_pays=0.1, expected_net=-5.0, worst_net=-9.0,
    ...             toss_up=(0.4, 0.6), max_loss=None)[0]
    'inoculate_twice'
    >>> judge_field("history", p_pays=0.3, expected_net=-1.0, worst_net=-9.0,
    ...             toss_up=(0.4, 0.6), max_loss=None)[0]
    'skip'
    """
    if consequence != "history":
        return "inoculate_twice", ""
    if p_pays is None or expected_net is None:
        return "not_known", ""
    low, high = toss_up
    if p_pays > high and expected_net > 0:
        if max_loss is not None and worst_net is not None and worst_net < -max_loss:
            return "toss_up", f"one year in twenty would lose more than your limit of {max_loss:g}"
        return "inoculate", ""
    if p_pays < low and expected_net <= 0:
        return "skip", ""
    return "toss_up", ""

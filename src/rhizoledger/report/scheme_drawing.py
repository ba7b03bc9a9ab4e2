"""A dilution scheme as a drawing: sample, tubes, transfers and plates, in black strokes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from xml.sax.saxutils import escape

from rhizoledger.report.numbers import SUPERSCRIPT, raised

WIDTH = 530.0
FONT = "Libertinus Serif, serif"
SMALL, PLAIN = 8.5, 10.0
TUBE_TOP, TUBE_TALL = 34.0, 48.0
WIDEST_TUBE, WIDEST_PLATE, NARROWEST_PLATE = 24.0, 19.0, 12.0
PLATES_DRAWN = 4
PITCH = 11.5
TENFOLD = 10.0


@dataclass(slots=True)
class _Pen:
    parts: list[str] = field(default_factory=list)

    def path(self, d: str, thick: float = 0.8, fill: str = "none") -> None:
        self.parts.append(f'<path d="{d}" fill="{fill}" stroke="black" stroke-width="{thick:g}"/>')

    def text(self, x: float, y: float, words: str, size: float = SMALL, bold: bool = False) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="middle"{weight}>'
            f"{escape(words)}</text>"
        )

    def arrow(self, x: float, y: float, across: float, down: float) -> None:
        """A head whose tip is at a place, pointing along (across, down), a unit vector."""
        back_x, back_y, wide = x - 5 * across, y - 5 * down, 2.2
        self.path(
            f"M{x:.1f},{y:.1f}L{back_x - wide * down:.1f},{back_y + wide * across:.1f}"
            f"L{back_x + wide * down:.1f},{back_y - wide * across:.1f}Z",
            0.4,
            "black",
        )


def scheme_svg(plan: Mapping[str, Any]) -> str:
    """The scheme as one SVG: what is carried over stands on the arrows, what waits in the tubes.

    Parameters
    ----------
    plan : mapping
        As ``workflows.count_plan.count_plan`` returns it.
    """
    pen = _Pen()
    last = plan["tubes"]
    cell = WIDTH / (last + 1)
    plated = {d["step"] for d in plan["dilutions"]}
    for step in range(last + 1):
        x = (step + 0.5) * cell
        if step:
            _transfer(pen, x - cell, x, plan, step)
        _container(pen, x, cell, plan, step, step in plated)
        if step in plated:
            _plates(pen, x, cell, plan)
    drawn = min(plan["replicates"], PLATES_DRAWN)
    rows = 1 if _beside(cell, drawn) else drawn
    tall = TUBE_TOP + TUBE_TALL + 45 + PITCH * rows
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {tall:g}" '
        f'font-family="{FONT}">{"".join(pen.parts)}</svg>'
    )


def _container(
    pen: _Pen, x: float, cell: float, plan: Mapping[str, Any], step: int, plated: bool
) -> None:
    wide = min(WIDEST_TUBE, cell * 0.5)
    top, bottom, thick = TUBE_TOP, TUBE_TOP + TUBE_TALL, 1.6 if plated else 0.8
    if step == 0:
        _vessel(pen, x, cell, thick)
        pen.text(x, bottom - 12, _held(plan), SMALL)
    else:
        left, right, round_ = x - wide / 2, x + wide / 2, wide / 2
        pen.path(
            f"M{left:.1f},{top}V{bottom - round_:.1f}A{round_:.1f},{round_:.1f},0,0,0,"
            f"{right:.1f},{bottom - round_:.1f}V{top}",
            thick,
        )
        pen.path(f"M{left - 2:.1f},{top}H{right + 2:.1f}", thick)
        pen.path(f"M{left:.1f},{top + 13}H{right:.1f}", 0.5)
        pen.text(x, bottom - 18, amount(_diluent(plan, step)), SMALL)
        pen.text(x, bottom - 9, "mL", SMALL)
    pen.text(x, bottom + 12, step_words(plan, step), PLAIN, bold=plated)


def _vessel(pen: _Pen, x: float, cell: float, thick: float) -> None:
    """A flask: neck, shoulders, flat bottom."""
    wide, bottom = min(46.0, cell * 0.86), TUBE_TOP + TUBE_TALL
    pen.path(
        f"M{x - 6:.1f},{TUBE_TOP}V{TUBE_TOP + 14}L{x - wide / 2:.1f},{bottom - 3}"
        f"V{bottom}H{x + wide / 2:.1f}V{bottom - 3}L{x + 6:.1f},{TUBE_TOP + 14}V{TUBE_TOP}",
        thick,
    )
    pen.path(f"M{x - 8:.1f},{TUBE_TOP}H{x + 8:.1f}", thick)


def _held(plan: Mapping[str, Any]) -> str:
    if plan["basis"] == "seed":
        return f"{amount(plan['wash_ml'])} mL"
    return ""


def step_words(plan: Mapping[str, Any], step: int) -> str:
    """What a step is called: its dilution, or what was there before any."""
    if step:
        return dilution_words(plan["dilution_factor"], step)
    return "wash" if plan["basis"] == "seed" else "sample"


def carried(plan: Mapping[str, Any], step: int) -> str:
    """What goes into the tube of a step."""
    if plan["basis"] == "g" and step == 1:
        return f"{amount(TENFOLD * plan['transfer_ml'])} g"
    return f"{amount(plan['transfer_ml'])} mL"


def _diluent(plan: Mapping[str, Any], step: int) -> float:
    """Diluent that waits in the tube of a step [mL]."""
    one = float(plan["transfer_ml"]) * (float(plan["dilution_factor"]) - 1)
    return TENFOLD * one if plan["basis"] == "g" and step == 1 else one


def _transfer(pen: _Pen, x0: float, x1: float, plan: Mapping[str, Any], step: int) -> None:
    y = TUBE_TOP - 5
    middle = (x0 + x1) / 2
    pen.path(f"M{x0 + 3:.1f},{y}C{x0 + 8:.1f},{y - 22} {x1 - 6:.1f},{y - 22} {x1 - 3:.1f},{y - 4}")
    pen.arrow(x1 - 2.5, y, 0.35, 0.94)
    pen.text(middle, y - 20, carried(plan, step))


def _plates(pen: _Pen, x: float, cell: float, plan: Mapping[str, Any]) -> None:
    """Plates of one dilution: side by side where there is room, else one under another."""
    top = TUBE_TOP + TUBE_TALL + 17
    pen.path(f"M{x:.1f},{top}V{top + 12}")
    pen.arrow(x, top + 14, 0, 1)
    drawn = min(plan["replicates"], PLATES_DRAWN)
    beside = _beside(cell, drawn)
    wide = min(WIDEST_PLATE, cell * 0.42) if not beside else NARROWEST_PLATE
    for i in range(drawn):
        place = x + (i - (drawn - 1) / 2) * (2 * wide + 3) if beside else x
        y = top + 21 + (0 if beside else i * PITCH)
        pen.path(
            f"M{place - wide:.1f},{y:.1f}A{wide:.1f},4.5,0,1,0,{place + wide:.1f},{y:.1f}"
            f"A{wide:.1f},4.5,0,1,0,{place - wide:.1f},{y:.1f}Z",
            1.0,
            "white",
        )
    y = top + 25 + (1 if beside else drawn) * PITCH
    pen.text(x, y, f"{plan['replicates']} × {amount(plan['volume_ml'])} mL")


def _beside(cell: float, drawn: int) -> bool:
    return drawn * (2 * NARROWEST_PLATE + 3) <= cell - 6


def dilution_words(factor: float, step: int) -> str:
    """A dilution as it is written on a tube.

    Examples
    --------
    >>> dilution_words(10, 6), dilution_words(5, 2), dilution_words(5, 9)
    ('10⁻⁶', '1/25', '5.1×10⁻⁷')
    """
    if factor == TENFOLD:
        return f"10{str(-step).translate(SUPERSCRIPT)}"
    times = factor**step
    if times < 1e4 and float(times).is_integer():
        return f"1/{times:g}"
    mantissa, power = f"{1 / times:.1e}".split("e")
    return raised(f"{float(mantissa):g}×10^{int(power)}")


def amount(x: float) -> str:
    """An amount on a drawing, to four figures at most.

    Examples
    --------
    >>> amount(9.0), amount(0.1), amount(99.0)
    ('9', '0.1', '99')
    """
    return f"{x:.4g}"

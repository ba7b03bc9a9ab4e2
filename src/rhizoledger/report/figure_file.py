"""A figure as a file of its own: PNG, SVG or PDF by the ending of its name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError
from rhizoledger.report.charts.sheet import PAPER
from rhizoledger.report.draw import png, svg
from rhizoledger.report.files import write_file

ENDINGS = (".png", ".svg", ".pdf")
DOTS_PER_UNIT = 2.0


def checked_figure(path: Path) -> None:
    """Refuse a figure that cannot be written, before anything is computed.

    Raises
    ------
    InputError
        If the ending is unknown or there is no such folder.
    """
    if path.suffix.casefold() not in ENDINGS:
        raise InputError(f"A figure cannot be {path.name}. End it in {', '.join(ENDINGS)}.")
    if not path.parent.is_dir():
        raise InputError(f"There is no folder {path.parent}. Make it first.")


def write_figure(spec: Mapping[str, Any], path: Path) -> Path:
    """Write a figure.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite spec.
    path : Path
        Ends in .png, .svg or .pdf.

    Raises
    ------
    InputError
        As :func:`checked_figure`, or if it cannot be written.
    """
    checked_figure(path)
    match path.suffix.casefold():
        case ".svg":
            data = (svg(spec, "f-") + "\n").encode()
        case ".png":
            data = png({**spec, "background": PAPER}, DOTS_PER_UNIT)
        case _:
            import vl_convert

            data = vl_convert.vegalite_to_pdf(dict(spec), allowed_base_urls=[])
    return write_file(path, data)

"""Figures as drawings: a Vega-Lite spec becomes SVG for a page, PNG for a look. Nothing is loaded.

The renderer's SVG is written anew before it is handed on: short, with ids of its own, without
style attributes, and with one name for the whole picture in place of one for every mark.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Any
from xml.etree import ElementTree as ET

SVG = "http://www.w3.org/2000/svg"
TEXTS = "texts"
"""The layer of a spec that holds its texts."""
DROPPED = ("class", "role", "style", "pointer-events", "cursor")
INHERITED = (
    "fill",
    "fill-opacity",
    "font-family",
    "font-size",
    "font-weight",
    "stroke",
    "stroke-dasharray",
    "stroke-linecap",
    "stroke-width",
    "text-anchor",
)
"""What a group may say once for all its children."""
DEFAULTS = {
    ("opacity", "1"),
    ("stroke-opacity", "1"),
    ("fill-opacity", "1"),
    ("text-anchor", "start"),
    ("transform", "translate(0,0)"),
    ("stroke-dasharray", "1,0"),
    ("x2", "0"),
    ("y2", "0"),
}
NUMBERS = ("d", "transform", "x1", "x2", "y1", "y2", "cx", "cy", "width", "height")
_NUMBER = re.compile(r"-?\d*\.\d{3,}(?:e-?\d+)?|-?\d+(?:\.\d+)?e-?\d+")
_CIRCLE = re.compile(r"M([\d.]+),0A\1,\1,0,1,1,-\1,0A\1,\1,0,1,1,\1,0Z?")
_STROKE = re.compile(r"([ML])([-\d.]+),([-\d.]+)")
_STROKES = re.compile(rf"(?:{_STROKE.pattern})+")
_PLACE = re.compile(r"translate\(([-\d.]+),([-\d.]+)\)")
_REFERENCE = re.compile(r"url\(#([^)]*)\)")


def svg(spec: Mapping[str, Any], prefix: str) -> str:
    """The figure as one ``<svg>`` element to be put into a page.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite spec; its ``description`` names the picture for those who cannot see it.
    prefix : str
        Put before every id, so that several figures can stand in one page.

    Returns
    -------
    str
        As wide as its place, in proportion; the same spec gives the same text.
    """
    import vl_convert

    measured, texts = _without_texts(spec)
    root = ET.fromstring(vl_convert.vegalite_to_svg(measured, allowed_base_urls=[]))
    for group in root.iter(f"{{{SVG}}}g"):
        if f"{TEXTS}_marks" in group.get("class", "").split():
            for element, text in zip(group, texts, strict=True):
                element.text = text
    for element in root.iter():
        _plain(element, prefix)
    _lean(root)
    root.attrib = {
        "xmlns": SVG,
        "viewBox": root.attrib["viewBox"],
        "width": "100%",
        "role": "img",
        "aria-label": str(spec["description"]),
    }
    return ET.tostring(root, encoding="unicode").replace(" />", "/>")


def png(spec: Mapping[str, Any], scale: float = 1.0) -> bytes:
    """The figure as a picture of dots, for a printer or a look.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite spec.
    scale : float
        Dots for one unit of the spec.
    """
    import vl_convert

    return vl_convert.vegalite_to_png(dict(spec), scale=scale, allowed_base_urls=[])


def _without_texts(spec: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The spec with one letter for each text of its text layer, and those texts.

    The renderer measures every letter it is given, which takes longer than all the rest; the
    places here do not hang on that, so the texts are put in afterwards.
    """
    layers, texts = [], []
    for layer in spec["layer"]:
        if layer["name"] == TEXTS:
            values = layer["data"]["values"]
            texts = [str(value["text"]) for value in values]
            layer = {**layer, "data": {"values": [{**value, "text": "x"} for value in values]}}
        layers.append(layer)
    return {**spec, "layer": layers}, texts


def _plain(element: ET.Element, prefix: str) -> None:
    """One element without what a page must not get, its numbers short, its ids its own."""
    element.tag = element.tag.removeprefix(f"{{{SVG}}}")
    kept = {}
    for name, value in element.attrib.items():
        if name in DROPPED or name.startswith("aria-"):
            continue
        if name in NUMBERS:
            value = _NUMBER.sub(_short, value)
        if name == "id":
            value = prefix + value
        elif name.endswith("href"):
            value = value.replace("#", f"#{prefix}", 1)
        else:
            value = _REFERENCE.sub(rf"url(#{prefix}\1)", value)
        if (name, value) not in DEFAULTS:
            kept[name] = value
    element.attrib = kept
    place = _PLACE.fullmatch(kept.get("transform", ""))
    if element.tag != "path" or place is None:
        return
    circle, strokes = _CIRCLE.fullmatch(kept["d"]), _STROKES.fullmatch(kept["d"])
    if circle:
        del kept["d"], kept["transform"]
        element.tag = "circle"
        element.attrib = {"cx": place[1], "cy": place[2], "r": circle[1], **kept}
    elif strokes:
        del kept["transform"]
        kept["d"] = _moved(kept["d"], float(place[1]), float(place[2]))


def _moved(strokes: str, x: float, y: float) -> str:
    """Straight strokes from another origin, each end but the first said from the one before."""
    before, out = (-x, -y), ""
    for n, (pen, to_x, to_y) in enumerate(_STROKE.findall(strokes)):
        to = (float(to_x), float(to_y))
        step = ",".join(
            f"{b - a:.2f}".rstrip("0").rstrip(".") for a, b in zip(before, to, strict=True)
        )
        out += (pen.lower() if n else pen) + step
        before = to
    return out


def _short(number: re.Match[str]) -> str:
    short = f"{float(number[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if short == "-0" else short


def _lean(parent: ET.Element) -> None:
    """Drop what draws nothing, and say once what neighbours have in common."""
    children: list[ET.Element] = []
    for child in parent:
        _lean(child)
        if child.tag == "g" and not child.attrib:
            children += child
        elif child.get("display") != "none" and (
            child.tag == "text" or len(child) or {"fill", "stroke"} & set(child.attrib)
        ):
            children.append(child)
    if parent.tag != "text":
        parent[:] = _in_groups(children)


def _in_groups(children: Iterable[ET.Element]) -> list[ET.Element]:
    out = []
    for common, alike in groupby(children, key=_look):
        some = list(alike)
        if len(some) == 1 or not common:
            out += some
            continue
        group = ET.Element("g", dict(common))
        for child in some:
            child.attrib = {k: v for k, v in child.attrib.items() if (k, v) not in common}
            group.append(child)
        out.append(group)
    return out


def _look(element: ET.Element) -> tuple[tuple[str, str], ...]:
    """What a group may say for all its children."""
    return tuple(sorted((k, v) for k, v in element.attrib.items() if k in INHERITED))

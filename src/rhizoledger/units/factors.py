"""Exact unit factors, and plain quantities in and out of the units used inside.

Every factor follows from the international pound, foot, US gallon and imperial gallon, which are
exact by definition. A bushel is a *mass* here, of so many pounds by crop: yields and seed are sold
that way. US customary measures are the default; imperial ones are said ("imp fl oz"). A unit text
that is unknown or could mean two things is refused, never guessed (§3.1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from rhizoledger.errors import InputError, UnitError
from rhizoledger.units.names import UnitKind, finite, split_ratio, tidied

LB_KG = 0.45359237  # exact: international pound, 1959
OZ_G = 28.349523125  # exact: a sixteenth of a pound
CWT_KG = 45.359237  # exact: 100 lb, the short hundredweight
SHORT_TON_KG = 907.18474  # exact: 2,000 lb
LONG_TON_KG = 1016.0469088  # exact: 2,240 lb
FT_M = 0.3048  # exact: international foot, 1959
IN_M = 0.0254  # exact: a twelfth of a foot
YD_M = 0.9144  # exact: 3 feet
ACRE_HA = 0.40468564224  # exact: 43,560 square (international) feet
GAL_L = 3.785411784  # exact: US gallon of 231 cubic inches
FL_OZ_ML = 29.5735295625  # exact: a US gallon / 128
IMP_GAL_L = 4.54609  # exact: imperial gallon, 1985
IMP_FL_OZ_ML = 28.4130625  # exact: an imperial gallon / 160

KELVIN_AT_0_C = 273.15  # exact: definition of the Celsius scale
_F_PER_C = 1.8  # exact: definition of the Fahrenheit scale
_F_AT_0_C = 32.0  # exact: definition of the Fahrenheit scale


def _kind(
    what: str,
    units: Mapping[str, tuple[float, tuple[str, ...]]],
    hints: Mapping[str, tuple[str, str]],
) -> UnitKind:
    spellings = {name.lower(): name for name in units}
    spellings |= {s: name for name, (_, also) in units.items() for s in also}
    factors = {name: factor for name, (factor, _) in units.items()}
    return UnitKind(what, MappingProxyType(factors), MappingProxyType(spellings), hints)


def _said(prefixes: tuple[str, ...], *spellings: str) -> tuple[str, ...]:
    """Each spelling with each prefix in front ("us gal", "imperial gallon")."""
    return tuple(f"{prefix}{spelling}" for prefix in prefixes for spelling in spellings)


_FL_OZ = ("fl oz", "floz", "fluid oz", "fluid ounce", "fluid ounces")
_PINT = ("pt", "pint", "pints")
_QUART = ("qt", "quart", "quarts")
_GALLON = ("gal", "gals", "gallon", "gallons")
_US = ("", "us ")
_IMP = ("imp ", "imperial ")

_TON = ("A ton may be 1,000 kg, 2,000 lb or 2,240 lb.", "Write t, short ton or long ton.")
_LONG_CWT = ("A long hundredweight is 112 lb; cwt here is 100 lb.", "Write cwt, or give lb or kg.")
_OZ_IS_MASS = ("An ounce (oz) is a mass.", "Write fl oz (US) or imp fl oz for a volume.")
_FL = ("fl alone is not a unit.", "Write fl oz (US) or imp fl oz.")
_FL_OZ_IS_VOLUME = ("A fluid ounce is a volume.", "Write oz for a mass.")

MASS = _kind(
    "a mass",
    {
        "kg": (1.0, ("kgs", "kilogram", "kilograms")),
        "g": (1 / 1000, ("gram", "grams")),  # exact: 1,000 g to the kg
        "mg": (1 / 1_000_000, ("milligram", "milligrams")),  # exact: a millionth of a kg
        "t": (1000.0, ("tonne", "tonnes", "metric ton", "metric tons")),  # exact: 1,000 kg
        "lb": (LB_KG, ("lbs", "pound", "pounds")),
        "oz": (OZ_G / 1000, ("ounce", "ounces")),  # exact: 1,000 g to the kg
        "cwt": (CWT_KG, ("us cwt", "short cwt")),
        "short ton": (SHORT_TON_KG, ("short tons",)),
        "long ton": (LONG_TON_KG, ("long tons",)),
    },
    {"ton": _TON, "tons": _TON, "fl": _FL}
    | dict.fromkeys(_said(("long ", "imp ", "imperial ", "uk "), "cwt"), _LONG_CWT)
    | dict.fromkeys(("hundredweight", "hundredweights", "long hundredweight"), _LONG_CWT)
    | dict.fromkeys((*_said(_US, *_FL_OZ), *_said(_IMP, *_FL_OZ)), _FL_OZ_IS_VOLUME),
)

VOLUME = _kind(
    "a volume",
    {
        "mL": (1.0, ("mls", "millilitre", "millilitres", "milliliter", "milliliters")),
        "L": (1000.0, ("litre", "litres", "liter", "liters")),  # exact: 1,000 mL
        "fl oz": (FL_OZ_ML, _said(_US, *_FL_OZ)),
        "pt": (16 * FL_OZ_ML, _said(_US, *_PINT)),  # exact: 16 US fluid ounces
        "qt": (32 * FL_OZ_ML, _said(_US, *_QUART)),  # exact: 32 US fluid ounces
        "gal": (128 * FL_OZ_ML, _said(_US, *_GALLON)),  # exact: 128 US fluid ounces
        "imp fl oz": (IMP_FL_OZ_ML, _said(_IMP, *_FL_OZ)),
        "imp pt": (20 * IMP_FL_OZ_ML, _said(_IMP, *_PINT)),  # exact: 20 imperial fluid ounces
        "imp qt": (40 * IMP_FL_OZ_ML, _said(_IMP, *_QUART)),  # exact: 40 imperial fluid ounces
        "imp gal": (160 * IMP_FL_OZ_ML, _said(_IMP, *_GALLON)),  # exact: 160 imperial fluid ounces
    },
    {"fl": _FL, "imp fl": _FL, "us fl": _FL}
    | dict.fromkeys(("oz", "ounce", "ounces", "imp oz", "us oz", "liquid oz"), _OZ_IS_MASS)
    | dict.fromkeys(("cc", "cm3", "cm³"), ("A cubic centimetre is a mL.", "Write mL.")),
)

AREA = _kind(
    "an area",
    {"ha": (1.0, ("hectare", "hectares")), "ac": (ACRE_HA, ("acre", "acres"))},
    {"a": ("a may be an are or an acre.", "Write ac or ha.")},
)

LENGTH = _kind(
    "a length",
    {
        "m": (1.0, ("metre", "metres", "meter", "meters")),
        "cm": (1 / 100, ("centimetre", "centimetres", "centimeter", "centimeters")),
        "mm": (1 / 1000, ("millimetre", "millimetres", "millimeter", "millimeters")),  # exact: SI
        "ft": (FT_M, ("foot", "feet")),
        "in": (IN_M, ("inch", "inches")),
        "yd": (YD_M, ("yard", "yards")),
    },
    {
        "'": ("A prime is easily lost.", "Write ft."),
        '"': ("A double prime is easily lost.", "Write in."),
    },
)

TEMPERATURE = _kind(
    "a temperature",
    {
        "C": (1.0, ("°c", "degc", "deg c", "celsius")),
        "F": (1.0, ("°f", "degf", "deg f", "fahrenheit")),
    },
    dict.fromkeys(("k", "kelvin"), ("Kelvin is used inside only.", "Write C or F.")),
)

_BUSHEL = frozenset(("bu", "bushel", "bushels"))


def is_bushel(text: str) -> bool:
    """Whether a unit text names the bushel, whose mass depends on the crop."""
    return tidied(text).lower() in _BUSHEL


def kg_in(unit: str, lb_per_bu: float | None = None) -> float:
    """Mass of one ``unit`` [kg]; a bushel weighs what ``lb_per_bu`` says.

    Raises
    ------
    UnitError
        On an unknown unit, or a bushel without its weight.
    """
    if not is_bushel(unit):
        return MASS.factor(unit)
    if lb_per_bu is None:
        raise UnitError(
            unit,
            "A bushel is a mass that depends on the crop.",
            "Give the crop's bushel weight (lb_per_bu), or use kg or lb.",
        )
    if not (math.isfinite(lb_per_bu) and lb_per_bu > 0):
        raise InputError(f"{lb_per_bu!r} lb per bushel: it must be a number above zero.")
    return lb_per_bu * LB_KG


def mass_kg(value: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A mass in kg [kg].

    Examples
    --------
    >>> mass_kg(50, "lb")
    22.6796185
    """
    return finite(value, unit) * kg_in(unit, lb_per_bu)


def mass_g(value: float, unit: str) -> float:
    """A mass in grams [g].

    Examples
    --------
    >>> round(mass_g(1, "oz"), 9)
    28.349523125
    """
    return finite(value, unit) * (kg_in(unit) * 1000)  # exact: 1,000 g to the kg


def from_kg(mass: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A mass of so many kg in ``unit``; the inverse of :func:`mass_kg`."""
    return finite(mass, "kg") / kg_in(unit, lb_per_bu)


def volume_ml(value: float, unit: str) -> float:
    """A volume in millilitres [mL]; US measures unless ``imp`` is said.

    Examples
    --------
    >>> volume_ml(1, "fl oz"), volume_ml(1, "imp fl oz")
    (29.5735295625, 28.4130625)
    """
    return finite(value, unit) * VOLUME.factor(unit)


def from_ml(volume: float, unit: str) -> float:
    """A volume of so many mL in ``unit``; the inverse of :func:`volume_ml`."""
    return finite(volume, "mL") / VOLUME.factor(unit)


def area_ha(value: float, unit: str) -> float:
    """An area in hectares [ha]; the acre is the international one.

    Examples
    --------
    >>> round(area_ha(1, "ac"), 11)
    0.40468564224
    """
    return finite(value, unit) * AREA.factor(unit)


def from_ha(area: float, unit: str) -> float:
    """An area of so many ha in ``unit``; the inverse of :func:`area_ha`."""
    return finite(area, "ha") / AREA.factor(unit)


def length_m(value: float, unit: str) -> float:
    """A length in metres [m].

    Examples
    --------
    >>> round(length_m(30, "in"), 9)
    0.762
    """
    return finite(value, unit) * LENGTH.factor(unit)


def from_m(length: float, unit: str) -> float:
    """A length of so many m in ``unit``; the inverse of :func:`length_m`."""
    return finite(length, "m") / LENGTH.factor(unit)


def temperature_c(value: float, unit: str) -> float:
    """A temperature in degrees Celsius [°C].

    Raises
    ------
    InputError
        If the value is not a number or lies below absolute zero.

    Examples
    --------
    >>> temperature_c(212, "F")
    100.0
    """
    number = finite(value, unit)
    celsius = number if TEMPERATURE.name(unit) == "C" else (number - _F_AT_0_C) / _F_PER_C
    if celsius < -KELVIN_AT_0_C:
        raise InputError(f"{value!r} {unit}: this is below absolute zero. Check the value.")
    return celsius


def from_celsius(temp_c: float, unit: str) -> float:
    """A temperature of so many °C in ``unit``; the inverse of :func:`temperature_c`."""
    number = finite(temp_c, "C")
    return number if TEMPERATURE.name(unit) == "C" else number * _F_PER_C + _F_AT_0_C


def _kg_ha_in(unit: str, lb_per_bu: float | None) -> float:
    mass, area = split_ratio(unit)
    return kg_in(mass, lb_per_bu) / AREA.factor(area)


def yield_kg_ha(value: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A yield, or a difference of yields, in kg/ha [kg/ha].

    Parameters
    ----------
    value : float
        The yield; negative for a loss.
    unit : str
        A mass (or bu) per ac or ha: bu/ac, kg/ha, t/ha, lb/ac, cwt/ac.
    lb_per_bu : float, optional
        Bushel weight of the crop [lb/bu], needed for bushels.

    Examples
    --------
    >>> round(yield_kg_ha(1, "bu/ac", lb_per_bu=60), 4)
    67.2511
    """
    return finite(value, unit) * _kg_ha_in(unit, lb_per_bu)


def from_kg_ha(value: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A yield of so many kg/ha in ``unit``; the inverse of :func:`yield_kg_ha`."""
    return finite(value, "kg/ha") / _kg_ha_in(unit, lb_per_bu)


def _price_unit(unit: str) -> str:
    tidy = tidied(unit)
    for lead in ("/", "per "):
        if tidy.lower().startswith(lead):
            return tidy[len(lead) :].strip()
    return tidy


def price_per_kg(price: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A price in money per kg [money/kg].

    Parameters
    ----------
    price : float
        Money per one ``unit``; a standard deviation of price converts the same way.
    unit : str
        bu, kg, t, lb or cwt, with or without "per" or "/" in front.
    lb_per_bu : float, optional
        Bushel weight of the crop [lb/bu], needed for bushels.

    Examples
    --------
    >>> round(price_per_kg(10.0, "bu", lb_per_bu=60), 6)
    0.367437
    """
    return finite(price, unit) / kg_in(_price_unit(unit), lb_per_bu)


def from_price_per_kg(price: float, unit: str, lb_per_bu: float | None = None) -> float:
    """A price of so much per kg as money per ``unit``; the inverse of :func:`price_per_kg`."""
    return finite(price, "per kg") * kg_in(_price_unit(unit), lb_per_bu)


def degrees(unit: str, *temps_c: float) -> str:
    """Temperatures of so many °C as they are said in ``unit`` (C or F): one, or a span.

    Examples
    --------
    >>> degrees("C", 4.2, 25), degrees("F", 4.2, 25), degrees("C", -0.6)
    ('4 to 25 °C', '40 to 77 °F', '-0.6 °C')
    """
    said = []
    for temp_c in temps_c:
        t = from_celsius(temp_c, unit)
        said.append(f"{t:.0f}" if abs(t) >= 1 or t == 0 else f"{t:.1f}")
    return f"{' to '.join(said)} °{unit}"

"""A closed list of units, and quantities that always carry theirs.

The registry holds what is listed here and nothing else, so a unit can be refused but never
guessed. Bare ``oz`` and ``ton`` are refused on purpose: they name a mass, a volume or two masses.

Sources: NIST Handbook 44 appendix C for the exact US factors (from memory: foot 0.3048 m, pound
0.45359237 kg, US gallon 3.785411784 L, acre 4046.8564224 m2 international); the imperial gallon
4.54609 L (UK Weights and Measures Act 1985, from memory); ISO 4217 for currency codes.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from rxmap.errors import InputError, shown

LITRES_PER_M3 = 1000.0

DEFINITIONS = """
m = [length]
km = 1000 m
ft = 0.3048 m
mi = 1609.344 m
inch = 0.0254 m
m2 = m ** 2
ha = 10000 m ** 2
acre = 4046.8564224 m ** 2
m3 = m ** 3
L = 0.001 m ** 3
mL = 0.000001 m ** 3
gal = 3.785411784 L
qt = 0.25 gal
pt = 0.125 gal
floz = 0.0078125 gal
impgal = 4.54609 L
kg = [mass]
g = 0.001 kg
t = 1000 kg
lb = 0.45359237 kg
oz_wt = 0.0625 lb
short_ton = 2000 lb
bu = [bushel]
s = [time]
minute = 60 s
hour = 3600 s
day = 86400 s
mph = mi / hour
"""

CURRENCIES = (  # ISO 4217 codes in force, from memory
    "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BHD BIF BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF CHF CLP "
    "CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GNF GTQ GYD HKD HNL HTG "
    "HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT LAK LBP LKR LRD LSL LYD MAD MDL "
    "MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR "
    "RON RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS "
    "UAH UGX USD UYU UZS VED VES VND VUV WST XAF XCD XOF XPF YER ZAR ZMW ZWG"
).split()

UNITS = tuple(line.split(" = ")[0] for line in DEFINITIONS.strip().splitlines())

AMBIGUOUS = {
    "oz": "floz (US fluid ounce, a volume) or oz_wt (ounce by weight)",
    "ton": "t (1000 kg) or short_ton (2000 lb)",
    "tonne": "t (1000 kg)",
    "gallon": "gal (US) or impgal (imperial)",
    "hr": "hour",
    "h": "hour",
    "min": "minute",
    "in": "inch",
    "ac": "acre",
    "l": "L",
    "ml": "mL",
    "$": "a currency code such as USD",
}

Kind = Literal[
    "length", "area", "volume", "mass", "time", "speed", "rate", "amount", "money", "money_per_area",
    "money_per_amount", "yield", "price",
]  # fmt: skip

# One example unit for each shape a kind may take; currency stands for any one code. A shape is compared
# part by part: L/ha is a length in dimension only, and 30 L/ha is no swath.
SHAPES: dict[Kind, tuple[str, ...]] = {
    "length": ("m",),
    "area": ("ha",),
    "volume": ("L",),
    "mass": ("kg",),
    "time": ("day",),
    "speed": ("m/s", "mph"),
    "rate": ("L/ha", "kg/ha"),
    "amount": ("L", "kg"),
    "money": ("currency",),
    "money_per_area": ("currency/ha",),
    "money_per_amount": ("currency/L", "currency/kg"),
    "yield": ("kg/ha", "bu/ha"),
    "price": ("currency/kg", "currency/bu"),
}

LARGEST, SMALLEST = 1e12, 1e-9  # beyond: a slip of the hand, and arithmetic that overflows

_TEXT = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s].*?)\s*")
_TERM = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


@cache
def registry() -> Any:
    """Build the pint registry that holds our units and nothing else (once per process)."""
    import pint  # here: 0.1 s that `rxmap --help` must not pay

    own: Any = pint.UnitRegistry(None, cache_folder=None)
    for line in DEFINITIONS.strip().splitlines():
        own.define(line)
    for code in CURRENCIES:
        own.define(f"{code} = [{code}]")
    return own


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, as the user wrote it.

    Parameters
    ----------
    magnitude : float
        The number.
    unit : str
        The unit, from the closed list.

    Examples
    --------
    >>> round(parse("2 gal/acre", "rate").to("L/ha"), 5)
    18.70791
    """

    magnitude: float
    unit: str

    def to(self, unit: str) -> float:
        """Magnitude in another unit of the same dimension."""
        return convert(self.magnitude, self.unit, unit)

    def is_like(self, unit: str) -> bool:
        """Whether the two units measure the same thing."""
        return bool(dimension(self.unit) == dimension(unit))

    def __str__(self) -> str:
        return f"{self.magnitude:.10g} {self.unit}"

    @property
    def words(self) -> str:
        """As a sentence says it: times in the plural.

        Examples
        --------
        >>> Quantity(12.0, "hour").words, Quantity(1.0, "day").words, Quantity(9.0, "m").words
        ('12 hours', '1 day', '9 m')
        """
        return f"{self}s" if self.unit in ("minute", "hour", "day") and self.magnitude != 1.0 else str(self)


@cache
def factor(unit: str, to: str) -> float:
    """How many `to` one `unit` is.

    Examples
    --------
    >>> factor("gal/acre", "L/ha")
    9.35395...
    """
    return float(registry().Quantity(1.0, registry().Unit(unit)).to(registry().Unit(to)).magnitude)


def convert(magnitude: float, unit: str, to: str) -> float:
    """Convert a number between two units of the closed list."""
    return magnitude if unit == to else magnitude * factor(unit, to)


@cache
def dimension(unit: str) -> Any:
    """Dimensionality of a unit text; every currency is a dimension of its own."""
    return registry().Unit(unit).dimensionality


def currency(unit: str) -> str | None:
    """Currency code in a unit text, if there is one.

    Examples
    --------
    >>> currency("USD/acre")
    'USD'
    """
    return next((term for term in _TERM.findall(unit) if term in CURRENCIES), None)


def denominator(unit: str) -> str:
    """Return what a unit is counted per: the part after the stroke.

    Examples
    --------
    >>> denominator("floz/acre")
    'acre'
    """
    return unit.partition("/")[2]


def numerator(unit: str) -> str:
    """Return what a unit counts: the part before the stroke.

    Examples
    --------
    >>> numerator("floz/acre")
    'floz'
    """
    return unit.partition("/")[0]


def parse(text: str, kind: Kind) -> Quantity:
    """Read a quantity such as ``"9 floz/acre"``.

    Parameters
    ----------
    text : str
        A number, a space and a unit.
    kind : str
        What the quantity has to be; see `SHAPES`.

    Raises
    ------
    InputError
        If the text has no number or no unit, the unit is unknown or ambiguous, or of another kind.

    Examples
    --------
    >>> parse("9 oz/acre", "rate")
    Traceback (most recent call last):
    ...
    rxmap.errors.InputError: found '9 oz/acre': oz is ambiguous. Write floz (US fluid ounce, a volume) or oz_wt
    (ounce by weight).
    """
    match = _TEXT.fullmatch(text)
    if match is None:
        raise InputError(f"found {shown(text)}: not a number with a unit. Write for example '{example(kind)}'.")
    magnitude, unit = float(match[1]), re.sub(r"\s*/\s*", "/", match[2])
    if magnitude and not SMALLEST <= abs(magnitude) <= LARGEST:
        size = "large" if abs(magnitude) > LARGEST else "small"
        raise InputError(f"found {shown(text)}: the number is too {size}. Is the unit the right one?")
    _check_terms(text, unit)
    if _parts(unit) not in {_parts(_with_currency(shape, unit)) for shape in SHAPES[kind]}:
        raise InputError(
            f"found {shown(text)}: {unit} is not a {kind.replace('_', ' ')}. Write for example '{example(kind)}'."
        )
    return Quantity(magnitude, unit)


def _parts(unit: str) -> tuple[Any, ...]:
    return tuple(dimension(part) for part in unit.split("/"))


def _check_terms(text: str, unit: str) -> None:
    if unit.startswith(","):
        raise InputError(f"found {shown(text)}: write the number with a decimal point and no comma, such as 1.5.")
    if not re.fullmatch(r"[A-Za-z_$][A-Za-z0-9_]*(/[A-Za-z_$][A-Za-z0-9_]*)?", unit):
        raise InputError(
            f"found {shown(text)}: not a unit. Write one unit without spaces, or two with a stroke, such as L/ha."
        )
    for term in unit.split("/"):
        if term in AMBIGUOUS:
            word = "ambiguous" if " or " in AMBIGUOUS[term] else "not in the list of units"
            raise InputError(f"found {shown(text)}: {term} is {word}. Write {AMBIGUOUS[term]}.")
        if term not in UNITS and term not in CURRENCIES:
            known = [*UNITS, *CURRENCIES]
            same = [name for name in known if name.casefold() == term.casefold()]
            near = same or difflib.get_close_matches(term, known, 1, 0.6)
            hint = f"Did you mean {near[0]}?" if near else f"Known units: {', '.join(UNITS)}."
            raise InputError(f"found {shown(text)}: {term} is not in the list of units. {hint}")


def _with_currency(shape: str, unit: str) -> str:
    return shape.replace("currency", currency(unit) or "USD")


def small_area(ha: float, units: Literal["us", "metric"]) -> str:
    """Write a small area in acres or hectares, to two decimals.

    Examples
    --------
    >>> small_area(0.2, "us"), small_area(0.2, "metric")
    ('0.49 acres', '0.20 ha')
    """
    return f"{convert(ha, 'ha', 'acre'):.2f} acres" if units == "us" else f"{ha:.2f} ha"


def example(kind: Kind) -> str:
    """Give a quantity of a kind as a plan writes it, for messages."""
    return {
        "length": "30 m", "area": "2 acre", "volume": "10 gal", "mass": "5 kg", "time": "14 day", "speed": "5 m/s",
        "rate": "9 floz/acre", "amount": "2.5 gal", "money": "150 USD", "money_per_area": "12 USD/acre",
        "money_per_amount": "2.10 USD/floz", "yield": "28 t/ha", "price": "42 USD/t",
    }[kind]  # fmt: skip

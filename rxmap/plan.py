"""The plan file: one TOML file per field and decision, read strictly.

Quantities are text with a unit, so that a unit can never be guessed; an unknown key is an error
that names the nearest known one. All faults of a plan are reported at once.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StrictBool,
    Tag,
    ValidationError,
    field_validator,
)

from rxmap.errors import Faults, InputError, PlanError, shown
from rxmap.records import Measure
from rxmap.units import LARGEST, Kind, Quantity, example, parse

LARGEST_PLAN = 1_000_000  # [byte] a plan is written by hand; more is a wrong file


def _read(kind: Kind) -> BeforeValidator:
    """Turn the text of a quantity of one kind into a `Quantity`."""

    def read(value: object) -> Quantity:
        if isinstance(value, Quantity):
            return value
        if not isinstance(value, str):
            raise ValueError(f'found {shown(value)}: a quantity is text with its unit, such as "{example(kind)}".')
        return parse(value, kind)

    return BeforeValidator(read)


def _positive(value: Quantity) -> Quantity:
    if value.magnitude <= 0:
        raise ValueError(f"found {shown(value)}: must be more than 0.")
    return value


def _not_negative(value: Quantity) -> Quantity:
    if value.magnitude < 0:
        raise ValueError(f"found {shown(value)}: must not be negative.")
    return value


POSITIVE, NOT_NEGATIVE = AfterValidator(_positive), AfterValidator(_not_negative)

Length = Annotated[Quantity, _read("length"), POSITIVE]
LengthOrZero = Annotated[Quantity, _read("length"), NOT_NEGATIVE]
Volume = Annotated[Quantity, _read("volume"), POSITIVE]
VolumeOrZero = Annotated[Quantity, _read("volume"), NOT_NEGATIVE]
Amount = Annotated[Quantity, _read("amount"), POSITIVE]
Rate = Annotated[Quantity, _read("rate"), POSITIVE]
Time = Annotated[Quantity, _read("time"), POSITIVE]
TimeOrZero = Annotated[Quantity, _read("time"), NOT_NEGATIVE]
Speed = Annotated[Quantity, _read("speed"), POSITIVE]
SpeedOrZero = Annotated[Quantity, _read("speed"), NOT_NEGATIVE]
Yield = Annotated[Quantity, _read("yield"), POSITIVE]
Price = Annotated[Quantity, _read("price"), POSITIVE]
MoneyTotal = Annotated[Quantity, _read("money"), NOT_NEGATIVE]
MoneyPerArea = Annotated[Quantity, _read("money_per_area"), NOT_NEGATIVE]
MoneyPerAmount = Annotated[Quantity, _read("money_per_amount"), NOT_NEGATIVE]


def _number(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"found {shown(value)}: write a number, without quotes.")
    if not abs(value) <= LARGEST:  # NaN too
        raise ValueError(f"found {shown(value)}: write a number that is finite and below {LARGEST:g}.")
    if 0 < abs(value) < 1 / LARGEST:
        raise ValueError(f"found {shown(value)}: the number is too small. Is it meant as 0?")
    return value


def _whole(value: object) -> object:
    if isinstance(value, float):
        raise ValueError(f"found {shown(value)}: write a whole number.")
    return _number(value)


def _date(value: object) -> object:
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise ValueError(f"found {shown(value)}: write a date without quotes and without a time: 2026-07-18.")
    return value


def _code(value: object) -> object:
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


Number = Annotated[float, BeforeValidator(_number)]
Share = Annotated[Number, Field(ge=0, le=1)]
Whole = Annotated[int, BeforeValidator(_whole)]
Date = Annotated[dt.date, BeforeValidator(_date)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Code = Annotated[Text, BeforeValidator(_code)]
RateUnit = Annotated[Text, AfterValidator(lambda unit: parse(f"1 {unit}", "rate").unit)]
Place = tuple[Annotated[Number, Field(ge=-180, le=180)], Annotated[Number, Field(ge=-90, le=90)]]

# One form or the other, told apart before it is read, so that a fault is reported once and in its own words.
OneOrSeveralRates = Annotated[
    Annotated[Rate, Tag("one")] | Annotated[tuple[Rate, ...], Field(min_length=1), Tag("several")],
    Discriminator(lambda value: "several" if isinstance(value, list | tuple) else "one"),
]
Scale = Annotated[
    Annotated[Literal["horsfall-barratt"], Tag("named")]
    | Annotated[dict[str, Annotated[Number, Field(ge=0, le=100)]], Tag("classes")],
    Discriminator(lambda value: "classes" if isinstance(value, dict) else "named"),
]
FORMS = frozenset({"one", "several", "named", "classes"})  # tags, which are no keys of a plan


class Section(BaseModel):
    """What every table of the plan has in common: closed, frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, arbitrary_types_allowed=True)


class FieldSection(Section):
    """The field and the season."""

    name: Text
    boundary: Text
    crop: Text
    stage: Code | None = None
    next_crop: Text | None = None
    yield_goal: Yield | None = None
    price: Price | None = None
    spray_date: Date | None = None
    harvest: Date | None = None


class ScoutingSection(Section):
    """Where the stops are."""

    stops: tuple[Text, ...] = ()
    columns: dict[str, Text] = Field(default_factory=dict)
    gps_error: LengthOrZero | None = None
    cost: MoneyPerArea | None = None
    start: Place | None = None

    @field_validator("stops", mode="before")
    @classmethod
    def _one_or_several(cls, value: object) -> object:
        return (value,) if isinstance(value, str) else value


class ImagerySection(Section):
    """An image of the field."""

    file: Text
    bands: dict[str, Annotated[Whole, Field(ge=1)]]
    index: tuple[Text, ...] = ()


class Covariate(Section):
    """Another layer: soil, elevation, an earlier map."""

    file: Text
    band: Annotated[Whole, Field(ge=1)] = 1
    name: Text


class Loss(Section):
    """Fraction of the yield lost per unit of pressure, as published for a growth stage."""

    per_unit: Annotated[Share, Field(gt=0)]
    cap: Annotated[Share, Field(gt=0)]
    source: Text
    stage: Code | None = None
    growth: Annotated[Number, Field(gt=0)] | None = None


class Gates(Section):
    """Conditions beside the threshold; all of them must hold."""

    stage: tuple[Code, Code] | None = None
    stages: tuple[Code, ...] = ()
    rising: StrictBool | None = None
    infested_share: Share | None = None
    confirmed: dict[str, StrictBool] = Field(default_factory=dict)


class Target(Section):
    """One pest or disease, and the pressure at which acting pays."""

    name: Text
    measure: Measure
    threshold: Annotated[Number, Field(gt=0)]
    source: Text
    sample_unit: Text | None = None
    per: Annotated[Number, Field(gt=0)] = 1.0
    scale: Scale | None = None
    loss: Loss | None = None
    break_even: Annotated[Share, Field(gt=0, lt=1)] = 0.5
    gates: Gates = Gates()
    edge: Length | None = None
    spread: SpeedOrZero | None = None
    decides: Literal["this crop", "next crop"] = "this crop"

    @property
    def unit(self) -> str:
        """Unit of the pressure in words."""
        if self.measure == "count":
            thing = self.sample_unit or "sample unit"
            return f"per {thing}" if self.per == 1 else f"per {self.per:g} {thing}s"
        return "score" if self.measure == "rating" and self.scale is None else "percent"


class Label(Section):
    """Limits that the user took from the product's label."""

    min: Rate
    max: Rate
    season_max: Rate | None = None
    applications: Annotated[Whole, Field(ge=1)] | None = None
    interval: TimeOrZero | None = None
    phi: TimeOrZero | None = None
    rei: TimeOrZero | None = None
    rainfast: TimeOrZero | None = None
    carrier_min: Rate | None = None
    setback: LengthOrZero | None = None
    stages: tuple[Code, ...] = ()
    droplet: Text | None = None
    group: Text | None = None


class UnderLabel(Section):
    """The adviser's reason for a rate below the label's minimum."""

    rate: Rate
    reason: Text


class Applied(Section):
    """An application of the product earlier this season."""

    date: Date
    rate: Rate


class Product(Section):
    """What is applied, with the limits taken from its label."""

    name: Text
    controls: dict[str, Annotated[Share, Field(gt=0)]] = Field(default_factory=dict)
    rate: OneOrSeveralRates
    response: dict[str, Annotated[Share, Field(gt=0)]] = Field(default_factory=dict)
    label: Label
    under_label: UnderLabel | None = None
    cost: MoneyPerAmount
    pack: Amount | None = None
    applied: tuple[Applied, ...] = ()

    @property
    def rates(self) -> tuple[Quantity, ...]:
        """Rates on offer, low to full."""
        return self.rate if isinstance(self.rate, tuple) else (self.rate,)

    @property
    def full_rate(self) -> Quantity:
        """Rate that treated ground gets: the reasoned one below the label, else the highest on offer."""
        return self.under_label.rate if self.under_label else self.rates[-1]


class PassSection(Section):
    """Products that share a tank."""

    name: Text
    products: tuple[Text, ...] = Field(min_length=1)


class Limits(Section):
    """What the machine's terminal can hold."""

    polygons: Annotated[Whole, Field(ge=1)] | None = None
    vertices: Annotated[Whole, Field(ge=4)] | None = None


DEFAULT_SPEED = {"ground": 5.0, "drone": 5.0, "aircraft": 60.0, "hand": 1.0}  # [m/s] common practice, no source


class Machine(Section):
    """What goes over the field."""

    kind: Literal["ground", "aircraft", "drone", "hand"]
    swath: Length
    carrier: Rate
    tank: Volume
    reserve: VolumeOrZero | None = None
    allowance: VolumeOrZero | None = None
    endurance: Time | None = None
    refill: Place | None = None
    fill: Literal["equal", "full"] = "equal"
    cost: MoneyPerArea | None = None
    cost_on: Literal["treated", "field"] = "treated"
    trip: MoneyTotal | None = None
    sections: Annotated[Whole, Field(ge=1)] = 1
    speed: Speed | None = None
    delay: TimeOrZero | None = None
    look_ahead: TimeOrZero | None = None
    heading: Annotated[Number, Field(ge=0, lt=360)] | None = None
    limits: Limits | None = None
    rate_unit: RateUnit | None = None

    @property
    def speed_m_s(self) -> float:
        """Working speed [m/s]; by kind when the plan does not say."""
        return self.speed.to("m/s") if self.speed else DEFAULT_SPEED[self.kind]


class KeepOutSection(Section):
    """Ground that must not be treated, from a layer."""

    file: Text
    setback: LengthOrZero
    reason: Text


class Override(Section):
    """The adviser's own hand."""

    file: Text
    action: Literal["treat", "skip"]
    pass_: Text | None = Field(default=None, alias="pass")
    reason: Text


class CheckStrips(Section):
    """Ground left untreated on purpose."""

    count: Annotated[Whole, Field(ge=0)] | None = None
    length: Length | None = None


class Weather(Section):
    """Observations and forecast."""

    file: Text


class ReviewApplied(Section):
    """What the machine says it did."""

    file: Text
    rate: Text
    unit: Text
    pass_: Text | None = Field(default=None, alias="pass")


class ReviewHarvest(Section):
    """Harvested yield."""

    file: Text
    yield_: Text = Field(alias="yield")
    unit: Text


class Review(Section):
    """What `rxmap review` reads."""

    applied: ReviewApplied | None = None
    stops: Text | None = None
    harvest: ReviewHarvest | None = None
    samples: Text | None = None
    costs: Text | None = None


Format = Literal[
    "geojson", "shapefile", "geopackage", "kml", "task-data-polygons", "task-data-grid-1", "task-data-grid-2", "zip",
]  # fmt: skip


class Output(Section):
    """What people read, and how fine the work is."""

    units: Literal["us", "metric"] | None = None
    cell: Length | None = None
    zones: Annotated[Whole, Field(ge=1, le=9)] | None = None
    formats: tuple[Format, ...] = ("geojson", "shapefile")
    seed: Annotated[Whole, Field(ge=0, lt=2**32)] = 1

    @field_validator("formats")
    @classmethod
    def _formats_fit(cls, formats: tuple[Format, ...]) -> tuple[Format, ...]:
        if not {"geojson", "shapefile"} & set(formats):
            raise ValueError("keep geojson or shapefile: `rxmap verify` reads the zone file from one of them.")
        if sum(name.startswith("task-data-") for name in formats) > 1:
            raise ValueError("name one task-data format: a terminal looks for one folder TASKDATA.")
        return formats


class Plan(Section):
    """The whole plan. `path` is where it was read; other paths are relative to its folder."""

    field: FieldSection
    scouting: ScoutingSection
    imagery: ImagerySection | None = None
    covariate: tuple[Covariate, ...] = ()
    target: tuple[Target, ...] = Field(min_length=1)
    product: tuple[Product, ...] = ()
    pass_: tuple[PassSection, ...] = Field(default=(), alias="pass")
    machine: Machine | None = None
    keep_out: tuple[KeepOutSection, ...] = ()
    override: tuple[Override, ...] = ()
    check_strips: CheckStrips | None = None
    weather: Weather | None = None
    review: Review | None = None
    output: Output = Output()
    path: Path = Field(default=Path("plan.toml"), exclude=True)

    @property
    def folder(self) -> Path:
        """Folder that the plan's paths are relative to."""
        return self.path.parent

    @property
    def units(self) -> Literal["us", "metric"]:
        """Units that people read: as asked, else those of the carrier rate, else metric."""
        if self.output.units:
            return self.output.units
        carrier = self.machine.carrier.unit if self.machine else ""
        return "us" if carrier.endswith("/acre") else "metric"


def read_plan(path: str | Path) -> Plan:
    """Read a plan file and check it whole.

    Parameters
    ----------
    path : str or Path
        The TOML file.

    Raises
    ------
    PlanError
        With every fault found, one line each.
    """
    # Here: they know the models.
    from rxmap.plan_faults import fault_lines
    from rxmap.plan_rules import contradictions, in_machine_unit

    path = Path(path)
    document = _load(path)
    faults = Faults()
    try:
        if "path" in document:  # ours, for the place of the file
            document["path "] = document.pop("path")
        plan = Plan.model_validate({**document, "path": path})
    except ValidationError as error:
        faults.extend(f"{path.name}: {line}" for line in fault_lines(error, document))
        raise PlanError(faults.lines) from None
    faults.extend(f"{path.name}: {line}" for line in contradictions(plan))
    faults.raise_if_any(PlanError)
    return in_machine_unit(plan)


def _load(path: Path) -> dict[str, Any]:
    if not path.is_file():
        found = "a folder: name the plan file in it" if path.is_dir() else "no such plan file"
        raise PlanError(f"{path}: {found}. `rxmap new DIR` writes a plan to start from.")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PlanError(f"{path}: cannot be read: {error.strerror}.") from None
    if len(data) > LARGEST_PLAN:
        raise PlanError(f"{path.name}: {len(data)} bytes is too large for a plan. Is it another file?")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise PlanError(f"{path.name}: line {line}: not UTF-8 text. Save the plan as UTF-8.") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        from rxmap.plan_faults import toml_fault

        raise PlanError(f"{path.name}: {toml_fault(str(error), text)}") from None
    except RecursionError:
        raise PlanError(f"{path.name}: brackets are nested too deep for a plan. Is it another file?") from None
    except ValueError:
        raise PlanError(f"{path.name}: holds a number of thousands of digits. Shorten it.") from None


def plan_fault(plan: Plan, line: str) -> InputError:
    """Make an error about a plan that was read already."""
    return PlanError(f"{plan.path.name}: {line}")

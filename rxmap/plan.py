"""The plan file: one TOML file per field and decision, read strictly.

Quantities are text with a unit, so that a unit can never be guessed; an unknown key is an error
that names the nearest known one. All faults of a plan are reported at once.
"""

from __future__ import annotations

import datetime as dt
import difflib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from rxmap.errors import Faults, InputError, PlanError, shown
from rxmap.records import Measure
from rxmap.units import Kind, Quantity, parse

LARGEST_PLAN = 1_000_000  # [byte] a plan is written by hand; more is a wrong file


def _read(kind: Kind) -> BeforeValidator:
    """Turn the text of a quantity of one kind into a `Quantity`."""

    def read(value: object) -> Quantity:
        if isinstance(value, Quantity):
            return value
        if not isinstance(value, str):
            raise ValueError(f'found {shown(value)}: a quantity is text with its unit, such as "30 m".')
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


def _no_bool(value: object) -> object:
    if isinstance(value, bool):
        raise ValueError(f"found {str(value).lower()}: write a number.")
    return value


Number = Annotated[float, BeforeValidator(_no_bool), Field(allow_inf_nan=False)]
Share = Annotated[Number, Field(ge=0, le=1)]
Whole = Annotated[int, BeforeValidator(_no_bool), Field(strict=True)]
Code = Annotated[str, BeforeValidator(lambda value: str(value) if isinstance(value, int | float) else value)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Place = tuple[Annotated[Number, Field(ge=-180, le=180)], Annotated[Number, Field(ge=-90, le=90)]]


class Section(BaseModel):
    """What every table of the plan has in common: closed, frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, arbitrary_types_allowed=True)


class FieldSection(Section):
    """The field and the season."""

    name: Text
    boundary: Text
    crop: Text
    stage: Code | None = None
    next_crop: str | None = None
    yield_goal: Yield | None = None
    price: Price | None = None
    spray_date: dt.date | None = None
    harvest: dt.date | None = None


class ScoutingSection(Section):
    """Where the stops are."""

    stops: tuple[Text, ...] = ()
    columns: dict[str, str] = Field(default_factory=dict)
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
    index: tuple[str, ...] = ()


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
    rising: bool | None = None
    infested_share: Share | None = None
    confirmed: dict[str, bool] = Field(default_factory=dict)


class Target(Section):
    """One pest or disease, and the pressure at which acting pays."""

    name: Text
    measure: Measure
    threshold: Annotated[Number, Field(gt=0)]
    source: Text
    sample_unit: str | None = None
    per: Annotated[Number, Field(gt=0)] = 1.0
    scale: Literal["horsfall-barratt"] | dict[str, Annotated[Number, Field(ge=0, le=100)]] | None = None
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
    droplet: str | None = None
    group: str | None = None


class UnderLabel(Section):
    """The adviser's reason for a rate below the label's minimum."""

    rate: Rate
    reason: Text


class Applied(Section):
    """An application of the product earlier this season."""

    date: dt.date
    rate: Rate


class Product(Section):
    """What is applied, with the limits taken from its label."""

    name: Text
    controls: dict[str, Annotated[Share, Field(gt=0)]] = Field(default_factory=dict)
    rate: Rate | tuple[Rate, ...]
    response: dict[str, Annotated[Share, Field(gt=0)]] = Field(default_factory=dict)
    label: Label
    under_label: UnderLabel | None = None
    cost: MoneyPerAmount
    pack: Amount | None = None
    applied: tuple[Applied, ...] = ()

    @field_validator("rate", mode="before")
    @classmethod
    def _one_or_several(cls, value: object) -> object:
        return tuple(value) if isinstance(value, list) else value

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
    pass_: str | None = Field(default=None, alias="pass")
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
    pass_: str | None = Field(default=None, alias="pass")


class ReviewHarvest(Section):
    """Harvested yield."""

    file: Text
    yield_: Text = Field(alias="yield")
    unit: Text


class Review(Section):
    """What `rxmap review` reads."""

    applied: ReviewApplied | None = None
    stops: str | None = None
    harvest: ReviewHarvest | None = None
    samples: str | None = None
    costs: str | None = None


class Output(Section):
    """What people read, and how fine the work is."""

    units: Literal["us", "metric"] | None = None
    cell: Length | None = None
    zones: Annotated[Whole, Field(ge=1, le=9)] | None = None
    formats: tuple[Literal["geojson", "shapefile"], ...] = ("geojson", "shapefile")
    seed: Annotated[Whole, Field(ge=0, lt=2**32)] = 1


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
    path = Path(path)
    document = _load(path)
    if "path" in document:
        raise PlanError(f"{path.name}: unknown key 'path'.")
    try:
        plan = Plan.model_validate({**document, "path": path})
    except ValidationError as error:
        raise PlanError([f"{path.name}: {line}" for line in _lines(error, document)]) from None
    from rxmap.plan_rules import contradictions  # the rules import the models

    faults = Faults()
    faults.extend(f"{path.name}: {line}" for line in contradictions(plan))
    faults.raise_if_any(PlanError)
    return plan


def _load(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise PlanError(f"{path}: no such plan file. `rxmap new DIR` writes one to start from.")
    if path.stat().st_size > LARGEST_PLAN:
        raise PlanError(f"{path.name}: {path.stat().st_size} bytes is too large for a plan. Is it another file?")
    try:
        text = path.read_bytes().decode("utf-8-sig")
        document = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise PlanError(f"{path.name}: byte {error.start} is not UTF-8. Save the plan as UTF-8.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise PlanError(f"{path.name}: not a TOML file: {error}. See docs/plan.md for the form.") from None
    except ValueError as error:  # an integer of thousands of digits
        raise PlanError(f"{path.name}: {error}.") from None
    return document


def _lines(error: ValidationError, document: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    for fault in error.errors(include_url=False):
        where = _where(fault["loc"], document)
        line = f"{where}: {_what(dict(fault))}"
        if line not in lines:
            lines.append(line)
    return lines


def _where(location: tuple[int | str, ...], document: Any) -> str:
    """Name a place in the plan: ``target[2].loss.per_unit``, counted from one."""
    text = ""
    for step in location:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        elif isinstance(document, dict) and step not in document and step.startswith(("tuple", "Quantity", "function")):
            continue  # a branch of a union, not a key of the plan
        else:
            text += f".{step}" if text else step
        try:
            document = document[step]
        except (KeyError, IndexError, TypeError):
            document = None
    return text


def _what(fault: dict[str, Any]) -> str:
    kind, value = fault["type"], fault.get("input")
    if kind == "missing":
        return "is missing. Add it."
    if kind == "extra_forbidden":
        name = str(fault["loc"][-1])
        near = difflib.get_close_matches(name, known_keys(), 1, 0.6)
        return f"unknown key. Did you mean {near[0]}?" if near else "unknown key. Remove it, or see docs/plan.md."
    message = str(fault["msg"]).removeprefix("Value error, ")
    if message.startswith("found "):
        return message
    message = message[0].lower() + message[1:]
    return f"found {shown(value)}: {message.removeprefix('input ')}."


def known_keys() -> list[str]:
    """Every key that a plan may hold."""
    return sorted({(info.alias or name) for model in _sections(Plan) for name, info in model.model_fields.items()})


def _sections(model: type[BaseModel]) -> list[type[BaseModel]]:
    found = [model]
    for info in model.model_fields.values():
        for inner in _types(info.annotation):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                found.extend(_sections(inner))
    return found


def _types(annotation: Any) -> list[Any]:
    inner = get_args(annotation)
    return [t for a in inner for t in _types(a)] if inner else [annotation]


def plan_fault(plan: Plan, line: str) -> InputError:
    """Make an error about a plan that was read already."""
    return PlanError(f"{plan.path.name}: {line}")

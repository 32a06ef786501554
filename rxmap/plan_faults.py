"""The faults of a plan's keys and values, one line each in the words of whoever writes plans."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from rxmap.errors import shown
from rxmap.plan import FORMS, Plan

Location = tuple[int | str, ...]

# By the validator's name for a fault: what was wrong with the value found, and what to do.
ADVICE = {
    "greater_than": "must be more than {gt:g}.",
    "greater_than_equal": "must be at least {ge:g}.",
    "less_than": "must be less than {lt:g}.",
    "less_than_equal": "must be at most {le:g}.",
    "literal_error": "write {expected}.",
    "bool_type": "write true or false.",
    "string_type": "write text, in quotes.",
    "string_too_short": "is empty. Write something.",
    "string_too_long": "is longer than {max_length} characters. Shorten it.",
    "dict_type": "write a table, such as {{ name = ... }}.",
    "tuple_type": "write a list, such as [ ... ].",
    "too_short": "is empty. Give at least one.",
    "too_long": "has {actual_length} values where {max_length} are needed.",
}


def fault_lines(error: ValidationError, document: dict[str, Any]) -> list[str]:
    """List what is wrong with a plan's keys and values: place, what was found, what to do.

    Parameters
    ----------
    error : ValidationError
        What the validator found.
    document : dict
        The plan as read from its file.
    """
    faults: list[dict[str, Any]] = [dict(fault) for fault in error.errors(include_url=False)]
    faults = [fault for fault in faults if not _follows(fault)]
    return list(dict.fromkeys(f"{_place(fault['loc'], document)}: {_what(fault)}" for fault in faults))


def _follows(fault: dict[str, Any]) -> bool:
    """Whether a list only looks too short because its items were refused, each with its own line."""
    return bool(fault["type"] == "too_short" and fault["input"])


def _place(location: Location, document: Any) -> str:
    """Name a place in the plan: ``target[2].loss.per_unit``, counted from one."""
    text = ""
    for step in location:
        if step in FORMS and not (isinstance(document, dict) and step in document):
            continue
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            step = step.strip()
            name = step if step.replace("_", "").isalnum() else f'"{step}"'
            text += f".{name}" if text else name
        try:
            document = document[step]
        except (KeyError, IndexError, TypeError):
            document = None
    return text


def _what(fault: dict[str, Any]) -> str:
    kind, location, value = fault["type"], fault["loc"], fault.get("input")
    if kind == "missing":
        return _missing(location)
    if kind == "extra_forbidden":
        return _unknown(location)
    if kind == "value_error":
        return str(fault["msg"]).removeprefix("Value error, ")
    if kind in ("tuple_type", "model_type", "dict_type") and len(location) == 1:
        return f"found {_found(value)}: write {_heading(str(location[0]))}, a section of its own."
    advice = ADVICE.get(kind, "does not fit here. See the comments of the plan that `rxmap new DIR` writes.")
    if kind == "less_than_equal" and fault["ctx"]["le"] == 1:
        advice += " It is a share: 0.8 for 80 %."
    return f"found {_found(value)}: {advice.format(**fault.get('ctx', {}))}"


def _found(value: object) -> str:
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    return shown(value)


def _missing(location: Location) -> str:
    if isinstance(location[-1], int):
        return "is missing: two values are needed here."
    if len(location) == 1:
        return f"is missing. Add a section {_heading(str(location[0]))}."
    return "is missing. Add it."


def _unknown(location: Location) -> str:
    name, known = str(location[-1]), _keys(_section(location[:-1]))
    near = difflib.get_close_matches(name, known, 1, 0.6)
    if near:
        return f"unknown key. Did you mean {near[0]}?"
    homes = [place for place, section in _sections() if name in _keys(section)]
    if homes:
        return f"unknown key. It belongs in {' or '.join(homes)}."
    return f"unknown key. Known here: {', '.join(known)}."


def _keys(section: type[BaseModel]) -> list[str]:
    """Keys that a section may hold, in the order of the plan."""
    return [info.alias or name for name, info in section.model_fields.items() if not info.exclude]


def _section(location: Location) -> type[BaseModel]:
    """Find the section that a place in the plan belongs to."""
    section: type[BaseModel] = Plan
    for step in location:
        inner = {info.alias or name: info.annotation for name, info in section.model_fields.items()}
        section = next(iter(_models(inner.get(str(step)))), section)
    return section


def _sections(section: type[BaseModel] = Plan, place: str = "") -> Iterator[tuple[str, type[BaseModel]]]:
    """List every section below one, with the heading it stands under."""
    for name, info in section.model_fields.items():
        for inner in _models(info.annotation):
            heading = f"{place}.{info.alias or name}" if place else info.alias or name
            yield (f"[{heading}]" if place else _heading(heading)), inner
            yield from _sections(inner, heading)


def _heading(key: str) -> str:
    """Head a section as the plan does: twice bracketed where there may be several."""
    for name, info in Plan.model_fields.items():
        if key == (info.alias or name) and str(info.annotation).startswith("tuple"):
            return f"[[{key}]]"
    return f"[{key}]"


def _models(annotation: Any) -> list[type[BaseModel]]:
    inner = get_args(annotation)
    if inner:
        return [model for part in inner for model in _models(part)]
    return [annotation] if isinstance(annotation, type) and issubclass(annotation, BaseModel) else []


def toml_fault(message: str, text: str) -> str:
    """Say where a text stops being TOML, with the line itself: a parser's words alone help nobody."""
    place = re.search(r" \(at line (\d+), column \d+\)$", message)
    lines = text.splitlines()
    if place is None:  # at the end of the document
        return f"not TOML: {message}. Is a bracket or a quote left open?"
    number = min(int(place[1]), len(lines))
    again = "overwrite" in message or "twice" in message or "redefine" in message
    advice = "this key or section stands above already. Remove one."
    if not again:
        advice = f"not TOML: {message.removesuffix(place[0])}. Write key = value, with text in quotes."
    return f"line {number}: found {shown(lines[number - 1].strip())}: {advice}"

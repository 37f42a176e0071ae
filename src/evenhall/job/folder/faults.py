"""From a table of job.toml to its model, or to lines that a person can act on.

Start at `read_section()`. A line says where, what is wrong, and what is allowed; what is
allowed comes from the field's description in `model.py`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

__all__ = ["MOST_FAULTS", "Reading", "did_you_mean", "read_section", "shown"]

Model = TypeVar("Model", bound=BaseModel)

LONGEST_SHOWN = 60
MOST_FAULTS = 20  # of one section: who made more begins with these


class Reading(NamedTuple):
    """What became of a table of job.toml.

    Attributes
    ----------
    section : BaseModel or None
        The model; where fields are wrong, with their defaults in their place (`bad` names
        them), and None where one is missing that has no default.
    faults : tuple of str
        A line for each wrong field.
    bad : frozenset of str
        The wrong fields.
    """

    section: Any
    faults: tuple[str, ...]
    bad: frozenset[str]


def shown(value: Any) -> str:
    """Write `value` as job.toml would, short enough for a line.

    Examples
    --------
    >>> shown("left"), shown(True), shown([1, 2.5]), shown(float("nan"))
    ('"left"', 'true', '[1, 2.5]', 'nan')
    """
    if isinstance(value, (list, tuple)):
        text = "[" + ", ".join(shown(entry) for entry in value) + "]"
    elif isinstance(value, (str, bool)):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict):
        text = "a section"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + "…"


def did_you_mean(wrong: str, known: Iterable[str], *, form: str = '"{}"') -> str:
    """Sentence that names the nearest of `known`, or all of them where none is near.

    Examples
    --------
    >>> did_you_mean("step", ["step_db", "range_db"])
    'Did you mean "step_db"?'
    >>> did_you_mean("colour", ["step_db", "range_db"])
    'There are: "step_db", "range_db".'
    """
    known = list(known)
    near = get_close_matches(wrong.lower(), known, n=1, cutoff=0.6) or [
        name for name in known if wrong and name.startswith(wrong.lower())
    ]
    if near:
        return f"Did you mean {form.format(near[0])}?"
    return "There are: " + ", ".join(form.format(name) for name in known) + "."


def read_section(where: str, model: type[Model], table: Mapping[str, Any]) -> Reading:
    """Validate one table; every fault is a line that begins with `where`."""
    try:
        return Reading(model.model_validate(table), (), frozenset())
    except ValidationError as error:
        errors = [
            entry for entry in error.errors() if entry["type"] != "default_factory_not_called"
        ]
    faults = tuple(_line(where, model, entry) for entry in errors[:MOST_FAULTS])
    if len(errors) > MOST_FAULTS:
        faults = (*faults, f"{where} has {len(errors) - MOST_FAULTS} faults more.")
    bad = frozenset(str(entry["loc"][0]) for entry in errors)
    # The rest of the table is still worth checking against the other sections.
    rest = {field: value for field, value in table.items() if field not in bad}
    try:
        return Reading(model.model_validate(rest), faults, bad)
    except ValidationError:
        return Reading(None, faults, bad)


def _line(where: str, model: type[BaseModel], error: Mapping[str, Any]) -> str:
    field = str(error["loc"][0])
    if error["type"] == "extra_forbidden":
        return f"{where} has no field {shown(field)}. {did_you_mean(field, model.model_fields)}"
    allowed = f"Give {model.model_fields[field].description}."
    if error["type"] == "missing":
        return f"{where} {field} is missing. {allowed}"
    return f"{where} {field} = {shown(error['input'])} {_wrong(error)}. {allowed}"


def _wrong(error: Mapping[str, Any]) -> str:
    """Say what is wrong with a value, in plain words."""
    value = error["input"]
    match error["type"]:
        case "value_error":
            return str(error["ctx"]["error"])
        case "greater_than_equal":
            return "is negative" if value < 0 <= error["ctx"]["ge"] else "is too small"
        case "less_than_equal":
            return "is too large"
        case "finite_number":
            return "is not a finite number"
        case "int_type" if isinstance(value, float):
            return "is not a whole number"
        case "float_type" | "int_type":
            return "is not a number"
        case "string_type":
            return "is not text in quotes"
        case "literal_error":
            return "is not known here"
        case _:
            return "is not allowed"

"""What is wrong with a setting, in words: where it stands, what was found, what was expected."""

from __future__ import annotations

import difflib
import json
from typing import Any, get_args

from annotated_types import Ge, Le
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

# Settings of earlier versions, and what stands in their place.
REPLACED = {"run.keep_key_frames": 'is now keep_pictures = "clips", "frames" or "none"'}


def setting_problem(details: ErrorDetails, file_name: str, settings: type[BaseModel]) -> str:
    """Return one problem in one line: file, key, what was found, what was expected.

    Parameters
    ----------
    details : ErrorDetails
        One entry of a validation error.
    file_name : str
        File that the value comes from, as the reader knows it.
    settings : type
        The record of all settings.
    """
    location = [str(part) for part in details["loc"]]
    where = f"{file_name}: {'.'.join(location)}"
    section = settings.model_fields.get(location[0])
    model = section.annotation if section is not None else None
    known = getattr(model, "model_fields", {})
    if ".".join(location) in REPLACED:
        return f"{where}: {REPLACED['.'.join(location)]}"
    if details["type"] == "extra_forbidden":
        names = list(known) if len(location) > 1 else list(settings.model_fields)
        close = difflib.get_close_matches(location[-1], names, n=1)
        hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(names)}"
        return f"{where}: unknown; {hint}"
    if details["type"] == "missing":
        return f"{where}: missing; expected {_expected(location, known)}"
    return f"{where}: found {_shown(details['input'])}; expected {_expected(location, known)}"


def _shown(value: object) -> str:
    """A found value as it is written in TOML."""
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def _expected(location: list[str], known: dict[str, Any]) -> str:
    """What a key allows, in words."""
    if len(location) == 1:
        return f"a section, written as [{location[0]}]"
    field = known[location[1]]
    if field.annotation is str:
        return "text"
    if not field.metadata:
        return "one of: " + ", ".join(get_args(field.annotation))
    low, high = allowed_range(field)
    kind = "a whole number" if field.annotation is int else "a number"
    return f"{kind} from {low:g} to {high:g} [{field.json_schema_extra['unit']}]"


def allowed_range(field: FieldInfo) -> tuple[float, float]:
    """Least and largest allowed value of a numeric setting."""
    low = next(rule.ge for rule in field.metadata if isinstance(rule, Ge))
    high = next(rule.le for rule in field.metadata if isinstance(rule, Le))
    return float(str(low)), float(str(high))

"""What is wrong with a document that a person wrote, in plain words.

Two kinds: a case.toml, of which no value and no unknown key is repeated, since each may be
a name; and settings, of which the value is shown.
"""

from __future__ import annotations

import datetime
import difflib
import re
import reprlib
import types
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

TOML_HINT = "mend it: text in quotes, lists in [ ], dates as 2026-03-02, each key once in its table"
_NEAR = 0.75  # share of alike letters (difflib) from which a key is taken for a mistyped one
_LAST = {"missing": 1}
Fault = tuple[str, str, str]


def toml_place(error: Exception) -> str:
    """Where a TOML text is broken, without a word of it."""
    if isinstance(error, UnicodeDecodeError):
        return "a text that is not saved as UTF-8"
    if isinstance(error, RecursionError):
        return "lists or tables in each other too deep"
    found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    if found:
        return f"line {found.group(1)}, column {found.group(2)}"
    return "its end" if "end of document" in str(error) else "a value that cannot be read"


def fault_of(error: ValidationError, model: type[BaseModel], where: str, *, values: bool) -> Fault:
    """The most telling fault of a validation: what, got, do.

    where: what the document is called. values: show values and keys as they stand
    (settings); else only keys that are known or nearly so (a case).
    """
    faults = error.errors(include_url=False)
    unknown = [f for f in faults if f["type"] == "extra_forbidden"]
    near = [f for f in unknown if _near(str(f["loc"][-1]), _keys_at(model, f["loc"][:-1]))]
    fault = (near or unknown or sorted(faults, key=lambda f: _LAST.get(f["type"], 0)))[0]
    path, rest = _known_part(model, fault["loc"])
    if fault["type"] == "extra_forbidden":
        return _unknown_key(model, fault["loc"], where, values)
    table, key = _split(path)
    if fault["type"] == "missing":
        place = _name(table, where, values)
        said = f"{where} lacks {_dotted(path)}" if values else f"{place} lacks `{key}`"
        return said, "", f"add it: it takes {_expects(model, path)}"
    got = (_shown if values else _kind)(fault.get("input"))
    if fault["type"] == "value_error":
        said = fault["msg"].removeprefix("Value error, ")
        return f"{_at(path, rest, where, values)} has a bad value", got, said
    takes = f"it takes {_expects(model, path)}"
    return f"{_at(path, rest, where, values)} has a bad value", got, takes


def _unknown_key(
    model: type[BaseModel], loc: Sequence[int | str], where: str, values: bool
) -> Fault:
    table, key = loc[:-1], str(loc[-1])
    known = _keys_at(model, table)
    place, near = _name(table, where, values), _near(key, known)
    if near is not None:
        if values:
            new = _dotted((*table, near))
            return f"{where} has {_dotted(loc)[:80]}", "", f"it is called {new}"
        said = f"{place} has `{key}`; it is called `{near}`"
        return said, "", f"write {near} instead of {key}"
    homes = _homes(model, key)
    if values:
        do = f"use one of: {', '.join(sorted(known))}"
        if homes:
            do = f"it belongs to [{homes[0]}]"
        return f"{where} has an unknown key {_dotted(loc)[:80]!r}", "", do
    if homes:
        do = f"move it there (the keys of {place} are: {', '.join(known)})"
        return f"{place} has `{key}`, which belongs to {' or '.join(homes)}", "", do
    got = "a key that is not repeated here"
    return f"{place} has a key that is not known", got, f"its keys are: {', '.join(known)}"


def _near(key: str, known: Sequence[str]) -> str | None:
    plain = key.strip().lower().replace("-", "_").replace(" ", "_")
    found = difflib.get_close_matches(plain, known, 1, _NEAR)
    if found:
        return found[0]
    longer = [k for k in known if len(plain) >= 4 and k.startswith(plain)]
    return longer[0] if longer else None


def _known_part(
    model: type[BaseModel], loc: Sequence[int | str]
) -> tuple[tuple[int | str, ...], tuple[int | str, ...]]:
    """`loc` as far as it names fields, and the indices after them (which entry of a list)."""
    path: list[int | str] = []
    current: Any = model
    for number, part in enumerate(loc):
        if isinstance(part, int):
            if not (isinstance(current, type) and issubclass(current, BaseModel)):
                return tuple(path), tuple(p for p in loc[number:] if isinstance(p, int))
            path.append(part)
            continue
        fields = getattr(current, "model_fields", {})
        if part not in fields:
            break  # the name of a union's branch
        path.append(part)
        current = _model_in(fields[part].annotation)
    return tuple(path), ()


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _model_in(a)) is not None), None)


def _table(model: type[BaseModel], loc: Sequence[int | str]) -> type[BaseModel] | None:
    current: type[BaseModel] | None = model
    for part in loc:
        if isinstance(part, str) and current is not None:
            field = current.model_fields.get(part)
            current = _model_in(field.annotation) if field is not None else None
    return current


def _keys_at(model: type[BaseModel], loc: Sequence[int | str]) -> list[str]:
    table = _table(model, loc)
    return list(table.model_fields) if table is not None else []


def _homes(model: type[BaseModel], key: str) -> list[str]:
    """Tables of the model that have this very key."""
    out = [] if key not in model.model_fields else ["the top, before the first table"]
    for name, field in model.model_fields.items():
        inner = _model_in(field.annotation)
        if inner is not None and key in inner.model_fields:
            out.append(name)
    return out


def _split(path: Sequence[int | str]) -> tuple[tuple[int | str, ...], str]:
    return tuple(path[:-1]), str(path[-1]) if path else ""


def _dotted(path: Sequence[int | str]) -> str:
    return ".".join(str(part) for part in path)


def _name(table: Sequence[int | str], where: str, values: bool) -> str:
    """`recording 2`; the document itself where the path is empty."""
    if values and table:
        return f"{where}: {_dotted(table)}"
    words = [str(p + 1) if isinstance(p, int) else p for p in table]
    return " ".join(words) or where


def _at(path: Sequence[int | str], rest: Sequence[int | str], where: str, values: bool) -> str:
    if not path:
        return where
    if values:
        return f"{where}: {_dotted(path)}"
    table, key = _split(path)
    if key.isdigit():  # a whole entry, such as a recording
        return f"{where}: {_name(path, where, values)}"
    entry = f", entry {int(rest[0]) + 1}," if rest else ""
    place = f"{_name(table, where, values)}: " if table else ""
    return f"{where}: {place}`{key}`{entry}"


def _expects(model: type[BaseModel], path: Sequence[int | str]) -> str:
    table, key = _split(path)
    owner = _table(model, table)
    field = owner.model_fields.get(key) if owner is not None else None
    if field is None:
        return "a table"
    return _words(field.annotation, field.metadata, key)


def _words(kind: Any, metadata: Sequence[Any], key: str) -> str:
    """What a field takes, from its type and its bounds."""
    bounds = {
        name: getattr(item, name)
        for item in metadata
        for name in ("ge", "le", "gt", "lt", "min_length", "max_length")
        if getattr(item, name, None) is not None
    }
    origin = get_origin(kind)
    if origin is Annotated:
        inner, *more = get_args(kind)
        flat = [m for item in more for m in (item, *getattr(item, "metadata", ()))]
        return _words(inner, [*metadata, *flat], key)
    if origin in (Union, types.UnionType):
        parts = [a for a in get_args(kind) if a is not type(None)]
        return " or ".join(_words(a, metadata, key) for a in parts)
    if origin is Literal:
        choices = [f'"{c}"' for c in get_args(kind)]
        return f"one of {', '.join(choices)}" if len(choices) > 1 else choices[0]
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return f"a table, [{key}]"
    if origin in (list, Sequence, tuple):
        inner = get_args(kind)[0]
        if _model_in(inner) is not None:
            return f"tables, each under a line [[{key}]] with two brackets"
        if inner is str:
            return 'a list of texts, such as ["a", "b"]'
        return "a list in [ ]"
    return _simple(kind, bounds)


def _simple(kind: Any, bounds: Mapping[str, Any]) -> str:
    if kind is bool:
        return "true or false"
    if kind in (int, float):
        low, high = bounds.get("ge", bounds.get("gt")), bounds.get("le", bounds.get("lt"))
        noun = "a whole number" if kind is int else "a number"
        if low is not None and high is not None:
            return f"{noun} from {low:g} to {high:g}"
        return noun if low is None else f"{noun} from {low:g}"
    if kind is datetime.date:
        return "a date such as 2026-03-02"
    if kind is str:
        longest = bounds.get("max_length")
        return f"text in quotes, of up to {longest} characters" if longest else "text in quotes"
    return "another value"


def _kind(value: object) -> str:
    """What a value is, without the value."""
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return "a text, which is not repeated here" if value.strip() else "an empty text"
    if isinstance(value, (int, float)):
        return "a number, which is not repeated here"
    if isinstance(value, list):
        return f"a list of {len(value)}" if value else "an empty list"
    if isinstance(value, dict):
        return "a table"
    return "a value that is not repeated here"


def _shown(value: object) -> str:
    short = reprlib.Repr()  # whatever was given: long, deep, both
    short.maxstring = short.maxother = 60
    return short.repr(value)[:60]

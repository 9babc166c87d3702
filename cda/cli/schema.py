"""`cda schema`: every key of the files and results, made from the models themselves."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import click

from cda.cli.options import json_option
from cda.cli.shell import ANSWER
from cda.cli.talk import print_document, say_next

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic import BaseModel

EPILOG = """\b
Examples:
  cda schema session
  cda schema race --json > race.schema.json"""

_PLAIN = {str: "string", float: "number", int: "integer", bool: "boolean", type(None): "null"}


@click.command("schema", epilog=EPILOG)
@click.argument("what", type=click.Choice(["session", "race", "results"]))
@json_option
def command(*, what: str, as_json: bool) -> int:
    """List every key of session.toml, race.toml or the results: type, unit, limits, default.

    With --json: a JSON Schema, for editors and checks.
    """
    if what == "results":
        document = _results_schema()
        rows = list(_schema_rows(document))
    else:
        model = _model(what)
        document = model.model_json_schema()
        rows = list(_schema_rows(document))
    if as_json:
        print_document(document)
    else:
        width = max(len(key) for key, _ in rows)
        click.echo("\n".join(f"{key:<{width}}  {text}".rstrip() for key, text in rows))
    say_next(f"cda schema {what} --json   (JSON Schema)" if not as_json else "give it to an editor")
    return ANSWER


def _model(what: str) -> type[BaseModel]:
    if what == "session":
        from cda.session import SessionSettings

        return SessionSettings
    from cda.race import RaceSettings

    return RaceSettings


def _schema_rows(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield (dotted key, words) for every property, tables before their keys."""
    yield from _rows(document, document.get("$defs", {}), "")


def _rows(
    node: Mapping[str, Any], defs: Mapping[str, Any], prefix: str
) -> Iterator[tuple[str, str]]:
    required = node.get("required", ())
    for name, prop in node.get("properties", {}).items():
        inner, is_list = _table(prop, defs)
        if inner is not None:
            yield f"{prefix}{name}{'[]' if is_list else ''}", prop.get("description", "")
            yield from _rows(inner, defs, f"{prefix}{name}{'[]' if is_list else ''}.")
        else:
            yield f"{prefix}{name}", _words(prop, required=name in required)


def _table(
    prop: Mapping[str, Any], defs: Mapping[str, Any]
) -> tuple[Mapping[str, Any] | None, bool]:
    """Return the table a property stands for, or None, and whether it is a list of them."""
    for option in (prop, *prop.get("anyOf", ())):
        is_list = option.get("type") == "array"
        target = option.get("items", {}) if is_list else option
        reference = target.get("$ref") if isinstance(target, Mapping) else None
        if reference:
            found = defs[reference.rsplit("/", 1)[1]]
            if "properties" in found:
                return found, is_list
    return None, False


def _words(prop: Mapping[str, Any], *, required: bool) -> str:
    options = [o for o in prop.get("anyOf", [prop]) if o.get("type") != "null"]
    first = options[0] if options else {}
    kind = " or ".join(str(v) for v in first["enum"]) if "enum" in first else first.get("type", "")
    parts = [kind]
    unit = prop.get("unit")
    if unit:
        parts.append(f"[{unit}]")
    low = first.get("minimum", first.get("exclusiveMinimum"))
    high = first.get("maximum", first.get("exclusiveMaximum"))
    if low is not None and high is not None:
        parts.append(f"{low:g} to {high:g}")
    if required:
        parts.append("required")
    elif prop.get("default") is not None:
        parts.append(f"default {prop['default']}")
    source = prop.get("source")
    if source:
        parts.append(f"({source})")
    description = prop.get("description")
    return ", ".join(p for p in parts if p) + (f": {description}" if description else "")


def _results_schema() -> dict[str, Any]:
    """Return a JSON Schema of the documents that fit, race and errors print."""
    from cda.results import Estimate, Savings

    defs: dict[str, Any] = {}
    error = {
        "type": "object",
        "properties": {
            "schema": {"type": "integer"},
            "kind": {"enum": ["error"]},
            "what": {"type": "string"},
            "where": {"type": "string"},
            "fix": {"type": "string"},
        },
    }
    documents = {"estimate": _of(Estimate, defs), "savings": _of(Savings, defs)}
    for name, left_out in (("Estimate", ("curves", "profiles")), ("Savings", ("course",))):
        for key in left_out:  # drawn, not printed
            defs[name]["properties"].pop(key, None)
    defs["Error"] = error
    documents["error"] = {"$ref": "#/$defs/Error"}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Documents printed by --json",
        "type": "object",
        "properties": documents,
        "$defs": defs,
    }


def _of(annotation: Any, defs: dict[str, Any]) -> dict[str, Any]:
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if is_dataclass(annotation) and isinstance(annotation, type):
        _define(annotation, defs)
        return {"$ref": f"#/$defs/{annotation.__name__}"}
    if origin in (types.UnionType, typing.Union):
        return {"anyOf": [_of(a, defs) for a in arguments]}
    if origin is typing.Literal:
        return {"enum": list(arguments)}
    if origin is tuple and arguments[-1] is not Ellipsis:
        return {"type": "array", "prefixItems": [_of(a, defs) for a in arguments]}
    if origin in (tuple, list):
        return {"type": "array", "items": _of(arguments[0], defs)}
    if origin is not None and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _of(arguments[1], defs)}
    if annotation in _PLAIN:
        return {"type": _PLAIN[annotation]}
    if annotation is object or annotation is Any:
        return {}
    return {"type": "array", "description": "numbers"}  # an array of numpy


def _define(cls: type, defs: dict[str, Any]) -> None:
    if cls.__name__ in defs:
        return
    defs[cls.__name__] = {}  # taken before the fields are walked: a type may hold itself
    hints = typing.get_type_hints(cls, localns=_numpy_names())
    defs[cls.__name__] = {
        "type": "object",
        "description": (cls.__doc__ or "").strip().split("\n", 1)[0],
        "properties": {f.name: _of(hints[f.name], defs) for f in fields(cls)},
    }


def _numpy_names() -> dict[str, Any]:
    """Return names that the result types import for type checkers only."""
    import numpy as np
    from numpy.typing import NDArray

    return {"np": np, "NDArray": NDArray, "pd": None}

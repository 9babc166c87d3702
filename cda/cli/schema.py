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
    from pydantic import BaseModel

EPILOG = """\b
Examples:
  cda schema session
  cda schema race --json > race.schema.json"""

_PLAIN = {str: "string", float: "number", int: "integer", bool: "boolean", type(None): "null"}


@click.command("schema", epilog=EPILOG)
@click.argument("what", type=click.Choice(["session", "race", "protocol", "results"]))
@json_option
def command(*, what: str, as_json: bool) -> int:
    """List every key of a session, race or protocol file or the results: type, unit, default.

    With --json: a JSON Schema, for editors and checks.
    """
    document, rows = _results() if what == "results" else _settings(what)
    if as_json:
        print_document(document)
    else:
        click.echo("\n".join(_table_lines(rows)))
    say_next("give it to an editor" if as_json else f"cda schema {what} --json   (JSON Schema)")
    return ANSWER


def _settings(what: str) -> tuple[dict[str, Any], list[dict[str, str]]]:
    from cda.session import SessionSettings, model_rows, model_schema

    model: type[BaseModel] = SessionSettings
    if what == "race":
        from cda.race import RaceSettings

        model = RaceSettings
    elif what == "protocol":
        from cda.plan import Protocol

        model = Protocol
    return model_schema(model, title=f"{what}.toml"), model_rows(model)


def _table_lines(rows: list[dict[str, str]]) -> list[str]:
    """Return one line a key: key, default, unit, limits, then what it means and why the default."""
    columns = [c for c in ("key", "default", "unit", "limits") if any(r.get(c) for r in rows)]
    widths = {c: min(40, max(len(c), *(len(r.get(c, "")) for r in rows))) for c in columns}
    lines = []
    for row in [{c: c for c in (*columns, "meaning")}, *rows]:
        source = f" (default: {row['source']})" if row.get("source") else ""
        cells = [f"{row.get(c, ''):<{widths[c]}}" for c in columns]
        lines.append("  ".join([*cells, row.get("meaning", "") + source]).rstrip())
    return lines


def _results() -> tuple[dict[str, Any], list[dict[str, str]]]:
    document = _results_schema()
    rows = [
        {"key": f"{table}.{key}", "unit": "", "meaning": _type_words(inner)}
        for table, definition in document["$defs"].items()
        for key, inner in definition["properties"].items()
    ]
    return document, rows


def _type_words(node: Mapping[str, Any]) -> str:
    if "$ref" in node:
        return str(node["$ref"]).rsplit("/", 1)[1]
    if "anyOf" in node:
        return " or ".join(_type_words(n) for n in node["anyOf"])
    if "enum" in node:
        return " | ".join(map(str, node["enum"]))
    if node.get("type") == "array" and "items" in node:
        return f"list of {_type_words(node['items'])}"
    return str(node.get("type", "any"))


def _results_schema() -> dict[str, Any]:
    """Return a JSON Schema of the documents that fit, race and errors print."""
    from cda.results import Estimate, Savings
    from cda.results.season import Season

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
    documents["season"] = _of(Season, defs)
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

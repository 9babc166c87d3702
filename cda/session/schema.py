"""The schema of session.toml for editors and for people, made from the models alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic_core import PydanticUndefined

from cda.errors import SessionError
from cda.session.models import SessionSettings
from cda.session.toml_file import submodel

if TYPE_CHECKING:
    from pydantic import BaseModel


def schema_json(name: str = "session") -> dict[str, Any]:
    """Return the JSON Schema of a settings file; `name` is "session"."""
    return model_schema(_model(name), title=f"{name}.toml")


def schema_rows(name: str = "session") -> list[dict[str, str]]:
    """Return one row a key: key, default, unit, limits, meaning, source of the default."""
    return model_rows(_model(name))


def _model(name: str) -> type[BaseModel]:
    if name != "session":
        raise SessionError(f"there is no schema {name!r} here", fix="session")
    return SessionSettings


def model_schema(model: type[BaseModel], *, title: str) -> dict[str, Any]:
    """Return the JSON Schema of any settings model."""
    schema = model.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


def model_rows(model: type[BaseModel], prefix: str = "") -> list[dict[str, str]]:
    """Return one row a key of any settings model, in the order of the file."""
    rows: list[dict[str, str]] = []
    for name, field in model.model_fields.items():
        inner = submodel(field.annotation)
        if inner is not None:
            many = str(field.annotation).startswith("tuple")
            rows += model_rows(inner, f"{prefix}{name}{'[]' if many else ''}.")
            continue
        extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
        bounds = {
            k: getattr(m, k)
            for m in field.metadata
            for k in ("ge", "gt", "le", "lt")
            if getattr(m, k, None) is not None
        }
        low, high = bounds.get("ge", bounds.get("gt")), bounds.get("le", bounds.get("lt"))
        required = field.default is PydanticUndefined and field.default_factory is None
        default = "required" if required else _shown(field.default)
        rows.append(
            {
                "key": f"{prefix}{name}",
                "default": default,
                "unit": str(extra.get("unit", "")),
                "limits": "" if low is None and high is None else f"{_end(low)} to {_end(high)}",
                "meaning": field.description or "",
                "source": str(extra.get("default_source", "")),
            }
        )
    return rows


def _shown(value: object) -> str:
    if value is None or value in ("", ()):
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _end(value: float | None) -> str:
    return "..." if value is None else f"{value:g}"

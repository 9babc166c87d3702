"""A TOML file into a frozen model: every mistake at once, each with its key and a way out."""

from __future__ import annotations

import copy
import hashlib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from cda.errors import SessionError
from cda.results import InputFile

if TYPE_CHECKING:
    from pathlib import Path

Model = TypeVar("Model", bound=BaseModel)

MAX_TOML_BYTES = 1_000_000  # a settings file is a few kB; more is not one

# An option that gives one of these takes the others of its row away.
EXCLUSIVE: tuple[tuple[str, ...], ...] = (
    ("air.pressure_hpa", "air.sea_level_pressure_hpa"),
    ("air.density_kg_m3", "air.temperature_c"),
    ("air.temperature_from_recording", "air.temperature_c"),
    ("air.density_kg_m3", "air.pressure_hpa"),
    ("air.density_kg_m3", "air.sea_level_pressure_hpa"),
    ("air.density_kg_m3", "air.relative_humidity"),
)


def mistakes_error(where: str, mistakes: Sequence[tuple[str, str, str]]) -> SessionError:
    """Return one error for all mistakes, each (place, problem, fix)."""
    if len(mistakes) == 1:
        place, problem, fix = mistakes[0]
        return SessionError(problem, where=f"{where}, {place}" if place else where, fix=fix)
    lines = [f"{len(mistakes)} mistakes"]
    for place, problem, fix in mistakes:
        lines.append(f"  {place + ': ' if place else ''}{problem}")
        if fix:
            lines.append(f"    -> {fix}")
    return SessionError("\n".join(lines), where=where, fix="mend each of them")


def decode_text(data: bytes) -> tuple[str, str | None]:
    """Return the text and, where it was not plain UTF-8, the encoding that was taken."""
    if data.startswith(b"\xef\xbb\xbf"):
        return data.decode("utf-8-sig", errors="replace"), None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace"), "UTF-16"
    if data[:200].count(0) > len(data[:200]) // 4:
        big = data[:1] == b"\0"
        return data.decode("utf-16-be" if big else "utf-16-le", errors="replace"), "UTF-16"
    try:
        return data.decode("utf-8"), None
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "Windows-1252"


def read_toml(path: Path) -> tuple[dict[str, Any], InputFile]:
    """Return the parsed file and its checksum; syntax errors come with line and likely cause."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_TOML_BYTES + 1)
    except OSError as error:
        raise SessionError(
            f"cannot be read ({error.strerror or error})",
            where=path.name,
            fix="check the folder's name and that the file is in it",
        ) from error
    if len(data) > MAX_TOML_BYTES:
        raise SessionError(
            "is larger than 1 MB, which is no settings file",
            where=path.name,
            fix="give the file with the settings, not the recording",
        )
    content, _ = decode_text(data)
    return parse_toml(content, path.name), InputFile(
        name=path.name, sha256=hashlib.sha256(data).hexdigest()
    )


def parse_toml(content: str, name: str) -> dict[str, Any]:
    """Parse TOML text; `name` is what the error calls it."""
    content = content.replace("\r\n", "\n").replace("\r", "\n").lstrip("\ufeff")
    try:
        return tomllib.loads(content)
    except (ValueError, RecursionError) as error:
        raise mistakes_error(name, _syntax_mistakes(content, error)) from error


def _syntax_mistakes(content: str, error: Exception) -> list[tuple[str, str, str]]:
    lines = content.split("\n")
    found: list[tuple[str, str, str]] = []
    for i, line in enumerate(lines, start=1):
        code = re.sub(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'', '""', line).split("#")[0]
        match = re.match(r"\s*[\w.-]+\s*=\s*([-+]?\d+),(\d+)\s*$", code)
        if match:
            whole, part = match.groups()
            found.append((f"line {i}", f"decimal comma in {whole},{part}", f"write {whole}.{part}"))
        elif re.search("[\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb]", code):
            found.append(
                (f"line {i}", "curly quotes", 'use straight quotes "..." as on the keyboard')
            )
    if found:
        return found
    message = str(error)
    match = re.search(r"at line (\d+), column (\d+)", message)
    if not match:
        place = "at the end" if "end of document" in message else ""
        return [(place, f"not valid TOML ({message[:200]})", "look for an open quote or bracket")]
    number = int(match.group(1))
    line = lines[number - 1].strip() if number <= len(lines) else ""
    fix = 'write key = value, texts in "straight quotes", numbers with a decimal point'
    if re.match(r"[\w.-]+\s*:", line):
        fix = "write key = value, with = instead of :"
    elif "\\" in line:
        fix = "write / instead of \\ in file names"
    elif "overwrite" in message or "twice" in message:
        fix = "each key and each [table] may stand once; take the second away"
    elif re.match(r"[\w.-]+\s*=\s*[A-Za-z]", line):
        fix = "put texts in straight quotes; true and false are written small"
    return [(f"line {number}", f"not valid TOML: {line[:80]!r} ({message[:120]})", fix)]


def parse_option(value: object) -> object:
    """Return the value of `--set key=value`: read as TOML, else the text itself."""
    if not isinstance(value, str):
        return value
    try:
        return tomllib.loads(f"value = {value}")["value"]
    except (ValueError, RecursionError):
        return value


def apply_overrides(
    data: Mapping[str, Any], overrides: Mapping[str, object] | None, *, where: str = "--set"
) -> dict[str, Any]:
    """Return a copy of `data` with dotted keys set; positions are addressed by their id."""
    result = copy.deepcopy(dict(data))
    mistakes: list[tuple[str, str, str]] = []
    for key, value in (overrides or {}).items():
        for row in EXCLUSIVE:
            if key in row:
                for other in row:
                    if other != key and other not in (overrides or {}):
                        _remove(result, other.split("."))
        parts = key.split(".")
        if not all(parts):
            mistakes.append((key, "is not a key", "write --set table.key=value"))
            continue
        problem = _put(result, parts, parse_option(value))
        if problem:
            mistakes.append((key, *problem))
    if mistakes:
        raise mistakes_error(where, mistakes)
    return result


def _remove(data: dict[str, Any], parts: list[str]) -> None:
    node: Any = data
    for part in parts[:-1]:
        node = node.get(part) if isinstance(node, dict) else None
    if isinstance(node, dict):
        node.pop(parts[-1], None)


def _put(data: dict[str, Any], parts: list[str], value: object) -> tuple[str, str] | None:
    node: Any = data
    for part in parts[:-1]:
        if isinstance(node, list):
            ids = [str(item.get("id")) for item in node if isinstance(item, dict)]
            if part not in ids:
                close = get_close_matches(part, ids, n=1)
                return (
                    f"there is no {part!r} (there are: {', '.join(ids)})",
                    f"did you mean {close[0]!r}?" if close else "use one of these ids",
                )
            node = next(item for item in node if isinstance(item, dict) and item.get("id") == part)
        else:
            node = node.setdefault(part, {})
        if not isinstance(node, dict | list):
            return f"{part!r} is a value, not a table", "leave out what follows it"
    if isinstance(node, list):
        return "names an entry, not a key of it", "add the key: positions.low.hold_share"
    node[parts[-1]] = value
    return None


def validate_model(data: Mapping[str, Any], model: type[Model], *, where: str) -> Model:
    """Return the model of the data, or one SessionError with every mistake."""
    try:
        return model.model_validate(dict(data))
    except (ValidationError, RecursionError) as error:
        if isinstance(error, RecursionError):
            raise SessionError("is nested too deeply", where=where, fix="see cda schema") from error
        raise mistakes_error(where, [_mistake(e, data, model) for e in error.errors()]) from None


def read_toml_model(
    path: Path, model: type[Model], overrides: Mapping[str, object] | None = None
) -> tuple[Model, dict[str, str], InputFile]:
    """Read a TOML file into a model.

    Returns
    -------
    model, sources, file
        The model; dotted key -> "file", "default" or "option" for each of its values; checksum.

    Raises
    ------
    SessionError
        With every mistake in the file at once.
    """
    data, file = read_toml(path)
    settings = validate_model(apply_overrides(data, overrides), model, where=path.name)
    return settings, value_sources(settings, overrides), file


def value_sources(
    model: BaseModel, overrides: Mapping[str, object] | None = None
) -> dict[str, str]:
    """Return where each value came from, by dotted key; positions by id."""
    sources: dict[str, str] = {}
    options = set(overrides or {})

    def walk(node: BaseModel, prefix: str, *, given: bool) -> None:
        for name in type(node).model_fields:
            key, value = f"{prefix}{name}", getattr(node, name)
            from_file = given and name in node.model_fields_set
            if isinstance(value, BaseModel):
                walk(value, key + ".", given=from_file)
            elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
                for item in value:
                    walk(item, f"{key}.{getattr(item, 'id', '')}.", given=from_file)
            else:
                sources[key] = "option" if key in options else "file" if from_file else "default"

    walk(model, "", given=True)
    return sources


def _mistake(error: Any, data: Mapping[str, Any], model: type[BaseModel]) -> tuple[str, str, str]:
    context = error.get("ctx") or {}
    location = list(error["loc"])
    key = _dotted(location, data)
    if isinstance(context.get("key"), str) and context["key"]:
        key = f"{key}.{context['key']}" if key else context["key"]
    kind, value = error["type"], error.get("input")
    name = str(location[-1]) if location else ""
    if kind == "missing":
        unit = _unit(location, model)
        above = location[:-1]
        if above and isinstance(above[-1], int):  # counted from 1, as in the key
            inside = f" in [[{_dotted(above[:-1], data)}]] number {above[-1] + 1}"
        else:
            inside = f" in [{_dotted(above, data)}]" if above else ""
        return key, "is missing", f"add {name} = ...{' # ' + unit if unit else ''}{inside}"
    if kind == "extra_forbidden":
        return key, "is not a known key", _did_you_mean(location, model)
    shown = _shown(value)
    unit = _unit(location, model)
    if kind in ("greater_than_equal", "less_than_equal", "greater_than", "less_than"):
        side = "below" if kind.startswith("greater") else "above"
        limit = context.get("ge", context.get("gt", context.get("le", context.get("lt"))))
        tail = f" {unit}" if unit else ""
        fix = _unit_hint(name, value) or f"check the value{' and its unit' if unit else ''}"
        return key, f"{shown} is {side} the limit of {limit:g}{tail}", fix
    if kind in ("float_type", "int_type", "bool_type", "string_type", "finite_number"):
        return key, *_type_mistake(kind, value, shown)
    if kind == "literal_error":
        expected = str(context.get("expected", ""))
        options = re.findall(r"'([^']+)'", expected)
        close = get_close_matches(str(value).lower(), options, n=1)
        meant = f"did you mean {close[0]!r}? " if close else ""
        return key, f"{shown} is not one of {expected}", f"{meant}use one of these"
    if "message" in context:
        return key, str(context["message"]), str(context.get("fix", ""))
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return key, f"{shown} stands where a table belongs", f"write [{key}] and its keys below"
    if kind == "tuple_type":
        want = f"[[{key}]] and its keys below" if key == "positions" else "a list: [ ... ]"
        return key, f"{shown} stands where a list belongs", f"write {want}"
    return key, f"{shown}: {error['msg']}", "see cda schema"


def _type_mistake(kind: str, value: object, shown: str) -> tuple[str, str]:
    if kind in ("float_type", "int_type") and isinstance(value, str):
        number = value.strip()
        if re.fullmatch(r"[-+]?\d+,\d+", number):
            return (
                f"{shown} has a decimal comma",
                f"write {number.replace(',', '.')} without quotes",
            )
        if re.fullmatch(r"[-+]?\d+(\.\d+)?", number):
            return f"{shown} is a text", f"write {number} without quotes"
        found = re.match(r"[-+]?\d+(?:[.,]\d+)?", number)
        if found:
            plain = found.group().replace(",", ".")
            return f"{shown} is a text", f"write the number alone, without its unit: {plain}"
        return f"{shown} is not a number", "write a number"
    if kind == "finite_number":
        return f"{shown} is not a finite number", "leave the key out where the value is not known"
    wanted = {"float_type": "a number", "int_type": "a whole number", "bool_type": "true or false"}
    fix = wanted.get(kind, 'a text in "straight quotes"')
    return f"{shown} is not {fix}", f"write {fix}"


def _unit_hint(name: str, value: object) -> str:
    if not isinstance(value, int | float) or not math.isfinite(value):
        return ""
    if "temperature" in name and "sd" not in name:
        if 230 <= value <= 330:
            return f"this looks like kelvin: {value:g} K is {value - 273.15:.1f} °C"
        if 48 < value <= 130:
            return f"this looks like Fahrenheit: {value:g} °F is {(value - 32) / 1.8:.1f} °C"
    if "pressure" in name and "sd" not in name:
        if 50_000 <= value <= 110_000:
            return f"this looks like Pa: write {value / 100:g} (hPa)"
        if 50 <= value <= 110:
            return f"this looks like kPa: write {value * 10:g} (hPa)"
        if 15 <= value <= 33:
            return f"this looks like inches of mercury: write {value * 33.8639:.1f} (hPa)"
        if 600 <= value < 900:
            return f"this looks like mmHg: write {value * 1.333224:.1f} (hPa)"
    if name in ("relative_humidity", "hold_share", "drivetrain_efficiency") and 5 <= value <= 100:
        return f"this looks like percent: write {value / 100:g}"
    if name == "mass_kg":
        if value > 1000:
            return f"this looks like grams: write {value / 1000:g}"
        return "kilograms with a decimal point; is the point in the right place?"
    return ""


def _dotted(location: Sequence[object], data: object) -> str:
    parts: list[str] = []
    node: Any = data
    for part in location:
        try:
            node = node[part]
        except (KeyError, IndexError, TypeError):
            node = None
        if isinstance(part, int) and isinstance(node, Mapping) and isinstance(node.get("id"), str):
            parts.append(node["id"])
        else:
            parts.append(str(part + 1) if isinstance(part, int) else str(part))
    return ".".join(parts)


def submodel(annotation: Any) -> type[BaseModel] | None:
    """Return the settings model inside an annotation, or None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := submodel(a)) is not None), None)


def _owner(location: Sequence[object], model: type[BaseModel]) -> type[BaseModel] | None:
    owner: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int) or owner is None:
            continue
        field = owner.model_fields.get(str(part))
        owner = submodel(field.annotation) if field else None
    return owner


def _unit(location: Sequence[object], model: type[BaseModel]) -> str:
    owner = _owner(location[:-1], model) if location else None
    field = owner.model_fields.get(str(location[-1])) if owner else None
    extra = field.json_schema_extra if field else None
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _did_you_mean(location: Sequence[object], model: type[BaseModel]) -> str:
    owner, name = _owner(location[:-1], model), str(location[-1])
    here = list(owner.model_fields) if owner else []
    close = get_close_matches(name.lower(), here, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    for table, field in model.model_fields.items():
        inner = submodel(field.annotation)
        if inner and name in inner.model_fields:
            return f"did you mean {name!r} in [{table}]?"
    return f"take it away; known here: {', '.join(here)}"


def _shown(value: object) -> str:
    shown = repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."

"""Writing test folders: a commented session.toml and a run sheet that load back as they were."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import json
import os
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from cda.errors import OutputError, SessionError
from cda.session.cells import run_numbers, without_dash
from cda.session.models import PositionSettings, SessionSettings
from cda.session.run_sheet import COLUMNS, parse_table
from cda.session.toml_file import decode_text, submodel

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from pydantic.fields import FieldInfo

CHECK_TODAY = "CHECK TODAY"  # behind a value that another day gave


def write_session_folder(
    folder: str | Path,
    settings: Mapping[str, Any] | SessionSettings,
    rows: Sequence[Mapping[str, object]],
    *,
    force: bool = False,
    heading: str = "",
    check_today: Collection[str] = (),
) -> tuple[Path, Path]:
    """Write session.toml and runs.csv; what is not given stands there as a comment to fill in.

    Parameters
    ----------
    settings : mapping or SessionSettings
        As session.toml. A mapping may lack what is required: the line is written as a comment
        marked FILL IN, and `load_session` says that it is missing.
    rows : sequence of mappings
        Column of runs.csv -> value; None and absent are empty.
    force : bool
        Write over files that are there.
    heading : str
        Comment at the top of session.toml.
    check_today : collection of str
        Dotted keys whose lines are marked CHECK TODAY: values taken over from another day.

    Raises
    ------
    OutputError
        If a file is there already and `force` is false, or the folder cannot be written.
    """
    folder = Path(folder)
    paths = folder / "session.toml", folder / "runs.csv"
    for path in paths:
        if path.exists() and not force:
            raise OutputError(
                "is there already",
                where=f"{folder.name}/{path.name}",
                fix="name another folder, or add --force to write over it",
            )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"cannot be made ({error.strerror})", where=folder.name, fix="choose another folder"
        ) from error
    write_text(paths[0], session_toml(settings, heading=heading, check_today=check_today))
    write_text(paths[1], runs_csv(rows))
    return paths


def write_text(path: Path, content: str) -> None:
    """Write a file whole or not at all."""
    write_bytes(path, content.encode("utf-8", errors="replace"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    temporary = ""
    try:
        with tempfile.NamedTemporaryFile(
            "wb", dir=path.parent, prefix=f".{path.name}.", delete=False
        ) as file:
            temporary = file.name
            file.write(content)
        Path(temporary).chmod(0o666 & ~_umask())
        Path(temporary).replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            Path(temporary).unlink()
        raise OutputError(
            f"cannot be written ({error.strerror})", where=path.name, fix="check folder and disk"
        ) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def session_toml(
    settings: Mapping[str, Any] | SessionSettings,
    *,
    heading: str = "",
    check_today: Collection[str] = (),
) -> str:
    """Return the text of a commented session.toml."""
    data = given_tables(settings) if isinstance(settings, BaseModel) else dict(settings)
    lines = [f"# {line}".rstrip() for line in heading.splitlines()]
    tables: list[str] = []
    for name, field in SessionSettings.model_fields.items():
        model = submodel(field.annotation)
        if name == "positions":
            for position in data.get(name) or [{}]:
                tables += ["", "[[positions]]", *_lines(position, PositionSettings)]
        elif model is None:
            lines += _lines({k: v for k, v in data.items() if k == name}, SessionSettings, name)
        else:
            optional = field.default is None and name not in data
            marked = [key.partition(".")[2] for key in check_today if key.startswith(f"{name}.")]
            inner = _lines(data.get(name) or {}, model, marked=marked)
            if optional:  # an empty table would ask for its required keys
                inner = [line if line.startswith("#") else f"# {line}" for line in inner]
            tables += ["", f"# [{name}]" if optional else f"[{name}]", *inner]
    unknown = sorted(set(data) - set(SessionSettings.model_fields))
    if unknown:
        raise SessionError(
            f"{', '.join(unknown)} are not keys of session.toml",
            where="session.toml",
            fix="see cda schema session",
        )
    return "\n".join([*lines, *tables, ""])


def unchecked_keys(data: bytes) -> list[str]:
    """Return the keys of a session.toml whose values are still marked as another day's."""
    table, found = "", []
    for line in decode_text(data)[0].splitlines():
        head = re.match(r"\s*\[+\s*([\w.]+)", line)
        key = re.match(rf"\s*([\w-]+)\s*=.*#\s*{CHECK_TODAY}", line)
        if head:
            table = head.group(1)
        elif key:
            found.append(f"{table}.{key.group(1)}" if table else key.group(1))
    return found


def given_tables(model: BaseModel) -> dict[str, Any]:
    """Return the tables and keys that the file gave, without what is assumed."""
    out: dict[str, Any] = {}
    for name in model.model_fields_set:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            value = given_tables(value)
        elif isinstance(value, tuple):
            value = [given_tables(v) if isinstance(v, BaseModel) else v for v in value]
        if value is not None:
            out[name] = value
    return out


def _lines(
    data: Mapping[str, Any],
    model: type[BaseModel],
    only: str | None = None,
    marked: Collection[str] = (),
) -> list[str]:
    lines = []
    for name, field in model.model_fields.items():
        if only is not None and name != only:
            continue
        note = comment(field)
        if name in marked:
            note = f"  # {CHECK_TODAY}: {note.removeprefix('  # ')}"
        if data.get(name) is not None:
            lines.append(f"{name} = {toml_value(data[name])}{note}")
        elif field.default is PydanticUndefined and field.default_factory is None:
            lines.append(f"# {name} = {note or '  #'}  FILL IN")
        elif field.default is None or field.default in ("", ()) or field.default_factory is dict:
            lines.append(f"# {name} = {note}")
        else:
            lines.append(f"# {name} = {toml_value(field.default)}{note}")
    return lines


def comment(field: FieldInfo) -> str:
    """Return meaning and unit of a field as the comment behind its line."""
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    unit = f" [{extra['unit']}]" if extra.get("unit") else ""
    return f"  # {field.description}{unit}" if field.description else ""


def toml_value(value: object) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        clean = value.encode("utf-8", errors="replace").decode("utf-8")
        return json.dumps(clean, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, float | int):
        return repr(float(value)) if isinstance(value, float) else str(value)
    raise TypeError(f"{type(value).__name__} has no place in session.toml")


def runs_csv(rows: Sequence[Mapping[str, object]]) -> str:
    """Return the text of a run sheet with all columns of the contract."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        unknown = sorted(set(row) - set(COLUMNS))
        if unknown:
            raise SessionError(
                f"{', '.join(unknown)}: no such column", where="runs.csv", fix=", ".join(COLUMNS)
            )
        writer.writerow(["" if row.get(c) is None else str(row[c]) for c in COLUMNS])
    return out.getvalue()


def read_run_rows(folder: str | Path) -> list[dict[str, str]]:
    """Return the rows of the folder's run sheet as they are written, without placing them."""
    try:
        data = (Path(folder) / "runs.csv").read_bytes()
    except OSError as error:
        raise SessionError(
            "has no run sheet runs.csv", where=Path(folder).name, fix="see cda plan"
        ) from error
    return [row for _, row in parse_table(data, "runs.csv", COLUMNS, ("run", "position"))[0]]


def fill_runs(folder: str | Path, filled: Mapping[int, Mapping[str, object]]) -> Path:
    """Fill rows that have neither laps nor times; keep the old sheet beside.

    Parameters
    ----------
    filled : mapping
        Run number -> columns to write (`start`, `end`, `laps`, `recording`).

    Returns
    -------
    kept : Path
        Where the old sheet is: `runs.csv.old`, or with a number if that is taken.

    Raises
    ------
    SessionError
        If a run is not in the sheet, or its row is filled already.
    """
    folder = Path(folder)
    rows = read_run_rows(folder)
    numbers = run_numbers([without_dash(row.get("run", "")) for row in rows])
    by_number = {n: row for n, row in zip(numbers, rows, strict=True) if isinstance(n, int)}
    for number, columns in filled.items():
        row = by_number.get(number)
        if row is None or any(without_dash(row.get(c, "")) for c in ("laps", "start", "end")):
            state = "not in the sheet" if row is None else "filled already"
            raise SessionError(
                f"run {number} is {state}", where="runs.csv", fix="only empty rows are filled"
            )
        row["run"] = str(number)  # a row added by hand keeps the number it was read under
        row.update({k: "" if v is None else str(v) for k, v in columns.items()})
    sheet = folder / "runs.csv"
    kept, count = folder / "runs.csv.old", 1
    while kept.exists():
        count += 1
        kept = folder / f"runs.csv.old{count}"
    write_bytes(kept, sheet.read_bytes())
    write_text(sheet, runs_csv(rows))
    return kept

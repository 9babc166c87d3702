"""Test folders: session.toml, runs.csv, recordings and air readings to and from a `Session`.

Names are loaded on use: pydantic takes a tenth of a second to import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cda.session.content import AirReading as AirReading
    from cda.session.content import Run as Run
    from cda.session.content import Session as Session
    from cda.session.discovery import find_recordings as find_recordings
    from cda.session.guidance import GuideStep as GuideStep
    from cda.session.guidance import guide as guide
    from cda.session.load import build_session as build_session
    from cda.session.load import load_session as load_session
    from cda.session.models import CourseSettings as CourseSettings
    from cda.session.models import PositionSettings as PositionSettings
    from cda.session.models import PowerMeterSettings as PowerMeterSettings
    from cda.session.models import SessionSettings as SessionSettings
    from cda.session.paths import inside_folder as inside_folder
    from cda.session.schema import model_rows as model_rows
    from cda.session.schema import model_schema as model_schema
    from cda.session.schema import schema_json as schema_json
    from cda.session.schema import schema_rows as schema_rows
    from cda.session.settings import AirSettings as AirSettings
    from cda.session.settings import BikeSettings as BikeSettings
    from cda.session.settings import RiderSettings as RiderSettings
    from cda.session.settings import Settings as Settings
    from cda.session.settings import Tupled as Tupled
    from cda.session.settings import WindSettings as WindSettings
    from cda.session.settings import choice as choice
    from cda.session.settings import complaint as complaint
    from cda.session.settings import number as number
    from cda.session.settings import text as text
    from cda.session.toml_file import apply_overrides as apply_overrides
    from cda.session.toml_file import mistakes_error as mistakes_error
    from cda.session.toml_file import parse_option as parse_option
    from cda.session.toml_file import read_toml as read_toml
    from cda.session.toml_file import read_toml_model as read_toml_model
    from cda.session.toml_file import validate_model as validate_model
    from cda.session.toml_file import value_sources as value_sources
    from cda.session.write import CHECK_TODAY as CHECK_TODAY
    from cda.session.write import fill_runs as fill_runs
    from cda.session.write import given_tables as given_tables
    from cda.session.write import read_run_rows as read_run_rows
    from cda.session.write import runs_csv as runs_csv
    from cda.session.write import session_toml as session_toml
    from cda.session.write import write_bytes as write_bytes
    from cda.session.write import write_session_folder as write_session_folder
    from cda.session.write import write_text as write_text

_HOME = {
    "AirReading": "content",
    "AirSettings": "settings",
    "BikeSettings": "settings",
    "CourseSettings": "models",
    "PositionSettings": "models",
    "PowerMeterSettings": "models",
    "RiderSettings": "settings",
    "Run": "content",
    "Session": "content",
    "SessionSettings": "models",
    "Settings": "settings",
    "Tupled": "settings",
    "WindSettings": "settings",
    "apply_overrides": "toml_file",
    "build_session": "load",
    "choice": "settings",
    "complaint": "settings",
    "inside_folder": "paths",
    "load_session": "load",
    "mistakes_error": "toml_file",
    "number": "settings",
    "parse_option": "toml_file",
    "read_toml_model": "toml_file",
    "text": "settings",
    "validate_model": "toml_file",
    "value_sources": "toml_file",
    "CHECK_TODAY": "write",
    "fill_runs": "write",
    "given_tables": "write",
    "model_rows": "schema",
    "model_schema": "schema",
    "read_run_rows": "write",
    "runs_csv": "write",
    "schema_json": "schema",
    "schema_rows": "schema",
    "session_toml": "write",
    "write_session_folder": "write",
    "write_text": "write",
    "write_bytes": "write",
    "read_toml": "toml_file",
    "guide": "guidance",
    "GuideStep": "guidance",
    "find_recordings": "discovery",
}


def __getattr__(name: str) -> object:
    """Load a name from its file on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'cda.session' has no attribute {name!r}")
    return getattr(import_module(f"cda.session.{_HOME[name]}"), name)

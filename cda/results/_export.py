"""Results as plain data: what JSON can carry, and nothing it cannot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass

import numpy as np


def plain(value: object) -> object:
    """Return dataclasses, arrays and tuples as dicts, lists and numbers; NaN is a bug, not data."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} in a result: unknown is None, never NaN or infinity")
    return value

"""Numbers as text: one rounding for the page, the terminal and the tables.

A value is rounded where its standard uncertainty has two significant digits (JCGM 100:2008,
7.2.6), within the limits its unit makes readable. Rounding is by the decimal value, half to even.
"""

from __future__ import annotations

import math
import unicodedata
from typing import Final

MINUS: Final = "−"
UNKNOWN: Final = "unknown"
SECONDS_PER_MINUTE: Final = 60.0
_BIDI: Final = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def decimals(se: float | None, *, low: int, high: int, default: int) -> int:
    """Return the number of decimals at which `se` shows two significant digits, within limits."""
    if se is None or not math.isfinite(se) or se <= 0.0:
        return default
    return min(high, max(low, 1 - math.floor(math.log10(se))))


def fixed(value: float, places: int, *, sign: bool = False) -> str:
    """Return `value` with so many decimals, a true minus sign, and never "-0"."""
    text = f"{value:+.{places}f}" if sign else f"{value:.{places}f}"
    if not any(digit in "123456789" for digit in text):
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def area(value_m2: float | None, se_m2: float | None, *, sign: bool = False) -> str:
    """Return a drag area, or "unknown"; 3 to 5 decimals by its uncertainty [m^2]."""
    if value_m2 is None:
        return UNKNOWN
    return fixed(value_m2, decimals(se_m2, low=3, high=5, default=4), sign=sign)


def area_se(se_m2: float | None) -> str:
    """Return a standard uncertainty of a drag area [m^2]."""
    return UNKNOWN if se_m2 is None else fixed(se_m2, decimals(se_m2, low=3, high=5, default=4))


def area_interval(
    interval_m2: tuple[float, float], se_m2: float | None, *, sign: bool = False
) -> str:
    """Return "low to high" at the decimals of the value it belongs to [m^2]."""
    low, high = interval_m2
    return f"{area(low, se_m2, sign=sign)} to {area(high, se_m2, sign=sign)}"


def quantity(value: float | None, se: float | None, *, low: int = 0, high: int = 6) -> str:
    """Return "value ± se" at the decimals of its uncertainty, or what is known of it."""
    if value is None:
        return UNKNOWN
    places = decimals(se, low=low, high=high, default=low)
    if se is None:
        return f"{fixed(value, places)}, uncertainty unknown"
    return f"{fixed(value, places)} ± {fixed(se, places)}"


def percent(probability: float | None) -> str:
    """Return a probability in whole percent; near the ends a bound, never 0 or 100 %."""
    if probability is None:
        return "not known"
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{100.0 * probability:.0f} %"


def share(part: float) -> str:
    """Return a share of the distance as percent."""
    return f"{100.0 * part:.0f} %"


def counted(number: int, what: str) -> str:
    """Return "1 gap", "3 gaps" or "3 passes"."""
    ending = "es" if what.endswith(("s", "ch")) else "s"
    return f"{number} {what}" + ("" if number == 1 else ending)


def _in_minutes(largest_s: float) -> bool:
    return largest_s >= SECONDS_PER_MINUTE


def amount(seconds: float, *, minutes: bool | None = None) -> str:
    """Return a length of time without sign: "2.1 min" from a minute up, else "40 s"."""
    size = abs(seconds)
    if _in_minutes(size) if minutes is None else minutes:
        return f"{size / SECONDS_PER_MINUTE:.1f} min"
    return f"{size:.0f} s"


def saving(seconds: float, *, like: tuple[float, float] | None = None) -> str:
    """Return "saves 2.1 min", "costs 40 s" or "no change".

    `like` is the interval that stands beside it: both are said in one unit.
    """
    size = amount_like(seconds, like)
    if not any(digit in "123456789" for digit in size):
        return "no change"
    return f"{'saves' if seconds > 0 else 'costs'} {size}"


def amount_like(seconds: float, interval_s: tuple[float, float] | None) -> str:
    """Return a length of time without sign, in the unit of the interval beside it."""
    if interval_s is None:
        return amount(seconds)
    return amount(seconds, minutes=_in_minutes(max(abs(edge) for edge in interval_s)))


def saving_interval(interval_s: tuple[float, float]) -> str:
    """Return an interval of time saved in words, in one unit, without a minus sign."""
    low, high = sorted(interval_s)
    minutes = _in_minutes(max(abs(low), abs(high)))
    if low >= 0.0 or high <= 0.0:
        near, far = sorted((abs(low), abs(high)))
        unit = "min" if minutes else "s"
        span = f"{amount(near, minutes=minutes).split()[0]} to {amount(far, minutes=minutes)}"
        assert span.endswith(unit)
        return span if low >= 0.0 else f"costs {span}"
    return f"costs {amount(low, minutes=minutes)} to saves {amount(high, minutes=minutes)}"


def clock_length(seconds: float) -> str:
    """Return a duration as h:mm:ss."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def shown(text: object, *, limit: int | None = None) -> str:
    """Return text fit to show: no control or direction-turning characters, one line."""
    kept = "".join(
        " " if character.isspace() else character
        for character in str(text)
        if character.isspace() or not _unshowable(character)
    )
    line = " ".join(kept.split())
    return line if limit is None or len(line) <= limit else line[: limit - 1].rstrip() + "…"


def _unshowable(character: str) -> bool:
    return character in _BIDI or unicodedata.category(character) in ("Cc", "Cs", "Co", "Cn")

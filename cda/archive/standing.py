"""Whether a position has settled, needs a retest or is set aside, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.archive.trend import DAYS_FOR_A_LINE
from cda.results.numbers import fixed
from cda.results.words import percent_level

if TYPE_CHECKING:
    from cda.results.estimate import Interval
    from cda.results.season import SeasonDifference, Standing

SMALL_CHANGE_M2: Final = 0.003  # in 30 days; 1 % of CdA, the smallest effect worth seeking
STALE_DAYS: Final = 90  # common practice, no source: a season's training changes a rider
SURPRISE_SD: Final = 2.5  # common practice, no source: 1 in 80 by chance alone


def standing(
    *,
    days: int,
    change_interval: Interval | None,
    newest_off_sd: float | None,
    days_behind: int,
    against_today: SeasonDifference | None,
    level: float,
) -> tuple[Standing, tuple[str, ...]]:
    """Return the verdict and its reasons.

    Parameters
    ----------
    days : int
        On how many days the position was ridden.
    change_interval : (float, float) or None
        In 30 days; against today's position where that is another one. [m^2]
    newest_off_sd : float or None
        How far the newest test lies off the line, in standard deviations.
    days_behind : int
        How much older its newest test is than the rider's newest. [d]
    against_today : SeasonDifference or None
        The difference to the position ridden today.
    level : float
        Of the intervals.
    """
    if against_today is not None and against_today.resolved and against_today.delta_cda_m2 > 0.0:
        more = fixed(against_today.delta_cda_m2, 4)
        return "set aside", (f"{more} m² more drag than today's position over the season",)
    reasons = []
    kept = ""
    beside = "" if against_today is None else " against today's position"
    if days < DAYS_FOR_A_LINE:
        times = "one day" if days == 1 else f"{days} days"
        reasons.append(f"ridden on {times}: a trend needs {DAYS_FOR_A_LINE}")
    elif change_interval is None:
        reasons.append(f"today's position was not ridden on {DAYS_FOR_A_LINE} days beside it")
    else:
        low, high = change_interval
        span = f"{fixed(low, 4, sign=True)} to {fixed(high, 4, sign=True)} m²"
        known = f"in 30 days{beside} ({percent_level(level)})"
        if low >= -SMALL_CHANGE_M2 and high <= SMALL_CHANGE_M2:
            kept = f"changes by {span} {known}, within ±{SMALL_CHANGE_M2}"
        elif low > 0.0 or high < 0.0:
            reasons.append(f"still going {'up' if low > 0.0 else 'down'}: {span} {known}")
        else:
            reasons.append(f"its change is known only to {span} {known}")
    if days_behind > STALE_DAYS:
        reasons.append(f"last ridden {days_behind} days before the newest test")
    if newest_off_sd is not None and abs(newest_off_sd) > SURPRISE_SD:
        way = "above" if newest_off_sd > 0 else "below"
        reasons.append(
            f"the newest test lies {abs(newest_off_sd):.1f} standard deviations {way} the line"
        )
    return ("retest", tuple(reasons)) if reasons else ("settled", (kept,))

"""Time at the race: minutes saved by each position, in order, beside the other free time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cda.results._export import plain
from cda.results.finding import Finding

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceSummary:
    """The race that the times belong to."""

    name: str
    distance_km: float
    power_w: float
    power_sd_w: float | None = None
    course: str | None = None
    ascent_m: float | None = None
    air_density_kg_m3: float | None = None
    wind_speed_m_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionSavings:
    """Race time in one position and what it saves against the reference.

    `saved_s` > 0 is faster; the reference's own row is 0.  `hold_share` None: not given, and
    `saved_s` is "if it can be held throughout".
    """

    id: str
    label: str
    reference: bool
    hold_share: float | None
    time_s: float
    time_interval_s: Interval
    saved_s: float
    saved_interval_s: Interval
    saved_if_held_throughout_s: float
    saved_corrected_for_choice_s: float | None
    saved_by_hold_share_s: Mapping[str, float]
    probability_faster: float | None
    probability_fastest: float | None
    break_even_power_w: float | None
    saved_se_s: float | None = None
    saved_interval_by_hold_share_s: Mapping[str, Interval] | None = None
    power_cost_w: float | None = None
    power_cost_sd_w: float | None = None
    decided: bool | None = None
    cue: str | None = None
    sentence: str = ""
    break_even_power_interval_w: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerLine:
    """One line of the other free time: a range, not an interval, with its basis in words."""

    item: str
    saved_low_s: float
    saved_high_s: float
    basis: str
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """First position decided to be faster (None: there is none) and the ledger, ends added up.

    Positions are alternatives: never more than one is in it.
    """

    position: str | None
    saved_low_s: float
    saved_high_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderEntry:
    """One entry of the ordered list: a position (choose one) or a line of the ledger."""

    kind: str
    id: str | None = None
    item: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseProfile:
    """The race course as drawn: distance, elevation [m], headwind [m/s] or None; shapes (k,)."""

    distance_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]
    headwind_m_s: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Savings:
    """Minutes saved per position, the ledger, and the order to practise them in.

    `more_runs` says for each undecided pair, key "later-earlier" in the order of the positions,
    how many runs of each would decide it; its values are those of `Difference.more_runs`.
    """

    race: RaceSummary
    level: float
    reference: str
    positions: tuple[PositionSavings, ...]
    undecided: tuple[tuple[str, str], ...]
    order: tuple[OrderEntry, ...]
    ledger: tuple[LedgerLine, ...]
    findings: tuple[Finding, ...]
    headline: str = ""
    settings: Mapping[str, object] | None = None
    course: CourseProfile | None = None
    more_runs: Mapping[str, Mapping[str, object]] | None = None
    total: Total | None = None
    schema: int = 1
    kind: str = "savings"

    def to_dict(self) -> dict[str, object]:
        """Return the document that `cda race --json` prints; the drawn course is left out."""
        entries = [
            {
                key: value
                for key, value in (("kind", e.kind), ("id", e.id), ("item", e.item))
                if value
            }
            for e in self.order
        ]
        return {
            "schema": self.schema,
            "kind": self.kind,
            "race": plain(self.race),
            "level": self.level,
            "reference": self.reference,
            "positions": plain(self.positions),
            "undecided": plain(self.undecided),
            "more_runs": None if self.more_runs is None else plain(self.more_runs),
            "order": entries,
            "ledger": plain(self.ledger),
            "total": None if self.total is None else plain(self.total),
            "findings": plain(self.findings),
            "headline": self.headline,
            "settings": plain(self.settings or {}),
        }

    def to_frame(self) -> pd.DataFrame:
        """Return one row a position."""
        import pandas as pd

        return pd.DataFrame([plain(p) for p in self.positions]).set_index("id")

    def __str__(self) -> str:
        """Return the table that `cda race` prints."""
        from cda.results.text import savings_text

        return savings_text(self)

"""The ride behind the numbers: the days, the road, the legs, the wind, the effort."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.figures import plot_effort, plot_leg_curves, plot_leg_residuals, plot_road, plot_wind
from cda.figures.ride import curve_limit_m
from cda.report.blocks import Block, Panels, Picture, Table, Text
from cda.results.numbers import UNKNOWN, area, fixed, quantity, shown
from cda.results.words import letters

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results import Estimate


def ride_blocks(estimate: Estimate) -> list[Block]:
    """Return the pictures and tables of the ride itself."""
    blocks: list[Block] = [_days(estimate), _variance(estimate)]
    letter, limit = letters(estimate), curve_limit_m(estimate)
    panels = []
    for p in estimate.positions:
        closing = [c.closing_error_m for c in estimate.curves if c.position == p.id]
        if not closing:
            continue
        mean = sum(closing) / len(closing)
        worst = max(closing, key=abs)

        def draw(ax: Axes | None, position_id: str = p.id) -> Axes:
            return plot_leg_curves(estimate, position_id, limit_m=limit, ax=ax)

        panels.append(
            (
                f"{letter[p.id]} {shown(p.label, limit=60)}",
                Picture(
                    name=f"virtual_elevation_{letter[p.id]}",
                    draw=draw,
                    caption="",
                    finding=(
                        f"{len(closing)} legs; closing error {fixed(mean, 2)} m on average, "
                        f"the largest {fixed(worst, 2)} m."
                    ),
                ),
            )
        )
    if panels:
        blocks.append(
            Panels(
                name="virtual_elevation",
                panels=tuple(panels),
                caption=(
                    "Virtual minus shared road height, one line a leg (solid: out, dashed: back). "
                    "With the right CdA, and air and power as assumed, a line lies on zero; the "
                    "dot at its end is the closing error."
                ),
            )
        )
    if estimate.profiles:
        rise = [p.elevation_m[-1] - p.elevation_m[0] for p in estimate.profiles]
        blocks.append(
            Picture(
                name="road",
                draw=lambda ax: plot_road(estimate, ax=ax),
                caption="The road height shared by all legs.",
                finding=(
                    f"Gate B lies {fixed(abs(float(rise[0])), 1)} m "
                    f"{'above' if rise[0] >= 0.0 else 'below'} gate A."
                    if estimate.sessions[0].course_kind == "out-and-back"
                    else "A lap ends at the height it began at."
                ),
            )
        )
    for session in estimate.sessions:
        blocks += _session_pictures(estimate, session.key, many=len(estimate.sessions) > 1)
    return blocks


def _session_pictures(estimate: Estimate, key: str, *, many: bool) -> list[Block]:
    blocks: list[Block] = []
    day = f" Session {shown(key)}." if many else ""
    legs = [leg for leg in estimate.wind if leg.session == key]
    laps = any(s.key == key and s.course_kind != "out-and-back" for s in estimate.sessions)
    if legs and not laps:  # round a loop the mean wind along the way is zero
        strongest = max(legs, key=lambda leg: abs(leg.headwind_m_s))
        blocks.append(
            Picture(
                name=f"wind_{key}",
                draw=lambda ax: plot_wind(estimate, key, ax=ax),
                caption=(
                    "Wind along the road through the test, as estimated; triangles point out (▸) "
                    f"and back (◂); band: one standard uncertainty.{day}"
                ),
                finding=(
                    "The strongest wind along the road was "
                    f"{fixed(abs(strongest.headwind_m_s), 1)} m/s."
                ),
            )
        )
    residuals = [leg for leg in legs if leg.residual_m2 is not None]
    if residuals:
        worst = max(residuals, key=lambda leg: abs(leg.residual_m2 or 0.0))
        blocks.append(
            Picture(
                name=f"residuals_{key}",
                draw=lambda ax: plot_leg_residuals(estimate, key, ax=ax),
                caption=(
                    "What each leg leaves unexplained, in time order, by the letter of its "
                    f"position. A trend or a letter always on one side would be a doubt.{day}"
                ),
                finding=(
                    f"The largest is run {worst.run} {shown(worst.leg)}, "
                    f"{fixed(worst.residual_m2 or 0.0, 3, sign=True)} m²."
                ),
            )
        )
    runs = [r for r in estimate.runs if r.session == key and r.mean_speed_m_s and r.mean_power_w]
    if runs:
        speeds = [r.mean_speed_m_s or 0.0 for r in runs]
        powers = [r.mean_power_w or 0.0 for r in runs]
        blocks.append(
            Picture(
                name=f"effort_{key}",
                draw=lambda ax: plot_effort(estimate, key, ax=ax),
                caption=(
                    "Mean power and speed of the runs in their order, by the letter of the "
                    "position. At the same power, the faster letter has less drag or met less "
                    f"wind; several powers help to tell rolling from air resistance.{day}"
                ),
                finding=(
                    f"Runs between {min(powers):.0f} and {max(powers):.0f} W, "
                    f"{min(speeds):.1f} and {max(speeds):.1f} m/s."
                ),
            )
        )
    return blocks


def _days(estimate: Estimate) -> Table:
    columns = []
    for s in estimate.sessions:
        wind = s.mean_headwind_m_s
        crr, height = s.rolling_resistance, s.height_difference_m
        columns.append(
            (
                shown(s.key),
                s.date or UNKNOWN,
                shown(s.protocol or UNKNOWN),
                shown(s.course_kind),
                UNKNOWN if s.course_length_m is None else f"{s.course_length_m:.0f}",
                UNKNOWN if s.duration_min is None else f"{s.duration_min:.0f}",
                f"{s.air_density_kg_m3:.3f}",
                UNKNOWN if crr.prior_se is None else f"± {fixed(crr.prior_se, 5)}",
                quantity(crr.value, crr.se, high=5, low=4),
                quantity(height.value, height.se, high=2, low=1),
                UNKNOWN if wind is None else quantity(wind.value, wind.se, low=1, high=1),
            )
        )
    names = (
        "Session",
        "Date",
        "Protocol",
        "Course",
        "Timed stretch [m]",
        "Lasted [min]",
        "Air density [kg/m³]",
        "Rolling resistance, known before the test to",
        "Rolling resistance, after the test",
        "Gate B above gate A [m]",
        "Mean wind along the road [m/s]",
    )
    return Table(
        caption="Test days; standard uncertainties",
        head=("What", *(shown(s.title) for s in estimate.sessions)),
        rows=tuple((name, *(c[k] for c in columns)) for k, name in enumerate(names)),
    )


def _variance(estimate: Estimate) -> Text:
    v = estimate.variance

    def sd(value: float | None) -> str:
        return "not determined" if value is None else f"{area(value, value)} m²"

    text = (
        f"Scatter (standard deviations): from run to run {sd(v.run_to_run_sd_m2)}, "
        f"from leg to leg {sd(v.leg_sd_m2)}, from day to day {sd(v.day_to_day_sd_m2)}."
    )
    if v.slow_wind_sd_m_s is not None:
        text += f" Slow changes of the wind: {_speed(v.slow_wind_sd_m_s)} m/s."
    if v.gust_sd_m_s is not None:
        text += f" Gusts: {_speed(v.gust_sd_m_s)} m/s."
    return Text(text=text)


def _speed(value_m_s: float) -> str:
    return "under 0.1" if value_m_s < 0.1 else fixed(value_m_s, 1)

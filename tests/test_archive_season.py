"""Trends over a season: lines through days that scatter, and the verdict on each position."""

from __future__ import annotations

import datetime as dt
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.stats import binomtest, t

from cda.archive import Archive
from cda.archive.record import Record
from cda.archive.season import read_season
from cda.archive.standing import standing
from cda.archive.trend import DAY, POSITION_BY_DAY, Day, Lines, fit_lines
from cda.results.season import RiderSeason, Season, SeasonDifference

if TYPE_CHECKING:
    from pathlib import Path

SE = 0.003  # statistical se of one day's CdA [m²]


def season_days(
    rng: np.random.Generator,
    times: np.ndarray,
    lines: np.ndarray,
    *,
    day_sd: float,
    own_sd: float,
    shared: float = 0.5,
) -> list[Day]:
    """Draw days of the model itself; lines (p, 2): level at time 0 and slope."""
    n = len(lines)
    covariance = SE**2 * (shared + (1.0 - shared) * np.eye(n))
    return [
        Day(
            time=float(at),
            positions=tuple(range(n)),
            cda_m2=lines[:, 0]
            + lines[:, 1] * at
            + day_sd * rng.standard_normal()
            + own_sd * rng.standard_normal(n)
            + rng.multivariate_normal(np.zeros(n), covariance),
            covariance=covariance,
        )
        for at in times
    ]


def test_without_scatter_a_line_is_weighted_least_squares() -> None:
    rng = np.random.default_rng(1)
    times = np.array([0.0, 0.7, 1.1, 2.0, 3.5])
    se = np.array([0.004, 0.002, 0.003, 0.005, 0.002])
    y = 0.28 - 0.002 * times + se * rng.standard_normal(5)
    days = [
        Day(time=a, positions=(0,), cda_m2=np.array([b]), covariance=np.array([[s**2]]))
        for a, b, s in zip(times, y, se, strict=True)
    ]
    lines = fit_lines(days, 1)
    for node in (0, 300, 624):  # at any standard deviations: the textbook formula
        weight = 1.0 / (se**2 + lines.nodes[node, 0] ** 2 + lines.nodes[node, 1] ** 2)
        centre = weight @ times / weight.sum()
        spread = weight @ (times - centre) ** 2
        slope = weight @ ((times - centre) * y) / spread
        assert lines.beta[node, 1] == pytest.approx(slope, rel=1e-9)
        assert lines.covariance[node, 1, 1] == pytest.approx(1.0 / spread, rel=1e-9)


def test_restricted_likelihood_is_the_dense_one() -> None:
    # Patterson & Thompson 1971: -2 l = log|V| + log|X'V^-1 X| + y'Py, here with dense matrices.
    rng = np.random.default_rng(2)
    days = season_days(
        rng, np.arange(4.0), np.array([[0.28, 0.0], [0.27, 0.001]]), day_sd=0.004, own_sd=0.002
    )
    days[1] = Day(
        time=1.0, positions=(1,), cda_m2=days[1].cda_m2[1:], covariance=days[1].covariance[1:, 1:]
    )
    lines = fit_lines(days, 2)
    assert lines.columns == (("level", 0), ("level", 1), ("slope", 0), ("slope", 1))
    rows = [(d, k, p) for d, day in enumerate(days) for k, p in enumerate(day.positions)]
    y = np.array([days[d].cda_m2[k] for d, k, _ in rows])
    x = np.array(
        [
            [
                float(p == q) * (1.0 if kind == "level" else days[d].time - lines.origin[q])
                for kind, q in lines.columns
            ]
            for d, _, p in rows
        ]
    )
    logs = []
    for day_sd, own_sd in lines.nodes:
        v = np.zeros((len(rows), len(rows)))
        for i, (d, k, p) in enumerate(rows):
            for j, (e, m, q) in enumerate(rows):
                if d == e:
                    v[i, j] = days[d].covariance[k, m] + day_sd**2 + own_sd**2 * (p == q)
        vi = np.linalg.inv(v)
        information = x.T @ vi @ x
        beta = np.linalg.solve(information, x.T @ vi @ y)
        rest = y - x @ beta
        logs.append(
            -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + rest @ vi @ rest)
        )
    z = np.log(lines.nodes / [DAY.median, POSITION_BY_DAY.median])
    prior = -0.5 * ((z / [DAY.log_sd, POSITION_BY_DAY.log_sd]) ** 2).sum(axis=1)
    weight = np.exp(np.array(logs) + prior - np.max(np.array(logs) + prior))
    np.testing.assert_allclose(lines.weight, weight / weight.sum(), rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("n", [3, 9])
def test_stated_intervals_of_change_and_difference_hold_the_truth(n: int) -> None:
    # The scatter of each season is drawn from what is believed of it: then 95 % means 95 %.
    rng = np.random.default_rng(3)
    truth = np.array([[0.280, 0.0], [0.272, -0.002]])
    rounds, hits = 150, np.zeros(3, dtype=int)
    for _ in range(rounds):
        times = np.sort(rng.uniform(0.0, 5.0, n))
        sds = [
            p.median * float(np.exp(p.log_sd * rng.standard_normal()))
            for p in (DAY, POSITION_BY_DAY)
        ]
        lines = fit_lines(season_days(rng, times, truth, day_sd=sds[0], own_sd=sds[1]), 2)
        slopes = [lines.slope(p) for p in (0, 1)]
        assert slopes[0] is not None
        assert slopes[1] is not None
        middle = float(times.mean())
        wanted = (
            (slopes[1], -0.002),
            (slopes[1] - slopes[0], -0.002),
            (lines.at(1, middle) - lines.at(0, middle), -0.008 - 0.002 * middle),
        )
        for k, (vector, true) in enumerate(wanted):
            value, se, dof = lines.contrast(vector)
            hits[k] += abs(value - true) <= t.ppf(0.975, dof) * se
    for count in hits:
        # Seeds are fixed, so this cannot flake; the level only says how much is luck.
        seen = binomtest(int(count), rounds).proportion_ci(confidence_level=0.999)
        assert seen.low <= 0.95 <= seen.high


def test_scatter_is_found_where_there_are_days_enough() -> None:
    rng = np.random.default_rng(4)
    days = season_days(
        rng, np.linspace(0, 8, 60), np.array([[0.28, 0.0]] * 3), day_sd=0.008, own_sd=0.0015
    )
    lines = fit_lines(days, 3)
    for which, true in ((0, 0.008), (1, 0.0015)):
        middle, (low, high) = lines.scatter(which, 0.95)
        assert low < true < high
        assert low < middle < high
    assert lines.scatter(0, 0.95)[0] == pytest.approx(0.008, rel=0.25)


def test_cost_grows_with_days_and_not_with_their_square() -> None:
    rng = np.random.default_rng(5)

    def cost(n: int) -> float:
        days = season_days(
            rng, np.linspace(0, 8, n), np.array([[0.28, 0.0]] * 3), day_sd=0.004, own_sd=0.002
        )
        start = time.process_time()
        fit_lines(days, 3)
        return time.process_time() - start

    cost(20)
    assert min(cost(160) for _ in range(3)) < 10.0 * max(min(cost(40) for _ in range(3)), 0.01)


def test_two_days_give_no_slope() -> None:
    rng = np.random.default_rng(6)
    lines = fit_lines(
        season_days(rng, np.array([0.0, 1.0]), np.array([[0.28, 0.0]]), day_sd=0.002, own_sd=0.001),
        1,
    )
    assert lines.slope(0) is None
    assert isinstance(lines, Lines)


# From the archive.


def stored(
    path: Path, days: list[int], cda: dict[str, list[float | None]], *, rider: str = "r"
) -> Archive:
    """Keep tests of one rider: CdA of each position day by day, None where it was not ridden."""
    archive = Archive(path)
    for i, day in enumerate(days):
        ridden = [(p, values[i]) for p, values in cda.items() if values[i] is not None]
        archive.keep(
            Record(
                folder=f"{rider}/{i:02d}",
                fingerprint="f",
                version="v",
                state="done",
                test={
                    "date": (dt.date(2026, 1, 1) + dt.timedelta(days=day)).isoformat(),
                    "rider_id": rider,
                    "bike_id": "b",
                    "power_meter_id": "m",
                },
                positions=tuple(
                    {
                        "position": p,
                        "number": k,
                        "label": p.title(),
                        "is_reference": int(p == "tall"),
                        "cda_m2": value,
                        "se_m2": 0.005,
                        "statistical_se_m2": 0.001,
                        "systematic_se_m2": 0.004,
                    }
                    for k, (p, value) in enumerate(ridden)
                ),
                differences=tuple(
                    {
                        "position": p,
                        "reference": "tall",
                        "number": k,
                        "delta_cda_m2": 0.0,
                        "systematic_se_m2": 0.0002,
                        "statistical_covariance_m4": 0.0,
                    }
                    for k, (p, _) in enumerate(ridden)
                    if p != "tall"
                ),
            )
        )
    return archive


def only(season: Season) -> RiderSeason:
    (rider,) = season.riders
    return rider


def test_settled_retest_and_set_aside_with_their_reasons(tmp_path: Path) -> None:
    days = [0, 20, 40, 60, 80, 100, 120, 140]
    wobble = [0.0004, -0.0003, 0.0002, -0.0004, 0.0003, 0.0001, -0.0002, 0.0]
    common = [0.003, -0.004, 0.002, 0.0, -0.003, 0.004, -0.002, 0.001]  # of the day, all alike

    def values(level: float, slope: float = 0.0, upto: int = 8) -> list[float | None]:
        every: list[float | None] = [
            level + slope * d / 30 + c + w * (1 if slope else -1)
            for d, c, w in zip(days, common, wobble, strict=True)
        ]
        return every[:upto] + [None] * (8 - upto)

    with stored(
        tmp_path / "a.sqlite",
        days,
        {
            "tall": values(0.280),
            "steady": values(0.270),
            "learning": values(0.280, -0.006),
            "worse": values(0.296),
            "new": [None] * 7 + [0.27],
            "forgotten": values(0.274, upto=3),
        },
    ) as archive:
        rider = only(read_season(archive))
    stands = {p.id: (p.standing, " ".join(p.reasons)) for p in rider.positions}
    assert stands["steady"][0] == "settled"
    assert "within ±0.003" in stands["steady"][1]
    assert stands["learning"][0] == "retest"
    assert "still going down" in stands["learning"][1]
    assert stands["worse"] == (
        "set aside",
        stands["worse"][1],
    )
    assert "more drag than today's position" in stands["worse"][1]
    assert stands["new"] == ("retest", "ridden on one day: a trend needs 3")
    assert stands["forgotten"][0] == "retest"
    assert "last ridden 100 days before the newest test" in stands["forgotten"][1]
    slopes = {d.position: d.change_per_30_days_m2 for d in rider.differences}
    assert slopes["learning"] == pytest.approx(-0.006, abs=0.0005)
    assert slopes["new"] is None
    # What a day does to all alike is in each position's own change, not in the difference.
    learning = next(p for p in rider.positions if p.id == "learning")
    beside = next(d for d in rider.differences if d.position == "learning")
    assert learning.change_se_m2 is not None
    assert beside.change_se_m2 is not None
    assert beside.change_se_m2 < 0.6 * learning.change_se_m2
    assert 0.0015 < rider.day_to_day.sd_m2 < 0.006


def test_what_all_days_share_stays_in_cda_however_many_days(tmp_path: Path) -> None:
    days = list(range(0, 300, 10))
    with stored(tmp_path / "a.sqlite", days, {"tall": [0.28] * len(days)}) as archive:
        (position,) = only(read_season(archive)).positions
    assert position.statistical_se_m2 < 0.001
    assert position.se_m2 == pytest.approx(0.004, rel=0.05)  # the systematic part of each test
    assert position.change_se_m2 is not None
    assert position.change_se_m2 < 0.0005


def test_other_riders_bikes_and_meters_are_seasons_of_their_own(tmp_path: Path) -> None:
    with stored(tmp_path / "a.sqlite", [0, 1], {"tall": [0.28, 0.29]}) as archive:
        archive.connection.execute("UPDATE test SET power_meter_id = 'new' WHERE folder = 'r/01'")
        season = read_season(archive)
    assert [(r.power_meter_id, r.tests) for r in season.riders] == [("m", 1), ("new", 1)]
    assert season.riders[0].positions[0].change_interval_m2 is None


def test_a_surprising_newest_test_asks_for_another() -> None:
    def verdict(off: float) -> tuple[str, tuple[str, ...]]:
        return standing(
            days=6,
            change_interval=(-0.001, 0.001),
            newest_off_sd=off,
            days_behind=0,
            against_today=None,
            level=0.95,
        )

    assert verdict(2.4)[0] == "settled"
    state, reasons = verdict(-3.1)
    assert state == "retest"
    assert reasons == ("the newest test lies 3.1 standard deviations below the line",)


def test_a_position_is_set_aside_only_where_more_drag_is_resolved() -> None:
    def verdict(delta: float, half: float) -> str:
        difference = SeasonDifference(
            position="low",
            reference="tall",
            tests=3,
            on_date="2026-01-01",
            delta_cda_m2=delta,
            se_m2=half / 2,
            dof=20.0,
            interval_m2=(delta - half, delta + half),
            probability_lower_drag=0.5,
            resolved=abs(delta) > half,
            change_per_30_days_m2=0.0,
            change_se_m2=0.0001,
            change_dof=20.0,
            change_interval_m2=(-0.0002, 0.0002),
        )
        return standing(
            days=5,
            change_interval=difference.change_interval_m2,
            newest_off_sd=0.0,
            days_behind=0,
            against_today=difference,
            level=0.95,
        )[0]

    assert verdict(0.01, 0.004) == "set aside"
    assert verdict(0.01, 0.02) == "settled"
    assert verdict(-0.01, 0.004) == "settled"


def test_the_picture_of_a_position_holds_its_days_and_line(tmp_path: Path) -> None:
    from cda.figures.season import plot_season_changes, plot_season_position

    days = [0, 30, 60, 90]
    values: list[float | None] = [0.280, 0.279, 0.281, 0.280]
    with stored(tmp_path / "a.sqlite", days, {"tall": values, "low": values}) as archive:
        rider = only(read_season(archive))
    ax = plot_season_position(rider, "low")
    drawn = [np.asarray(line.get_ydata()).tolist() for line in ax.lines]
    assert values in drawn
    assert ax.get_ylabel() == "CdA [m²]"
    assert ax.get_ylim() == plot_season_position(rider, "tall").get_ylim()
    assert "30 days" in plot_season_changes(rider).get_xlabel()

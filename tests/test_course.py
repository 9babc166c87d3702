"""The course: what is read, what is refused, and noise that must not become climbing."""

from __future__ import annotations

import gzip
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cda.course import Course, build_course, read_course
from cda.course.heights import ascent_m, false_climb_m_per_km, noise_m, smoothed
from cda.errors import CourseError

if TYPE_CHECKING:
    from pathlib import Path

LATITUDE_M = 111_200.0  # a degree, near enough for an invented course


def ring(km: float, points: int, *, noise: float = 0.0, kind: str = "trk") -> tuple[str, float]:
    """Return a GPX round course with two kinds of hill, and its true ascent [m]."""
    along = np.linspace(0.0, km * 1000.0, points)
    height = 300.0 + 60.0 * np.sin(2 * np.pi * along / 9000.0)
    radius = km * 1000.0 / (2 * np.pi)
    east, north = radius * np.sin(along / radius), radius * (1 - np.cos(along / radius))
    latitude = 47.0 + north / LATITUDE_M
    longitude = 8.0 + east / (LATITUDE_M * np.cos(np.radians(47.0)))
    shown = height + noise * np.random.default_rng(5).normal(size=points)
    tag = "trkpt" if kind == "trk" else "rtept"
    rows = "".join(
        f'<{tag} lat="{a:.7f}" lon="{b:.7f}"><ele>{h:.2f}</ele></{tag}>'
        for a, b, h in zip(latitude, longitude, shown, strict=True)
    )
    inner = f"<trkseg>{rows}</trkseg>" if kind == "trk" else rows
    text = (
        '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">'
        f"<{kind}>{inner}</{kind}></gpx>"
    )
    return text, ascent_m(height)


def course(tmp_path: Path, text: str, name: str = "lake.csv", **options: object) -> Course:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return build_course(read_course(path), **options)  # type: ignore[arg-type]


def table(distance: np.ndarray, height: np.ndarray) -> str:
    rows = "\n".join(f"{d:.2f},{h:.3f}" for d, h in zip(distance, height, strict=True))
    return f"distance_m,elevation_m\n{rows}\n"


@pytest.mark.parametrize("kind", ["trk", "rte"])
def test_track_and_route_give_length_climb_and_bearing(tmp_path: Path, kind: str) -> None:
    text, climb = ring(18.0, 1800, kind=kind)
    got = course(tmp_path, text, "lake.gpx")
    assert got.lap_m == pytest.approx(18_000.0, rel=2e-3)
    assert got.ascent_m == pytest.approx(climb, rel=0.02)
    assert got.bearing_deg is not None
    # Eastwards at the start, northwards after a quarter, westwards after a half.
    quarter = got.bearing_deg.size // 4
    expected = [90.0, 0.0, 270.0]
    for k, bearing in enumerate(expected):
        off = (got.bearing_deg[k * quarter] - bearing + 180.0) % 360.0 - 180.0
        assert abs(off) < 3.0


def test_noise_of_heights_does_not_become_climbing(tmp_path: Path) -> None:
    text, climb = ring(36.0, 7200, noise=1.0)
    got = course(tmp_path, text, "lake.gpx")
    assert got.ascent_before_m > 5 * climb
    assert got.ascent_m == pytest.approx(climb, rel=0.15)
    note = next(f for f in got.findings if f.code == "course-heights")
    assert f"{got.smoothing_m:.0f} m" in note.message
    assert got.elevation_m[-1] == pytest.approx(300.0, abs=2.5)


def test_what_noise_climbs_is_as_the_formula_says() -> None:
    noise = np.random.default_rng(2).normal(size=40_000)
    assert noise_m(noise) == pytest.approx(1.0, rel=0.03)
    climbed = ascent_m(smoothed(noise, 220.0, 10.0)) / (40_000 * 10.0 / 1000.0)
    assert climbed == pytest.approx(false_climb_m_per_km(1.0, 220.0, 10.0), rel=0.1)


def test_wide_stretches_keep_the_height_of_the_fine_grid_in_the_mean(tmp_path: Path) -> None:
    along = np.arange(0.0, 9001.0, 10.0)
    heights = 20.0 * np.sin(along / 120.0)  # hills of 750 m
    got = course(tmp_path, table(along, heights))
    length = got.length_m
    assert length.max() == pytest.approx(30.0)
    chord = 0.5 * (got.elevation_m[1:] + got.elevation_m[:-1])
    # Height along a stretch is its integral of gradient: dg L/2 (s^2 - s) above the chord.
    mean = chord - got.gradient_change * length / 12.0
    fine = 0.5 * (heights[1:] + heights[:-1]).reshape(-1, 3).mean(axis=1)
    np.testing.assert_allclose(mean, fine, atol=2e-3)
    assert np.max(np.abs(chord - fine)) > 0.05


def test_smoothing_keeps_a_slope_and_the_ends() -> None:
    slope = 0.07 * np.arange(200) * 10.0
    np.testing.assert_allclose(smoothed(slope, 300.0, 10.0), slope, atol=1e-9)


def test_table_heights_are_as_given_and_the_lap_scales(tmp_path: Path) -> None:
    along = np.arange(0.0, 10_001.0, 50.0)
    text = table(along, 20.0 * np.sin(along / 800.0))
    plain = course(tmp_path, text)
    assert plain.bearing_deg is None
    assert plain.smoothing_m == 0.0
    np.testing.assert_allclose(
        plain.elevation_m, np.interp(plain.distance_m, along, 20 * np.sin(along / 800)), atol=1e-2
    )
    longer = course(tmp_path, text, length_m=11_000.0)
    assert longer.lap_m == pytest.approx(11_000.0)
    assert longer.ascent_m == pytest.approx(plain.ascent_m)
    cut = course(tmp_path, text, from_m=2000.0, to_m=5000.0)
    assert cut.lap_m == pytest.approx(3000.0)


def test_bends_limit_speed_by_their_radius_and_wide_ones_do_not(tmp_path: Path) -> None:
    text, _ = ring(1.2, 400)  # a ring of 191 m radius
    got = course(tmp_path, text, "lake.gpx", lateral_limit_m_s2=3.0)
    inner = got.limit_m_s[4:-4]
    np.testing.assert_allclose(inner, np.sqrt(3.0 * 191.0), rtol=0.05)
    wide, _ = ring(12.0, 2000)
    assert np.all(np.isinf(course(tmp_path, wide, "w.gpx", lateral_limit_m_s2=3.0).limit_m_s))


def test_limits_of_a_table_hold_until_the_next_row(tmp_path: Path) -> None:
    text = (
        "distance_m;elevation_m;speed_limit_m_s\n0;10,5;\n1000;10,5;6,0\n1103;10,5;\n3000;10,5;\n"
    )
    got = course(tmp_path, text)
    limited = got.distance_m[np.isfinite(got.limit_m_s)]
    assert limited.min() == pytest.approx(1000.0, abs=10.0)
    assert limited.max() == pytest.approx(1100.0, abs=10.0)
    assert np.min(np.diff(got.distance_m)) == pytest.approx(10.0)  # fine where braking is
    assert np.max(np.diff(got.distance_m)) == pytest.approx(30.0)


def test_a_lone_spike_is_bridged_and_said(tmp_path: Path) -> None:
    along = np.arange(0.0, 5001.0, 10.0)
    height = 0.02 * along
    height[250] += 40.0
    got = course(tmp_path, table(along, height))
    assert got.ascent_m == pytest.approx(100.0, abs=0.1)
    assert any(f.code == "course-spikes" and "1 lone" in f.message for f in got.findings)


FLAT = np.arange(0.0, 3001.0, 10.0)
WALL = np.where(FLAT > 1000.0, np.minimum(0.6 * (FLAT - 1000.0), 60.0), 0.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (table(FLAT, WALL), "a wall of 60 %"),
        (table(np.zeros(5), np.zeros(5)), "0 m long"),
        (table(np.array([0.0, 500.0, 400.0, 900.0]), np.zeros(4)), "row 4: distance_m goes back"),
        (table(np.append(FLAT, 9000.0), np.zeros(FLAT.size + 1)), "jumps by 6.0 km"),
        ("distance_m,elevation_m\n0,\n500,\n900,\n", "has no heights"),
        ("distance_m\n0\n500\n", "no column elevation_m"),
        ("distance_m,elevation_m\n0,1\nx,2\n600,2\n", "row 3: distance_m is empty"),
        ("distance_m,elevation_m\n0,1\n300,2\n300,42\n600,42\n", "a sheer step"),
        ("distance_m,elevation_m\n", "fewer than two rows"),
        ("", "no column distance_m"),
        ("\x00\x01\x02", "no column distance_m"),
        ("distance_m,elevation_m\n0,9000\n900,9000\n", "no road's"),
        ("<gpx><trk><trkseg><trkpt lat='1'", "breaks off"),
        ("<gpx></gpx>", "neither a track nor a route"),
        (
            "<!DOCTYPE x [<!ENTITY a 'b'>]><gpx>&a;</gpx>",
            "document type",
        ),
    ],
)
def test_what_is_no_course_is_refused_with_its_place(
    tmp_path: Path, text: str, expected: str
) -> None:
    with pytest.raises(CourseError) as caught:
        course(tmp_path, text)
    assert expected in str(caught.value)
    assert caught.value.fix


def test_a_track_that_jumps_or_has_no_heights_is_refused(tmp_path: Path) -> None:
    text, _ = ring(18.0, 1800)
    with pytest.raises(CourseError, match="no heights"):
        course(tmp_path, text.replace("ele>", "was>"), "lake.gpx")
    points = text.split("</trkpt>")
    jumping = "</trkpt>".join(points[:500] + points[900:])
    with pytest.raises(CourseError, match=r"jumps by \d\.\d km") as caught:
        course(tmp_path, jumping, "lake.gpx")
    assert "47." not in str(caught.value)  # no coordinates in what is printed


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(CourseError, match="not there"):
        read_course(tmp_path / "lake.gpx")


def test_a_gzipped_course_is_the_same_course(tmp_path: Path) -> None:
    text = "distance_m,elevation_m\n" + "".join(f"{100 * i},{i % 7}\n" for i in range(300))
    (tmp_path / "plain.csv").write_text(text)
    packed = gzip.compress(text.encode())
    (tmp_path / "packed.csv.gz").write_bytes(packed)
    plain, unpacked = (read_course(tmp_path / n) for n in ("plain.csv", "packed.csv.gz"))
    assert np.array_equal(plain.elevation_m, unpacked.elevation_m)
    # Half a course is no course, and a file that swells beyond the bound is not held in memory.
    for bad, problem in (
        (packed[:-30], "breaks off"),
        (packed[:40] + bytes(60) + packed[100:], "damaged"),
        (gzip.compress(bytes(60_000_001), 1), "larger"),
    ):
        (tmp_path / "bad.csv.gz").write_bytes(bad)
        with pytest.raises(CourseError, match=problem):
            read_course(tmp_path / "bad.csv.gz")

"""One ride as TCX and GPX text, as bike computers and web pages export it."""

from __future__ import annotations

from datetime import UTC, datetime

# Name spaces are anybody's: readers go by local names.
TCX_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<TrainingCenterDatabase xmlns="urn:example:training" xmlns:x="urn:example:extension">\n'
    '<Activities><Activity Sport="Biking"><Id>2026-05-09T07:40:00Z</Id>\n'
)
TCX_FOOT = "</Activity></Activities></TrainingCenterDatabase>\n"
GPX_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1" '
    'xmlns:x="urn:example:points">\n<trk><name>ride</name><type>cycling</type><trkseg>\n'
)
GPX_FOOT = "</trkseg></trk></gpx>\n"
FORMS = {
    "power_w": ".0f", "speed_m_s": ".3f", "distance_m": ".2f", "altitude_m": ".1f",
    "latitude_deg": ".8f", "longitude_deg": ".8f", "cadence_rpm": ".0f", "heart_rate_bpm": ".0f",
    "temperature_c": ".0f", "airspeed_m_s": ".3f", "yaw_deg": ".2f",
}  # fmt: skip


def iso(unix_s: float) -> str:
    text = datetime.fromtimestamp(unix_s, UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def rows_of(clock_s, columns):
    """Return one dict a sample, values as text, missing ones left out."""
    rows = []
    for i, clock in enumerate(clock_s):
        row = {"time": iso(clock)}
        for key, values in columns.items():
            if values[i] == values[i]:
                row[key] = format(values[i], FORMS[key])
        rows.append(row)
    return rows


def tag(name: str, value: str | None) -> str:
    return "" if value is None else f"<{name}>{value}</{name}>"


def trackpoint(row: dict[str, str]) -> str:
    place = tag("LatitudeDegrees", row.get("latitude_deg")) + tag(
        "LongitudeDegrees", row.get("longitude_deg")
    )
    heart = tag("Value", row.get("heart_rate_bpm"))
    own = tag("x:Speed", row.get("speed_m_s")) + tag("x:Watts", row.get("power_w"))
    own += tag("x:airspeed", row.get("airspeed_m_s")) + tag("x:yaw", row.get("yaw_deg"))
    return (
        f"<Trackpoint><Time>{row['time']}</Time>"
        + tag("Position", place or None)
        + tag("AltitudeMeters", row.get("altitude_m"))
        + tag("DistanceMeters", row.get("distance_m"))
        + tag("HeartRateBpm", heart or None)
        + tag("Cadence", row.get("cadence_rpm"))
        + f"<Extensions><x:TPX>{own}</x:TPX></Extensions></Trackpoint>\n"
    )


def tcx_lap(start_s: float, duration_s: float, trigger: str, points: str) -> str:
    return (
        f'<Lap StartTime="{iso(start_s)}"><TotalTimeSeconds>{duration_s}</TotalTimeSeconds>'
        f"<DistanceMeters>999</DistanceMeters><Intensity>Active</Intensity>"
        f"<TriggerMethod>{trigger}</TriggerMethod><Track>\n{points}</Track></Lap>\n"
    )


def tcx(clock_s, columns, laps) -> str:
    """Return the ride as TCX; laps are (start, end, trigger) on the clock."""
    rows = rows_of(clock_s, columns)
    out = TCX_HEAD
    for k, (start, end, trigger) in enumerate(laps):
        points = "".join(
            trackpoint(row)
            for clock, row in zip(clock_s, rows, strict=True)
            if (clock > start or k == 0) and clock <= end
        )
        out += tcx_lap(start, end - start, trigger, points)
    return out + TCX_FOOT


def trkpt(row: dict[str, str]) -> str:
    inner = "".join(
        tag(f"x:{name}", row.get(key))
        for name, key in (
            ("hr", "heart_rate_bpm"), ("cad", "cadence_rpm"), ("atemp", "temperature_c"),
            ("speed", "speed_m_s"), ("distance", "distance_m"), ("airspeed", "airspeed_m_s"),
            ("yaw", "yaw_deg"),
        )
    )  # fmt: skip
    return (
        f'<trkpt lat="{row.get("latitude_deg", "")}" lon="{row.get("longitude_deg", "")}">'
        + tag("ele", row.get("altitude_m"))
        + tag("time", row["time"])
        + f"<extensions>{tag('power', row.get('power_w'))}"
        + f"<x:PointExtension>{inner}</x:PointExtension></extensions></trkpt>\n"
    )


def gpx(clock_s, columns) -> str:
    return GPX_HEAD + "".join(trkpt(row) for row in rows_of(clock_s, columns)) + GPX_FOOT

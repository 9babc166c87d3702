"""One passage cut exactly at the gates: energy, speed and time are interpolated there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.legs.leg import Leg
from cda.legs.passages import Passage, filled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.session import Session

    Floats = NDArray[np.float64]

# Steady riding is taken to end 2 s before the brakes: a gate may lie in the first of the two.
LATEST_GATE_M: Final = 10.0
LONGEST_POWER_GAP_S: Final = 5.0  # longer gaps of power are not bridged
MOST_MISSING_POWER: Final = 0.10  # share of a leg's samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A passage on the axis: along = offset + direction * recorded distance."""

    passage: Passage
    direction: Literal[1, -1]
    offset_m: float
    low_m: float
    high_m: float

    def clear_at_exit(self, low: float, high: float) -> bool:
        """Return whether the leg's last gate lies before the brakes, or about a second at most.

        Speeding up at the first gate is in the kinetic energy; what brakes take is in no channel.
        """
        if self.direction > 0:
            return self.high_m >= high - LATEST_GATE_M
        return self.low_m <= low + LATEST_GATE_M


def cut_at_gates(session: Session, item: Placed, low: float, high: float) -> tuple[Leg | None, str]:
    """Cut one passage at the gates; energy, speed and time are interpolated there."""
    passage = item.passage
    if not item.clear_at_exit(low, high):
        return None, "its last gate lies where it already brakes"
    recording = session.recordings[passage.recording]
    delay = session.settings.power_meter.delay_s
    rows = slice(max(passage.first - 3, 0), passage.last + 4)
    time = recording.time_s[rows]
    distance = filled(recording.distance_m)[rows]
    speed = filled(recording.speed_m_s)[rows]
    raw_power = recording.power_w
    power = filled(raw_power)
    ends = sorted(
        ((g - item.offset_m) / item.direction for g in (low, high)), key=lambda value: value
    )
    if distance[0] > ends[0] + 0.5 or distance[-1] < ends[1] - 0.5:
        return None, "it does not reach from gate to gate"
    entry, leave = (_time_at(time, distance, speed, d) for d in ends)
    inside = (time > entry + 1e-6) & (time < leave - 1e-6)
    if inside.sum() < 10:
        return None, "fewer than 10 samples between the gates"
    stamps = np.concatenate([[entry], time[inside], [leave]])
    if np.diff(stamps).max() > 10.0:
        return None, f"a gap of {np.diff(stamps).max():.0f} s in the recording"
    whole = (recording.time_s > entry) & (recording.time_s < leave + 1.0)
    missing = ~np.isfinite(raw_power[whole])
    if missing.mean() > MOST_MISSING_POWER:
        return None, f"power is missing in {100 * missing.mean():.0f} % of its samples"
    if missing.any():
        edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(np.int8), [0]])))
        longest = int((edges[1::2] - edges[::2]).max())
        if longest * float(np.median(np.diff(time))) > LONGEST_POWER_GAP_S:
            return None, f"power is missing for {longest} samples in a row"
    # Work up to any moment: power at a stamp is the mean over the interval that ends there.
    step = np.diff(recording.time_s, prepend=recording.time_s[0])
    work = np.cumsum(power * step)
    at = np.interp(stamps + delay, recording.time_s, work)
    mean_power = np.concatenate([[np.nan], np.diff(at) / np.diff(stamps)])
    mean_power[0] = mean_power[1]
    along = item.offset_m + item.direction * np.interp(stamps, time, distance)
    along[0], along[-1] = (low, high) if item.direction > 0 else (high, low)

    def channel(values: Floats | None) -> Floats | None:
        if values is None or not np.isfinite(values[rows]).any():
            return None
        piece = values[rows]
        good = np.isfinite(piece)
        answer = np.interp(stamps, time[good], piece[good])
        near = np.abs(time[good][:, None] - stamps[None, :]).min(axis=0) > 2.5
        answer[near] = np.nan  # a gap stays a gap
        return np.asarray(answer)

    return (
        Leg(
            session=session.key,
            run=passage.run,
            position=passage.position,
            direction=item.direction,
            time_s=stamps,
            along_m=along - low,
            speed_m_s=np.interp(stamps, time, speed),
            power_w=mean_power,
            altitude_m=channel(recording.altitude_m),
            airspeed_m_s=channel(recording.airspeed_m_s),
            yaw_deg=channel(recording.yaw_deg),
            heart_rate_bpm=channel(recording.heart_rate_bpm),
        ),
        "",
    )


def _time_at(time: Floats, distance: Floats, speed: Floats, where: float) -> float:
    """Return when a distance was reached, speed changing linearly between two samples."""
    k = int(np.clip(np.searchsorted(distance, where), 1, len(distance) - 1))
    span = distance[k] - distance[k - 1]
    if span <= 0:
        return float(time[k])
    share = (where - distance[k - 1]) / span
    v0, v1 = max(speed[k - 1], 0.1), max(speed[k], 0.1)
    # share of distance -> share of time for a linear change of speed
    a = 0.5 * (v1 - v0)
    mean = 0.5 * (v0 + v1)
    root = share if abs(a) < 1e-9 else (-v0 + np.sqrt(v0 * v0 + 4 * a * share * mean)) / (2 * a)
    return float(time[k - 1] + np.clip(root, 0.0, 1.0) * (time[k] - time[k - 1]))

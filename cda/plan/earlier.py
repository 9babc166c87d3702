"""What an earlier test of this rider hands to the next: scatter, instruments, open questions.

A question is open where another position may still be better than the best so far: the chance of
that is above 2.5 %. What is at stake in it is the gain given away on average if the best so far
were taken today: the expectation of how much better the other one is, where it is better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from cda.elevation import leg_mean_share
from cda.errors import SessionError
from cda.plan.content import PlannedPosition
from cda.plan.reach import AIRSPEED_NOISE_M_S, Trial
from cda.precision import Before, mean_share
from cda.precision.design import GUST_TIME_S, SLOW_TIME_S

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.results import Estimate
    from cda.session import Session

OPEN_FROM: Final = 0.025  # chance that the other one is better


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Whether `other` is better than the best so far.

    Attributes
    ----------
    best, other : str
    gain : float
        By which the best is ahead, in seconds at the race or in m^2.
    chance : float
        That the other one is better all the same.
    at_stake : float
        Given away on average if the best so far were taken now; same unit as `gain`.
    contrast : mapping
        Position -> its part in the gain, per m^2.
    """

    best: str
    other: str
    gain: float
    chance: float
    at_stake: float
    contrast: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LastTime:
    """An earlier test, as the next plan needs it.

    Attributes
    ----------
    names : tuple of str
        Of the earlier test folders.
    known : tuple of PlannedPosition
        Its positions, in the order of the file; the reference marked.
    first : tuple of str
        Positions that are ridden again, the next run with most at stake first.
    questions : tuple of Question
        The most at stake first.
    left_out : tuple of str
        Positions that are not ridden again.
    in_seconds : bool
        Whether gains are seconds at a race.
    tables : mapping
        Of the next session.toml.
    """

    names: tuple[str, ...]
    known: tuple[PlannedPosition, ...]
    first: tuple[str, ...]
    questions: tuple[Question, ...]
    left_out: tuple[str, ...]
    before: Before
    knobs: Mapping[str, Any]
    length_m: float | None
    in_seconds: bool
    tables: Mapping[str, Any]

    @property
    def knows_weather(self) -> bool:
        """Return whether last time's gusts are known in the plan's terms; not those of laps."""
        return "gust_sd_m_s" in self.knobs

    def positions(self, new: Sequence[PlannedPosition]) -> list[PlannedPosition]:
        """Return the positions of the next test: those in question, then new ones."""
        ids = {p.id for p in self.known}
        twice = [p.id for p in new if p.id in ids and p.id in self.first]
        if twice:
            raise SessionError(
                f"{', '.join(twice)}: ridden last time and in the plan already",
                where="--position",
                fix="with --like name only positions that are new, or left out",
            )
        again = {p.id for p in new}
        return [p for p in self.known if p.id in self.first and p.id not in again] + list(new)

    def trial(self, trial: Trial, ids: Sequence[str]) -> Trial:
        """Return the trial with last time's scatter, weather and instruments."""
        new = [k for k, name in enumerate(ids) if name not in self.first]
        old = [list(ids).index(name) for name in self.first if name in ids]
        design = replace(trial.design, **self.knobs)
        if trial.design.airspeed_noise_m_s is not None:
            design = replace(design, airspeed_noise_m_s=trial.design.airspeed_noise_m_s)
        # Of a new position nothing is known: most is at stake there.
        return replace(trial, design=design, before=self.before.among(ids), first=(*new, *old))

    def without_last(
        self, positions: Sequence[PlannedPosition]
    ) -> tuple[LastTime, list[PlannedPosition]] | None:
        """Return the same without the question that has least at stake; None if one is left."""
        if len(self.questions) < 2:
            return None
        gone = self.questions[-1].other
        reference = next(p.id for p in self.known if p.reference)
        questions = self.questions[:-1]
        if gone == reference:  # today's position stays: all minutes are against it
            return replace(self, questions=questions), list(positions)
        left = replace(
            self,
            questions=questions,
            first=tuple(name for name in self.first if name != gone),
            left_out=(*self.left_out, gone),
        )
        return left, [p for p in positions if p.id != gone]


def last_time(
    sessions: Sequence[Session],
    estimate: Estimate,
    *,
    saved_s: Mapping[str, float] | None = None,
    seconds_per_m2: float | None = None,
) -> LastTime:
    """Return what an earlier test hands to the next.

    Parameters
    ----------
    sessions : sequence of Session
        One earlier day, or several that were fitted together.
    estimate : Estimate
        Of these.
    saved_s : mapping, optional
        Position -> seconds saved at the race; without it gains are in m^2.
    seconds_per_m2 : float, optional
        What CdA is worth at the race: needed with `saved_s`.
    """
    settings = sessions[-1].settings
    ids = tuple(p.id for p in estimate.positions)
    at = [estimate.joint.names.index(name) for name in ids]
    covariance = np.asarray(estimate.joint.covariance)[np.ix_(at, at)]
    dof = float(np.median([d.dof for d in estimate.differences])) if estimate.differences else 1.0
    before = Before(ids=ids, covariance_m4=covariance, dof=dof)
    questions = _questions(estimate, before, saved_s, seconds_per_m2)
    runs = {p.id: p.runs for p in estimate.positions}
    best = questions[0].best if questions else _best(estimate, saved_s)
    # The pair with most at stake is ridden first, of the two the one that has fewer runs.
    pair = sorted([questions[0].other, best], key=lambda p: runs[p]) if questions else [best]
    first = list(dict.fromkeys([*pair, *(q.other for q in questions), estimate.reference]))
    labels = {p.id: p for p in settings.positions}
    known = [
        PlannedPosition(
            id=p.id,
            label=p.label,
            cue=labels[p.id].cue if p.id in labels else None,
            reference=p.reference,
        )
        for p in estimate.positions
    ]
    return LastTime(
        names=tuple(one.folder_name for one in sessions),
        known=tuple(known),
        first=tuple(first),
        questions=questions,
        left_out=tuple(name for name in ids if name not in first),
        before=before,
        knobs=_knobs(sessions[-1], estimate),
        length_m=_stretch(estimate),
        in_seconds=saved_s is not None,
        tables=_tables(sessions[-1]),
    )


def _stretch(estimate: Estimate) -> float | None:
    """Return the length of the stretch in whole metres: what is printed is what is meant."""
    length = estimate.sessions[-1].course_length_m
    return None if length is None else float(round(length))


def _gain_of(
    estimate: Estimate, saved_s: Mapping[str, float] | None, slope: float | None
) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """Return each position's gain on the reference, and its parts per m^2 of every position."""
    reference = estimate.reference
    gain: dict[str, float] = {}
    part: dict[str, dict[str, float]] = {}
    today = estimate.position(reference).cda_m2
    for p in estimate.positions:
        if saved_s is None or slope is None:
            gain[p.id], size = today - p.cda_m2, 1.0
        else:
            gain[p.id] = saved_s[p.id]
            size = slope * (1.0 if p.hold_share is None else p.hold_share)
        part[p.id] = {reference: size, p.id: -size} if p.id != reference else {}
    return gain, part


def _best(estimate: Estimate, saved_s: Mapping[str, float] | None) -> str:
    gain = saved_s or {p.id: -p.cda_m2 for p in estimate.positions}
    return max((p.id for p in estimate.positions), key=lambda name: gain[name])


def _questions(
    estimate: Estimate,
    before: Before,
    saved_s: Mapping[str, float] | None,
    slope: float | None,
) -> tuple[Question, ...]:
    from scipy.stats import norm
    from scipy.stats import t as student

    gain, part = _gain_of(estimate, saved_s, slope)
    best = _best(estimate, saved_s)
    found = []
    for p in estimate.positions:
        if p.id == best:
            continue
        contrast = {
            name: part[best].get(name, 0.0) - part[p.id].get(name, 0.0) for name in before.ids
        }
        c = np.array(list(contrast.values()))
        sd = float(np.sqrt(max(c @ before.covariance_m4 @ c, 1e-18)))
        ahead = gain[best] - gain[p.id]
        z = ahead / sd
        chance = float(student.sf(z, before.dof))
        if chance <= OPEN_FROM:
            continue
        found.append(
            Question(
                best=best,
                other=p.id,
                gain=ahead,
                chance=chance,
                at_stake=sd * float(norm.pdf(z) - z * norm.sf(z)),
                contrast=contrast,
            )
        )
    return tuple(sorted(found, key=lambda q: -q.at_stake))


def _knobs(session: Session, estimate: Estimate) -> dict[str, Any]:
    """Return what the earlier test says about scatter, weather, rider and instruments."""
    s, variance = session.settings, estimate.variance
    summary = estimate.sessions[-1]
    used = [r for r in estimate.runs if r.used and r.session == summary.key]
    speed = float(np.mean([r.mean_speed_m_s for r in used if r.mean_speed_m_s] or [10.0]))
    knobs: dict[str, Any] = {
        "cda_m2": float(np.mean([p.cda_m2 for p in estimate.positions])),
        "rider_mass_kg": s.rider.mass_kg,
        "rider_mass_sd_kg": s.rider.mass_sd_kg,
        "bike_mass_kg": s.bike.mass_kg,
        "bike_mass_sd_kg": s.bike.mass_sd_kg,
        "density_kg_m3": summary.air_density_kg_m3,
        "rolling_resistance": s.bike.rolling_resistance,
        "rolling_resistance_sd": s.bike.rolling_resistance_sd,
        "rolling_resistance_drift_sd_per_h": s.bike.rolling_resistance_drift_sd_per_h,
        "drivetrain_efficiency": (
            1.0 if s.power_meter.location == "hub" else s.bike.drivetrain_efficiency
        ),
        "drivetrain_efficiency_sd": (
            0.0 if s.power_meter.location == "hub" else s.bike.drivetrain_efficiency_sd
        ),
        "power_scale_sd": s.power_meter.scale_sd,
        "power_offset_sd_w": s.power_meter.offset_sd_w,
        "power_offset_drift_sd_w_per_h": s.power_meter.offset_drift_sd_w_per_h,
        "power_delay_sd_s": s.power_meter.delay_sd_s,
        "speed_scale_sd": s.speed_sensor.scale_sd,
        "airspeed_scale_sd": s.airspeed_sensor.scale_sd,
        "airspeed_position_scale_sd": s.airspeed_sensor.position_scale_sd,
        "airspeed_offset_sd_m_s": s.airspeed_sensor.offset_sd_m_s,
    }
    if any(r.airspeed_m_s is not None for r in session.recordings):
        knobs["airspeed_noise_m_s"] = s.airspeed_sensor.noise_sd_m_s or AIRSPEED_NOISE_M_S
    if variance.run_to_run_sd_m2 is not None:
        knobs["run_to_run_sd_m2"] = variance.run_to_run_sd_m2
    return knobs | _weather(estimate, session, speed)


def _weather(estimate: Estimate, session: Session, speed_m_s: float) -> dict[str, Any]:
    """Return gusts, slow wind and mean wind of the earlier test."""
    variance, summary = estimate.variance, estimate.sessions[-1]
    length = summary.course_length_m
    if summary.course_kind != "out-and-back" or length is None:
        return {}
    duration = length / speed_m_s
    knobs: dict[str, Any] = {}
    for name, sd, times, share_of in (
        ("gust_sd_m_s", variance.gust_sd_m_s, GUST_TIME_S, leg_mean_share),
        ("slow_sd_m_s", variance.slow_wind_sd_m_s, SLOW_TIME_S, mean_share),
    ):
        if sd is not None:
            share = np.mean([share_of(duration, t) for t in np.geomspace(*times, 9)])
            knobs[name] = float(sd / np.sqrt(share))
    if all(r.airspeed_m_s is None for r in session.recordings):
        # Without an airspeed channel a leg's gusts hold the rider's own wobble too.
        knobs["wobble_sd_m2"] = 0.0
        knobs["power_noise"] = 0.0
    if summary.mean_headwind_m_s is not None:
        knobs["wind_m_s"] = float(np.sqrt(2.0) * abs(summary.mean_headwind_m_s.value))
    return knobs


def _tables(session: Session) -> dict[str, Any]:
    """Return what the next session.toml takes over: nothing that has to be read anew."""
    from cda.session import given_tables

    given = given_tables(session.settings)
    kept = ("time_zone", "rider", "bike", "power_meter", "speed_sensor", "airspeed_sensor")
    tables = {name: given[name] for name in kept if name in given}
    course = {k: v for k, v in given.get("course", {}).items() if k != "kind"}
    positions = {
        p["id"]: {k: v for k, v in p.items() if k not in ("photo", "reference")}
        for p in given.get("positions", ())
    }
    return tables | {"course": course, "positions": positions}

"""The invented mornings of the coverage study, in the order that gives their seeds.

Session k of scenario number i (from 1) has the seed 1000 * i + k; k runs from 0 to 999. New
scenarios are appended, never put in between. What is drawn anew for each seed: positions, order
of powers, road, wind and its correlation times, run-to-run scatter, and every systematic error.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from cda.simulate import PRESETS, Scenario

_LIGHT, _BREEZE, _WIND = PRESETS["light"], PRESETS["breeze"], PRESETS["wind"]
_AIRSPEED = replace(_BREEZE, airspeed_noise_m_s=0.3)
_DRIFT: Final = {  # one standard deviation of what the session file then declares
    "power_offset_drift_w_per_h": 2.0,
    "rolling_drift_per_h": -0.04,
}

SCENARIOS: Final[dict[str, Scenario]] = {
    "calm": PRESETS["calm"],
    "breeze": _BREEZE,
    "wind": _WIND,
    "short morning 2x5": replace(_LIGHT, n_positions=2, runs_per_position=5),
    "light": _LIGHT,
    "600 m, 8 runs": replace(_LIGHT, leg_length_m=600.0, runs_per_position=8),
    "3 runs": replace(_LIGHT, runs_per_position=3),
    "2 runs": replace(_LIGHT, runs_per_position=2),
    "short morning 3x4": replace(_LIGHT, n_positions=3, runs_per_position=4),
    "hilly": replace(_LIGHT, relief_m=9.0),
    "no GPS": replace(_LIGHT, gps=False),
    "one power": replace(_LIGHT, powers_w=(215.0,)),
    # Drifts of either sign, drawn with the sizes that are fixed in the next scenario.
    "blocks, drifting": replace(
        _LIGHT,
        order="blocks",
        power_offset_drift_sd_w_per_h=2.0,
        rolling_drift_sd_per_h=0.04,
    ),
    "drifting": replace(_LIGHT, **_DRIFT),
    "late power": replace(_LIGHT, power_delay_s=(0.0, 1.5)),
    "tiring": replace(_LIGHT, tiring_per_h=0.08),
    "2 % of power missing": replace(_LIGHT, power_missing_share=0.02),
    "lorry": replace(_LIGHT, lorry_runs=(10,)),
    "heavy gusts": replace(_LIGHT, gust_shape="heavy"),
    "skewed gusts": replace(_LIGHT, gust_shape="skewed"),
    "gusts of 5 s": replace(_LIGHT, gust_time_s=5.0),
    "gusts of 120 s": replace(_LIGHT, gust_time_s=120.0),
    "wobble with speed": replace(_LIGHT, wobble_speed_exponent=2.0),
    "effort with gradient": replace(_LIGHT, effort_per_gradient=4.0, relief_m=9.0),
    "breeze, gusts of 8 s": replace(_BREEZE, gust_time_s=8.0),
    "breeze, gusts of 25 s": replace(_BREEZE, gust_time_s=25.0),
    "breeze, gusts of 60 s": replace(_BREEZE, gust_time_s=60.0),
    "wind, gusts of 8 s": replace(_WIND, gust_time_s=8.0),
    "wind, gusts of 25 s": replace(_WIND, gust_time_s=25.0),
    "wind, gusts of 60 s": replace(_WIND, gust_time_s=60.0),
    "airspeed, own part 0.3 %": replace(_AIRSPEED, airspeed_position_scale_sd=0.003),
    "airspeed, own part 1 %": replace(_AIRSPEED, airspeed_position_scale_sd=0.01),
}

_NAMES: Final = tuple(SCENARIOS)
GROUPS: Final[dict[str, tuple[str, ...]]] = {
    "calibration": _NAMES[:18],
    "unlike": _NAMES[18:24],  # noise that the estimator does not assume
    "bias": _NAMES[24:30],
    "airspeed": _NAMES[30:32],
}

# A spoiled run is in the estimate until the user takes it out: not a case of the calibration.
NOT_POOLED: Final = frozenset({"lorry"})
BIAS_LIMIT_M2: Final = {
    **{name: 0.0007 for name in _NAMES[24:27]},
    **{name: 0.0015 for name in _NAMES[27:30]},
}
RMSE_LIMIT_M2: Final = {_NAMES[30]: 0.0033, _NAMES[31]: 0.0055}


def coverage_band(name: str) -> tuple[float, float]:
    """Return the coverage of 95 % intervals that is asked for [1]."""
    if name in GROUPS["unlike"]:
        return 0.90, 0.98
    return (0.92, 0.98) if name == "2 runs" else (0.93, 0.97)


def seed_of(name: str, session: int) -> int:
    """Return the seed of one session."""
    if not 0 <= session < 1000:
        raise ValueError("sessions are numbered from 0 to 999: further seeds are the next one's")
    return 1000 * (1 + _NAMES.index(name)) + session

"""Every threshold of the checks, once, with its reason.

A number without a source is common practice, no source; what it costs in CdA is worked out for
85 kg at 11 m/s on legs of 1.2 km, where 100 J a leg are 0.0015 m².
"""

from __future__ import annotations

from typing import Final

# -- one recording ---------------------------------------------------------------------------
USUAL_STEP_S: Final = 1.05  # [s] "every second", with a clock that wanders a little
UNEVEN_SHARE: Final = 0.05  # of the steps; smart recording leaves out far more
AUTOMATIC_TRIGGERS: Final = frozenset(
    {"distance", "time", "position_start", "position_lap", "position_waypoint", "position_marked"}
)

# -- one leg -----------------------------------------------------------------------------------
SHORT_LEG_M: Final = 400.0  # [m] below, gate and speed errors of 100 J are 0.0045 m²
SLOW_LEG_M_S: Final = 7.0  # [m/s] below, rolling outweighs the air: Crr +0.0003 is > 0.008 m²
COASTING_W: Final = 15.0  # [W] a pedalled second shows more
COASTING_S: Final = 3.0  # [s] shorter pauses are a pedal stroke missed
FROZEN_S: Final = 15.0  # [s] legs push unevenly by 4 % and more: alike for 4 s is rare
BRAKING_WINDOW_S: Final = 3.0  # [s] long enough to average speed noise of 0.02 m/s
BRAKING_N: Final = 25.0  # [N] 0.3 m/s²; a gust of 3 m/s makes 13 N, a touch of the brake 40 N
OUT_OF_LINE_SD: Final = 6.0  # robust widths of a leg's CdA among legs of its kind ...
OUT_OF_LINE_M2: Final = 0.05  # ... and at least this far: 3 kJ, no gust of a calm day does it
LENGTH_MISMATCH: Final = 0.01  # relative; wheel distances over the same road agree to 0.3 %
ALTIMETER_SPREAD_M: Final = 2.0  # [m] s.d. of B above A over legs of one direction
FEW_LEGS: Final = 4  # below, no leg can be called out of line

# -- inside one leg ----------------------------------------------------------------------------
# Highest scores of 140 clean invented rides, calm to breeze: 4.7 (sat-up), 5.0 (vehicle). With
# these thresholds tests/studies/disturbances.py, on 40 other rides each, has no false alarm in
# calm, light wind and breeze, and finds a lorry in 40, 40 and 31 rides, 0.06 m² more for 20 s in
# 29, 9 and 2: gusts hide the rest. Gusts that come in bursts reach 7 on 1 ride in 7, and are told
# as what they may be, a lull.
EPISODE_LEGS: Final = 8  # fewer do not show what fits
EPISODE_SCORE: Final = {"sat-up": 5.5, "vehicle": 6.0}  # standard errors
EPISODE_J: Final = 400.0  # [J] 0.006 m² in the leg
SAT_UP_DURATIONS_S: Final = (12, 20, 32)  # [s] shorter is lost in gusts; longer is the leg's CdA
VEHICLE_DECAYS_S: Final = (5, 10, 20)  # [s] to 1/e, of a van close by to a lorry's wake

# -- one test day --------------------------------------------------------------------------------
PRESSURE_FROM_M: Final = 95.0  # [m] 12 hPa: as much as ordinary weather
UNEQUAL_POWER: Final = 0.08  # relative; with a Crr error of 0.0002 it is 0.0003 m² in a difference
ORDER_CONFOUNDED: Final = 1.2  # mean ride times apart, in s.d. of all; AABB 1.8, ABAB 0.9, ABBA 0
WIND_STRONG_M_S: Final = 3.0  # [m/s] reading at 10 m; gusts of a quarter of it are 0.007 m²
PRESS_FAR_S: Final = 90.0  # [s] presses are seconds off, a run-out takes half a minute
DENSITY_DRIFT: Final = 0.01  # relative; 0.003 m² between the first and the last run
AIRSPEED_MISMATCH: Final = 0.15  # relative, mean over both directions; far beyond scale_sd 0.05
FEW_RUNS: Final = 3  # fewer give no run-to-run spread worth the name

# -- one estimate --------------------------------------------------------------------------------
CDA_LOW_M2: Final = 0.15  # [m²] below the smallest riders on time-trial bikes
CDA_HIGH_M2: Final = 0.60  # [m²] above an upright rider in loose clothes
HEADWIND_STRONG_M_S: Final = 2.5  # [m/s] at the rider; the study's windy preset
GUSTY_LEG_SD_M2: Final = 0.025  # [m²] leg scatter: 0.007 on a calm day, 0.017 in a breeze

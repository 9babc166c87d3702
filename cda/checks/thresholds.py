"""Every threshold of the checks, once, with its reason.

A number without a source is common practice, no source; what it costs in CdA is worked out for
85 kg at 11 m/s on legs of 1.2 km, where 100 J a leg are 0.0015 m².
"""

from __future__ import annotations

from typing import Final

# -- one recording ---------------------------------------------------------------------------
USUAL_STEP_S: Final = 1.05  # [s] "every second", with a clock that wanders a little
UNEVEN_SHARE: Final = 0.05  # of the steps; smart recording leaves out far more

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
ALTIMETER_OPEN_M: Final = 1.5  # [m] out and back, or once round; 2 m/h drifts 0.15 m in a run
ALTIMETER_LEGS: Final = 3  # fewer give no spread
FEW_LEGS: Final = 4  # below, no leg can be called out of line

# -- inside one leg ----------------------------------------------------------------------------
# Highest sat-up score of a clean invented ride, 42 rides calm to breeze: 3.75 on average, s.d.
# 0.38, the highest 4.6. The Gumbel distribution of these passes 4.9 once in 100 rides, 5.5 once
# in 800. What is found with them: tests/studies/RESULTS.md. 0.06 m² more for 20 s stands out by
# 6.4 standard errors in calm, 5.3 in light wind, 3.7 in a breeze: gusts hide the rest. Gusts that
# come in bursts reach 7, and are told as what they may be, a lull or a squall.
EPISODE_LEGS: Final = 8  # fewer do not show what fits
EPISODE_SCORE: Final = {"sat-up": 4.9, "vehicle": 5.5, "oncoming": 5.5}  # standard errors
EPISODE_J: Final = 400.0  # [J] 0.006 m² in the leg
SAT_UP_DURATIONS_S: Final = (12, 20, 32)  # [s] shorter is lost in gusts; longer is the leg's CdA
VEHICLE_DECAYS_S: Final = (5, 10, 20)  # [s] to 1/e, of a van close by to a lorry's wake
ONCOMING_DECAYS_S: Final = (3, 6)  # [s] to 1/e: the gap closes at twice the speed and more

# -- satellites --------------------------------------------------------------------------------
GPS_SCATTER_M: Final = 4.0  # [m] s.d. within a leg; open sky 1 to 2. Gates 4 m off are 0.4 s
GPS_MISSING: Final = 0.25  # share of a leg's samples
BESIDE_ROAD_M: Final = 15.0  # [m] two lanes and two satellite errors

# -- one test day --------------------------------------------------------------------------------
PRESSURE_FROM_M: Final = 95.0  # [m] 12 hPa: as much as ordinary weather
UNEQUAL_POWER: Final = 0.08  # relative; with a Crr error of 0.0002 it is 0.0003 m² in a difference
ORDER_CONFOUNDED: Final = 1.2  # mean ride times apart, in s.d. of all; AABB 1.8, ABAB 0.9, ABBA 0
WIND_STRONG_M_S: Final = 4.0  # [m/s] reading at 10 m, 2.5 at the rider: gusts are 0.007 m²
PRESS_FAR_S: Final = 90.0  # [s] presses are seconds off, a run-out takes half a minute
PRESS_LATE_S: Final = 12.0  # [s] against the other runs; 6 s.d. of a rider's 2 s, 120 m of road
PRESS_RUNS: Final = 4  # fewer do not show where presses usually lie
WIND_SHIFT_M_S: Final = 3.0  # [m/s] at the rider, smoothed over 3 runs; a breeze's own: 1.5, to 2
WIND_ROUGH_SD_M_S: Final = 0.5  # [m/s] of the rough balance: 10 % of CdA, 0.3 m of height
WIND_READING_SD: Final = 3.0  # times the reading's own uncertainty
WIND_READING_M_S: Final = 1.5  # [m/s] less does no harm: the ride knows its wind better
POWER_DRIFT_W_H: Final = 3.0  # [W/h] 0.0045 m² an hour; three times the usual prior
POWER_DRIFT_SE: Final = 4.0  # standard errors; wind across the road wanders as well
ZERO_OFF_W: Final = 4.0  # [W] 0.006 m² in all positions; temperature moves a zero by 1 to 2
GUSTY_ROUGH_M2: Final = 0.048  # [m²] in a breeze 0.03 ± 0.006; 6 runs then show 0.055 m²
DENSITY_DRIFT: Final = 0.01  # relative; 0.003 m² between the first and the last run
AIRSPEED_MISMATCH: Final = 0.15  # relative, mean over both directions; far beyond scale_sd 0.05
AIRSPEED_OUT_BACK_M_S: Final = 0.8  # [m/s] against the wind from energy, which is good to 0.3 ...
AIRSPEED_OUT_BACK_SHARE: Final = 0.15  # ... and to 10 % of itself, for the CdA is a rough one
FEW_RUNS: Final = 3  # fewer give no run-to-run spread worth the name

# -- one estimate --------------------------------------------------------------------------------
CDA_LOW_M2: Final = 0.15  # [m²] below the smallest riders on time-trial bikes
CDA_HIGH_M2: Final = 0.60  # [m²] above an upright rider in loose clothes
HEADWIND_STRONG_M_S: Final = 2.5  # [m/s] at the rider; the study's windy preset
GUSTY_LEG_SD_M2: Final = 0.025  # [m²] leg scatter: 0.007 on a calm day, 0.017 in a breeze

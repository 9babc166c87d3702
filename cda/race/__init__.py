"""The race: its file, and the time over it in each position.

`RaceSettings` is race.toml, `load_race` reads it; draws and times feed `cda.priority`.
"""

from cda.race.draws import DRAWS as DRAWS
from cda.race.draws import Draws as Draws
from cda.race.draws import joint_draws as joint_draws
from cda.race.load import Race as Race
from cda.race.load import load_race as load_race
from cda.race.load import make_race as make_race
from cda.race.road import course_profile as course_profile
from cda.race.settings import RaceSettings as RaceSettings
from cda.race.times import RaceTimes as RaceTimes
from cda.race.times import race_times as race_times

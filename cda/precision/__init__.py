"""The standard error of any test design from variance components.

The legs are hypothetical, the equations are those of `cda.estimation`: what a plan promises is
what the same solution would state for steady legs, at assumed variance components.
"""

from cda.precision.before import DAY_SD_M2 as DAY_SD_M2
from cda.precision.before import Before as Before
from cda.precision.before import contrast_se as contrast_se
from cda.precision.before import resolved_together as resolved_together
from cda.precision.before import resolved_with as resolved_with
from cda.precision.before import smallest_together_m2 as smallest_together_m2
from cda.precision.design import TURN_S as TURN_S
from cda.precision.design import Design as Design
from cda.precision.design import gusts_of_wind as gusts_of_wind
from cda.precision.design import in_wind as in_wind
from cda.precision.expected import POWER_OF_TEST as POWER_OF_TEST
from cda.precision.expected import Expectation as Expectation
from cda.precision.expected import expected_precision as expected_precision
from cda.precision.more import MoreRuns as MoreRuns
from cda.precision.more import further_runs as further_runs
from cda.precision.more import what_more_runs_buy as what_more_runs_buy
from cda.precision.process import mean_share as mean_share
from cda.precision.process import round_share as round_share
from cda.precision.race import seconds_per_m2 as seconds_per_m2

"""Pictures: results in, axes out; each answers one question.

Every function takes a result and `ax=None` (None: a new figure) and returns the `Axes`.
Positions carry their letter, directions their line, so that nothing hangs on colour alone.
"""

from cda.figures.positions import plot_budget as plot_budget
from cda.figures.positions import plot_differences as plot_differences
from cda.figures.positions import plot_positions as plot_positions
from cda.figures.precision import plot_precision as plot_precision
from cda.figures.race import plot_course as plot_course
from cda.figures.race import plot_ledger as plot_ledger
from cda.figures.race import plot_saved as plot_saved
from cda.figures.race import plot_saved_by_share as plot_saved_by_share
from cda.figures.ride import plot_effort as plot_effort
from cda.figures.ride import plot_leg_curves as plot_leg_curves
from cda.figures.ride import plot_leg_residuals as plot_leg_residuals
from cda.figures.ride import plot_road as plot_road
from cda.figures.ride import plot_wind as plot_wind

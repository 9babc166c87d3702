"""Findings about recordings, test days, legs and estimates; thresholds and ranking beside them.

Severity: a `note` changes nothing that is decided; a `warning` may change a decision and makes
the exit status 3; a `stop` means that no answer can be had.
"""

from cda.checks.estimates import check_estimate as check_estimate
from cda.checks.ranking import rank_findings as rank_findings
from cda.checks.recordings import check_recording as check_recording
from cda.checks.sessions import check_legs as check_legs

"""Findings about recordings, test days, legs and estimates; thresholds and ranking beside them.

Severity: a `note` changes nothing that is decided; a `warning` may change a decision and makes
the exit status 3; a `stop` means that no answer can be had.
"""

from cda.checks.estimates import check_estimate as check_estimate
from cda.checks.matching import Match as Match
from cda.checks.matching import MatchedRun as MatchedRun
from cda.checks.matching import match_runs as match_runs
from cda.checks.ranking import rank_findings as rank_findings
from cda.checks.recordings import check_recording as check_recording
from cda.checks.report import check_bare_recording as check_bare_recording
from cda.checks.report import check_session as check_session
from cda.checks.sessions import check_legs as check_legs
from cda.checks.spoiled import propose_leaving_out as propose_leaving_out
from cda.checks.spoiled import runs_spoken_against as runs_spoken_against

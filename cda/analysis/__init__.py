"""The line from a session to its estimate."""

from cda.analysis.line import estimate_cda as estimate_cda

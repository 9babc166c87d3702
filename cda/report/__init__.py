"""The report: one page for athlete, coach and analyst; also as PDF, pictures and tables."""

from cda.report.page import Section as Section
from cda.report.page import build_page as build_page
from cda.report.page import build_report as build_report

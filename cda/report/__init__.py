"""The report: one page for athlete, coach and analyst; also as PDF, pictures and tables."""

from cda.report.check_page import build_check_page as build_check_page
from cda.report.check_page import drawn_check as drawn_check
from cda.report.export import write_csv as write_csv
from cda.report.export import write_figures as write_figures
from cda.report.page import Section as Section
from cda.report.page import build_page as build_page
from cda.report.page import build_report as build_report
from cda.report.pdf import write_pdf as write_pdf
from cda.report.season_page import build_season_page as build_season_page
from cda.report.season_page import season_csv as season_csv

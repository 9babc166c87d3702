"""A check as a page and as a picture: the verdict first, nothing foreign runs, no place is told."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from cda.checks import check_bare_recording, check_session
from cda.cli import main
from cda.errors import OutputError
from cda.figures.check import plot_check, plot_leg_energy, plot_passes
from cda.report import build_check_page, drawn_check
from cda.results import Finding
from cda.simulate import PRESETS, simulate_session, write_session

if TYPE_CHECKING:
    from pathlib import Path

    from cda.results.check import CheckReport

HOSTILE = "</title><script>alert(1)</script><img src=x onerror=alert(1)>\"'&"
VOID = {"meta", "img", "br", "hr", "input", "link", "path", "use"}


class Tags(HTMLParser):
    """Notes every element and complains where one is closed that was not open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag


@pytest.fixture(scope="module")
def simulated() -> Any:
    scenario = replace(
        PRESETS["calm"], n_positions=2, runs_per_position=4, lorry_runs=(3,), brake_runs=(5,)
    )
    return simulate_session(scenario, 2)


@pytest.fixture(scope="module")
def report(simulated: Any) -> CheckReport:
    return check_session(simulated.session)


@pytest.fixture(scope="module")
def bare(simulated: Any) -> CheckReport:
    return check_bare_recording(simulated.session.recordings[0])


def text_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_the_verdict_stands_first_and_marks_are_words(report: CheckReport) -> None:
    page = build_check_page(report)
    said = text_of(page)
    assert page.startswith("<!DOCTYPE html>")
    assert said.index("To ride again: run 5.") < said.index("Warning:")
    assert "In doubt: run 3." in said
    assert "5 x" in said
    assert "3 ?" in said
    assert page == build_check_page(report)


def test_the_page_is_whole_and_asks_for_nothing(report: CheckReport, bare: CheckReport) -> None:
    for one in (report, bare):
        tags = Tags()
        tags.feed(build_check_page(one))
        assert not tags.open
        assert not [a for _, a in tags.seen if {"src", "onerror", "onclick"} & set(a)]
        assert all(a["href"].startswith("#") for _, a in tags.seen if a.get("href"))
        ids = [a["id"] for _, a in tags.seen if a.get("id")]
        assert len(ids) == len(set(ids))
        assert not [t for t, _ in tags.seen if t == "script"]


def test_names_of_the_user_do_not_become_elements(report: CheckReport) -> None:
    finding = Finding(severity="warning", code=HOSTILE, where=HOSTILE, message=HOSTILE, fix=HOSTILE)
    hostile = replace(
        report, subject=HOSTILE, first=(finding,), rest=(finding,),
        recordings=tuple(replace(r, name=HOSTILE) for r in report.recordings),
        runs=tuple(replace(r, position=HOSTILE, reasons=(HOSTILE,)) for r in report.runs),
    )  # fmt: skip
    tags = Tags()
    tags.feed(build_check_page(hostile))
    assert not tags.open
    assert not {"script", "img"} & {t for t, _ in tags.seen}


def test_no_place_and_no_clock_time_is_told(report: CheckReport, simulated: Any) -> None:
    pages = build_check_page(report) + drawn_check(report, ".svg").decode()
    said = text_of(pages)
    for name in ("latitude_deg", "longitude_deg"):
        places = {f"{abs(v):.3f}" for v in simulated.columns[name][::20]}
        assert not [place for place in places if place in said]
    assert not re.search(r"\b\d\d:\d\d\b", said)


def test_the_picture_shows_what_the_check_compared(report: CheckReport, bare: CheckReport) -> None:
    axes = plot_leg_energy(report)
    shown = [line for line in axes.lines if line.get_marker() in ("<", ">")]
    assert len(shown) == len(report.legs)
    assert {t.get_text() for t in axes.texts} == {"3 ?"}
    passes = [line for line in plot_passes(bare).lines if line.get_marker() in ("<", ">")]
    assert len(passes) == sum(s.out + s.back for s in bare.stretches)
    ET.fromstring(drawn_check(report, ".svg"))
    assert drawn_check(report, ".png")[:4] == b"\x89PNG"
    assert drawn_check(bare, ".pdf")[:5] == b"%PDF-"
    with pytest.raises(OutputError, match="nothing to draw"):
        plot_check(replace(bare, stretches=()))


def test_check_writes_both_and_never_over_a_stranger_s(simulated: Any, tmp_path: Path) -> None:
    folder = tmp_path / "day"
    write_session(simulated, folder, format="csv")
    page, picture = tmp_path / "page.html", tmp_path / "legs.svg"
    words = ["check", str(folder), "--page", str(page), "--figure", str(picture)]
    shown = CliRunner().invoke(main, words)
    assert shown.exit_code == 3, shown.output
    assert "cda-field-test" in page.read_text(encoding="utf-8")[:8192]
    assert CliRunner().invoke(main, words).exit_code == 3  # ours: written again
    page.write_text("mine")
    assert CliRunner().invoke(main, words).exit_code == 1
    assert page.read_text() == "mine"
    assert CliRunner().invoke(main, [*words[:3], str(tmp_path / "x.html"), "--figure", "a.doc"]
                              ).exit_code == 2  # fmt: skip

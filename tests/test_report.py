from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import html5lib
import pytest

from cda.errors import OutputError
from cda.report import Section, build_page, build_report, write_csv, write_figures, write_pdf
from cda.report.page import report_parts, tied
from cda.report.pdf import _Setter
from cda.report.photo import LARGEST_BYTES, photo_uri
from cda.results import words
from tests.results_factory import (
    HOSTILE,
    eight_page,
    eight_positions,
    hostile_results,
    rich_estimate,
    rich_savings,
)

if TYPE_CHECKING:
    from pathlib import Path
    from xml.etree.ElementTree import Element

    from cda.report.blocks import Part
    from cda.results import Estimate

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


def parsed(page: str) -> Element:
    """Parse strictly: any HTML 5 parse error is a failing test."""
    tree: Element = html5lib.HTMLParser(strict=True).parse(page)
    return tree


def text_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


@pytest.fixture(scope="module")
def tree() -> Element:
    return parsed(eight_page())


def test_the_page_stays_small_with_24_runs_and_8_positions() -> None:
    estimate, _ = eight_positions()
    assert len(estimate.runs) == 24
    assert len(eight_page().encode()) < 600_000


def test_ids_are_unique_and_every_reference_finds_its_target(tree: Element) -> None:
    ids = [e.attrib["id"] for e in tree.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    used = set(re.findall(r"url\(#([^)]+)\)", eight_page()))
    used |= {
        value[1:]
        for e in tree.iter()
        for key, value in e.attrib.items()
        if key.endswith("href") and value.startswith("#")
    }
    used |= {e.attrib["aria-labelledby"] for e in tree.iter() if "aria-labelledby" in e.attrib}
    assert used <= set(ids)


def test_headings_are_in_order_and_the_parts_as_the_readers_need_them(tree: Element) -> None:
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(rf"{HTML}h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))
    parts = [e.attrib["class"] for e in tree.iter(f"{HTML}section")]
    assert parts == ["answer", "coach", "athlete", "analyst", "method", "cautions", "again"]


def test_tables_head_their_rows_and_columns_and_pictures_say_what_they_show(tree: Element) -> None:
    tables = list(tree.iter(f"{HTML}table"))
    assert len(tables) > 6
    for table in tables:
        assert text_of(next(table.iter(f"{HTML}caption")))
        heads = list(table.iter(f"{HTML}th"))
        assert {h.attrib["scope"] for h in heads} == {"col", "row"}
        width = len(list(next(table.iter(f"{HTML}thead")).iter(f"{HTML}th")))
        for row in next(table.iter(f"{HTML}tbody")).iter(f"{HTML}tr"):
            assert len(list(row)) == width
    plots = [e for e in tree.iter() if e.attrib.get("class") == "plot"]
    assert len(plots) >= 18
    for plot in plots:
        assert plot.attrib["role"] == "img"
        assert re.search(r"\d|is ", plot.attrib["aria-label"])
    assert tree.attrib["lang"] == "en"


def test_the_answer_is_the_first_thing_said_and_names_its_reference(tree: Element) -> None:
    _, savings = eight_positions()
    lead = next(e for e in tree.iter(f"{HTML}p") if e.attrib.get("class") == "lead")
    assert text_of(lead) == words.savings_headline(savings)
    assert "Head up, eyes on the horizon" in text_of(lead)


def test_the_page_states_wheels_share_cost_and_cautions(tree: Element) -> None:
    said = text_of(tree)
    for text in (
        "without the drag of the turning wheels",
        "whole ride, if it can be held",
        "cost unknown",
        "Not decided does not mean equal",
        "no medical, fitting or road-safety advice",
        "a lowered head hides the road",
        "Stop on pain, numbness, tingling hands",
        "10.1123/jab.14.3.276",
        "10.1088/0026-1394/45/2/004",
        "JCGM 100:2008",
        "choose one",
        "Not used: run 5.",
        "0" * 64,
    ):
        assert text in said, text


@pytest.fixture(scope="module")
def small() -> Estimate:
    return replace(
        rich_estimate(("tall", "low"), runs_each=2),
        settings={
            "course": {"gate_a": [47.2001, 8.6003], "gate_b": [47.2084, 8.6105]},
            "bike": {"mass_kg": {"value": 8.5, "source": "file"}},
        },
    )


@pytest.fixture(scope="module")
def small_page(small: Estimate) -> str:
    return build_report(small)


def test_the_same_results_make_the_same_bytes(small: Estimate, small_page: str) -> None:
    assert build_report(small) == small_page


def test_no_clock_time_and_no_place_reach_the_page(small_page: str) -> None:
    assert "47.2001" not in small_page
    assert "8.6003" not in small_page
    assert "given, not shown" in small_page
    assert "from file: mass_kg 8.5" in small_page
    assert not re.search(r"\b\d\d:\d\d:\d\d\b", small_page)


def test_nothing_is_fetched_or_run() -> None:
    page = eight_page()
    for forbidden in ("<script", "@import", 'src="http', "<link", "javascript:", "<iframe"):
        assert forbidden not in page
    assert not re.search(r"url\((?!#)", page)
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in page


def test_hostile_names_do_no_harm() -> None:
    estimate, savings = hostile_results()
    tree = parsed(build_report(estimate, savings))  # strict: nothing broke out of its place
    tags = {str(e.tag).rpartition("}")[2] for e in tree.iter()}
    assert not tags & {"script", "iframe", "object", "image"}
    for element in tree.iter():
        assert not any(key.startswith("on") for key in element.attrib)
    assert not list(tree.iter(f"{HTML}img"))
    said = text_of(tree)
    assert "<script>alert(1)</script>" in said
    assert "{{ 7*7 }}" in said
    assert "\u202e" not in said
    assert "x" * 300 in said
    assert str(estimate)
    assert str(savings)


def test_hostile_names_reach_a_spreadsheet_as_text(tmp_path: Path) -> None:
    estimate, _ = hostile_results()
    positions = tuple(
        replace(p, label="=HYPERLINK(1)" if k == 0 else p.label)
        for k, p in enumerate(estimate.positions)
    )
    write_csv(tmp_path, replace(estimate, positions=positions))
    rows = list(csv.DictReader(io.StringIO((tmp_path / "result_positions.csv").read_text())))
    assert rows[0]["label"] == "'=HYPERLINK(1)"
    assert rows[4]["label"] == HOSTILE[4]


def test_tables_carry_full_numbers_with_units_and_blanks_for_unknown(tmp_path: Path) -> None:
    estimate, savings = eight_positions()
    files = write_csv(tmp_path, estimate, savings)
    assert {f.name for f in files} >= {
        "result_positions.csv",
        "result_differences.csv",
        "result_runs.csv",
        "result_wind.csv",
        "result_budget.csv",
        "result_savings.csv",
        "result_ledger.csv",
    }
    rows = list(csv.DictReader(io.StringIO((tmp_path / "result_positions.csv").read_text())))
    assert [float(r["cda_m2"]) for r in rows] == [p.cda_m2 for p in estimate.positions]
    runs = list(csv.DictReader(io.StringIO((tmp_path / "result_runs.csv").read_text())))
    assert [r["cda_m2"] for r in runs if r["used"] == "no"] == [""]
    saved = list(csv.DictReader(io.StringIO((tmp_path / "result_savings.csv").read_text())))
    assert [float(r["saved_s"]) for r in saved] == [p.saved_s for p in savings.positions]


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(OutputError, match="choose a folder you may write to"):
        write_csv(tmp_path / "file", rich_estimate(("tall", "low"), runs_each=2))


def test_pictures_and_pdf_are_files_with_the_same_bytes_each_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def beginnings(section: Section) -> list[Part]:  # setting type is slow, and no different later
        return [replace(part, blocks=part.blocks[:4]) for part in report_parts(section)[:5]]

    monkeypatch.setattr("cda.report.export.report_parts", beginnings)
    monkeypatch.setattr("cda.report.pdf.report_parts", beginnings)
    estimate = rich_estimate(("tall", "low"), runs_each=2)
    first = write_figures(tmp_path / "a", estimate)
    again = write_figures(tmp_path / "b", estimate)
    assert {f.suffix for f in first} == {".svg", ".png"}
    for one, other in zip(first, again, strict=True):
        assert one.read_bytes() == other.read_bytes()
    assert "var(--" not in first[0].read_text()
    pdfs = [write_pdf(tmp_path / f"{n}.pdf", [Section(estimate=estimate)]) for n in "ab"]
    assert pdfs[0].read_bytes() == pdfs[1].read_bytes()
    assert pdfs[0].read_bytes().startswith(b"%PDF")


def test_a_photo_is_small_upright_and_says_nothing_about_its_place() -> None:
    import base64

    import numpy as np
    from PIL import Image

    noise = np.random.default_rng(3).integers(0, 255, (900, 1600, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned by a quarter
    exif[0x010E] = "47.2001 N"
    raw = io.BytesIO()
    Image.fromarray(noise).save(raw, format="JPEG", exif=exif, comment=b"at 8.6003 E")
    assert b"47.2001" in raw.getvalue()
    assert b"8.6003" in raw.getvalue()
    uri = photo_uri(raw.getvalue())
    assert uri is not None
    assert len(uri) <= LARGEST_BYTES
    data = base64.b64decode(uri.partition(",")[2])
    assert b"47.2001" not in data
    assert b"8.6003" not in data
    assert b"Exif" not in data
    with Image.open(io.BytesIO(data)) as small:
        assert small.height > small.width
    estimate = rich_estimate(("tall", "low"), runs_each=2)
    page = build_report(estimate, photos={"low": raw.getvalue(), "tall": b"no picture"})
    assert page.count("<img ") == 1
    assert 'alt="Photo of the position B\u2002Chin down' in page


def test_several_days_open_with_what_changed() -> None:
    before = rich_estimate(("tall", "low"), runs_each=2)
    now = rich_estimate(("tall", "low", "narrow"), runs_each=2)
    tree = parsed(build_report(now, previous=before))
    sections = list(tree.iter(f"{HTML}section"))
    assert sections[0].attrib["class"] == "changes"
    assert "not tested before" in text_of(sections[0])
    second = replace(now.sessions[0], key="s2", title="A second day")
    runs = tuple(replace(r, session="s2") if r.run > 3 else r for r in now.runs)
    pooled = replace(now, sessions=(*now.sessions, second), runs=runs)
    first = report_parts(Section(estimate=pooled))[0]
    assert first.id == "changes"
    assert "Last day (s2)" in repr(first)


def test_several_riders_have_a_section_each() -> None:
    one = rich_estimate(("tall", "low"), runs_each=2)
    other = replace(one, sessions=(replace(one.sessions[0], rider_id="rider-2"),))
    page = build_page([Section(estimate=one), Section(estimate=other, savings=rich_savings(other))])
    tree = parsed(page)
    ids = [e.attrib["id"] for e in tree.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    said = text_of(tree)
    assert "Rider rider-1" in said
    assert "Rider rider-2" in said
    # Each part is named by its rider too: a screen reader's list of landmarks has no twins.
    named = [e.attrib["aria-labelledby"].split() for e in tree.iter(f"{HTML}section")]
    assert all(set(names) <= set(ids) for names in named)
    texts = {e.attrib["id"]: text_of(e) for e in tree.iter() if "id" in e.attrib}
    spoken = [" ".join(texts[name] for name in names) for names in named]
    assert len(spoken) == len(set(spoken))


def test_several_riders_have_a_part_of_the_pdf_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def beginnings(section: Section) -> list[Part]:
        return [replace(part, blocks=part.blocks[:2]) for part in report_parts(section)[:2]]

    monkeypatch.setattr("cda.report.pdf.report_parts", beginnings)
    one = rich_estimate(("tall", "low"), runs_each=2)
    other = replace(one, sessions=(replace(one.sessions[0], rider_id="rider-2"),))

    said: list[str] = []
    setting = _Setter.text

    def heard(setter: _Setter, text: str, **how: float) -> None:
        said.append(text)
        setting(setter, text, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(_Setter, "text", heard)

    def pages(*estimates: Estimate) -> int:
        data = write_pdf(
            tmp_path / "riders.pdf", [Section(estimate=e) for e in estimates]
        ).read_bytes()
        return len(re.findall(rb"/Type /Page\b", data))

    alone = pages(one)
    assert not any(text.startswith("Rider ") for text in said)
    assert pages(one, other) == 2 * alone
    assert [text for text in said if text.startswith("Rider ")] == [
        "Rider rider-1",
        "Rider rider-2",
    ]


def test_the_last_day_is_told_by_what_it_changed() -> None:
    before = rich_estimate(("tall", "low", "wide"), runs_each=2)
    now = rich_estimate(("tall", "low", "wide"), runs_each=3)
    reversed_ = replace(
        before,
        differences=tuple(replace(d, resolved=not d.resolved) for d in before.differences),
    )
    opening = report_parts(Section(estimate=now, previous=reversed_))[0]
    assert opening.id == "changes"
    said = repr(opening)
    assert "added 3 runs" in said
    for d in now.differences:
        if d.reference == now.reference:
            assert ("now resolved" if d.resolved else "no longer resolved") in said


def test_settings_name_every_value_once_and_where_it_is_from(small: Estimate) -> None:
    from cda.report.closing import again

    settings = {
        "s1": {
            "title": {"value": "Morning (calm)", "source": "file"},
            "bike": {
                "mass_kg": {"value": 8.5, "source": "option"},
                "wheel_radius_m": {"value": 0.335, "source": "default"},
            },
        }
    }
    said = repr(again(replace(small, settings=settings), None))
    assert "from option: mass_kg 8.5 · defaults: wheel_radius_m 0.335" in said
    assert "from file: title Morning (calm)" in said


def test_a_number_stays_with_its_unit() -> None:
    assert tied("saves 0.6 min (95 %) ± 0.003 m²") == (
        "saves 0.6\u00a0min (95\u00a0%) ±\u00a00.003\u00a0m²"
    )
    assert tied("4 minutes, 3 women") == "4 minutes, 3 women"


def test_text_and_accent_reach_contrast_aa_in_both_schemes() -> None:
    # WCAG 2.1, relative luminance and contrast ratio; AA asks for 4.5 for body text.
    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for scheme in re.findall(r":root\{(--ink[^}]*)\}?", eight_page()):
        colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", scheme))
        for text in ("ink", "muted", "accent"):
            for ground in ("paper", "wash"):
                low, high = sorted(luminance(colours[k]) for k in (text, ground))
                assert (high + 0.05) / (low + 0.05) >= 4.5, (text, ground)

"""A ride through every command, and what happens when something in its folder is wrong."""

import csv
import gzip
import json
import re
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cda.cli import main
from cda.simulate import PRESETS, simulate_session, write_session

RACE = 'name = "Lakeside"\ndistance_km = 90.0\npower_w = 200.0\npower_sd_w = 5.0\n'


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


def last_line(shown: Result) -> str:
    return shown.stderr.strip().splitlines()[-1]


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two positions, three runs each, on a calm morning."""
    scenario = replace(PRESETS["calm"], n_positions=2, runs_per_position=3, leg_length_m=1000.0)
    folder = tmp_path_factory.mktemp("ridden") / "morning"
    write_session(simulate_session(scenario, 11), folder, format="csv")
    (folder.parent / "race.toml").write_text(RACE)
    return folder


@pytest.fixture
def folder(ridden: Path, tmp_path: Path) -> Path:
    """Return a copy to spoil."""
    return Path(shutil.copytree(ridden, tmp_path / "morning"))


def edit(path: Path, pattern: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    changed = re.sub(pattern, new, text, count=1, flags=re.MULTILINE)
    assert changed != text, f"{pattern} is not in {path.name}"
    path.write_text(changed, encoding="utf-8")


def change_sheet(folder: Path, row: int, **columns: str) -> None:
    path = folder / "runs.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = list(dict.fromkeys((*rows[0], *columns)))
    rows[row].update(columns)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(rows)


def change_ride(folder: Path, drop: set[str]) -> None:
    path = folder / "ride.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = [n for n in rows[0] if n not in drop]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


# --- the line from a ride to a page


def test_check_lists_the_runs_and_says_what_is_next(ridden: Path) -> None:
    shown = cda("check", ridden)
    assert shown.exit_code in (0, 3)
    assert last_line(shown).startswith("Next: ")
    document = json.loads(cda("check", ridden, "--json").stdout)
    assert document["kind"] == "check"
    assert len(document["runs"]) == 6


def test_fit_gives_the_truth_within_four_standard_errors(ridden: Path) -> None:
    shown = cda("fit", ridden, "--json")
    assert shown.exit_code in (0, 3)
    document = json.loads(shown.stdout)
    assert document["kind"] == "estimate"
    truth = json.loads((ridden / "truth.json").read_text())["cda_m2"]
    for position in document["positions"]:
        assert abs(position["cda_m2"] - truth[position["id"]]) < 4.0 * position["se_m2"]
    assert last_line(shown).startswith("Next: cda report ")


def test_fit_prints_the_table_on_stdout_and_only_words_to_the_user_on_stderr(ridden: Path) -> None:
    shown = cda("fit", ridden)
    assert "interval (95 %)" in shown.stdout
    assert "interval (95 %)" not in shown.stderr
    assert "Next:" not in shown.stdout


def test_a_lower_level_gives_a_narrower_interval(ridden: Path) -> None:
    def width(level: str) -> float:
        document = json.loads(cda("fit", ridden, "--json", "--level", level).stdout)
        assert document["level"] == float(level)
        low, high = document["positions"][0]["interval_m2"]
        return float(high - low)

    assert width("0.8") < width("0.95")


def test_set_changes_the_result_and_is_listed(ridden: Path) -> None:
    plain = json.loads(cda("fit", ridden, "--json").stdout)
    # Crr +0.0005 lowers CdA by about 0.0058 m² at 11 m/s and 85 kg (closed form
    # 2 m g dCrr / (rho v²)), by more at these speeds; the data hardly move it.
    crr = plain["sessions"][0]["rolling_resistance"]["value"]
    heavier = json.loads(
        cda("fit", ridden, "--json", "--set", f"bike.rolling_resistance={crr + 0.0005}").stdout
    )
    change = heavier["positions"][0]["cda_m2"] - plain["positions"][0]["cda_m2"]
    assert -0.012 < change < -0.002
    assert "option" in json.dumps(heavier["settings"])


def test_race_prints_minutes_in_order(ridden: Path) -> None:
    race = ridden.parent / "race.toml"
    document = json.loads(cda("race", ridden, "--race", race, "--json").stdout)
    assert document["kind"] == "savings"
    own = {p["id"]: p["saved_s"] for p in document["positions"]}
    assert own[document["reference"]] == 0.0
    faster = json.loads(
        cda("race", ridden, "--race", race, "--json", "--set", "power_w=260").stdout
    )
    assert faster["race"]["power_w"] == 260.0
    assert faster["positions"][0]["time_s"] < document["positions"][0]["time_s"]


def test_race_without_a_session_needs_masses_and_says_so(ridden: Path) -> None:
    race = ridden.parent / "race.toml"
    words = ("race", "--race", race, "--cda", "tall=0.276", "--cda", "low=0.262")
    shown = cda(*words)
    assert shown.exit_code == 1
    assert "mass_kg" in shown.stderr
    masses = ("--set", "rider.mass_kg=74", "--set", "bike.mass_kg=10")
    document = json.loads(cda(*words, *masses, "--json").stdout)
    assert {p["id"] for p in document["positions"]} == {"tall", "low"}
    assert document["reference"] == "tall"


def test_report_is_one_page_and_never_overwrites_a_stranger_s(ridden: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    words = ("report", ridden, "--race", ridden.parent / "race.toml", "--out", page)
    shown = cda(*words, "--csv", tmp_path)
    assert shown.exit_code in (0, 3)
    html = page.read_text(encoding="utf-8")
    assert "cda-field-test" in html[:8192]
    assert (tmp_path / "result_positions.csv").is_file()
    assert cda(*words).exit_code in (0, 3)  # ours: written again
    assert page.read_text(encoding="utf-8") == html  # and the same bytes
    page.write_text("mine")
    assert cda(*words).exit_code == 1
    assert page.read_text() == "mine"


def test_simulate_makes_a_folder_that_fit_reads_and_keeps_a_full_one(tmp_path: Path) -> None:
    shown = cda("simulate", "--out", tmp_path / "demo", "--preset", "calm", "--seed", "3")
    assert shown.exit_code == 0
    assert (tmp_path / "demo" / "truth.json").is_file()
    assert last_line(shown) == f"Next: cda fit {tmp_path / 'demo'}"
    assert cda("simulate", "--out", tmp_path).exit_code == 1


def test_no_output_holds_a_coordinate(ridden: Path) -> None:
    with (ridden / "ride.csv").open(encoding="utf-8") as file:
        first = next(csv.DictReader(file))
    places = {first["latitude_deg"][:7], first["longitude_deg"][:8]}
    shown = [
        cda("check", ridden).output,
        cda("check", ridden / "ride.csv", "--json").output,
        cda("fit", ridden, "--json").output,
    ]
    for text in shown:
        assert not any(place in text for place in places)


def test_match_fills_empty_rows_and_keeps_the_old_sheet(folder: Path) -> None:
    for index in range(6):
        change_sheet(folder, index, laps="", start="", end="")
    old = (folder / "runs.csv").read_text(encoding="utf-8")
    shown = cda("check", folder, "--match")
    assert shown.exit_code in (0, 3), shown.output
    assert (folder / "runs.csv.old").read_text(encoding="utf-8") == old
    document = json.loads(cda("fit", folder, "--json").stdout)
    assert [r["used"] for r in document["runs"]] == [True] * 6


def test_match_asks_and_changes_nothing_where_passes_and_runs_differ(folder: Path) -> None:
    for index in range(6):
        change_sheet(folder, index, laps="", start="", end="")
    change_sheet(folder, 5, use="no")  # ridden, but not on the sheet as a run to fill
    old = (folder / "runs.csv").read_text(encoding="utf-8")
    shown = cda("check", folder, "--match")
    assert shown.exit_code == 3
    assert "?" in shown.stderr
    assert (folder / "runs.csv").read_text(encoding="utf-8") == old
    solved = cda("check", folder, "--match", "--spoiled", "11", "--spoiled", "12")
    assert "5 rows of runs.csv filled" in solved.stderr


def test_match_asks_on_a_terminal_and_nothing_typed_leaves_the_sheet(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for index in range(6):
        change_sheet(folder, index, laps="", start="", end="")
    change_sheet(folder, 5, use="no")
    old = (folder / "runs.csv").read_text(encoding="utf-8")
    monkeypatch.setattr("cda.cli.check.on_terminal", lambda: True)
    words = ["check", str(folder), "--match"]
    shown = CliRunner().invoke(main, words, input="\n\n")
    assert shown.exit_code == 3
    assert (folder / "runs.csv").read_text(encoding="utf-8") == old
    # Two passes of a run set aside; "x" is asked again; nothing more to correct.
    shown = CliRunner().invoke(main, words, input="x\n11, 12\n\n\n\n")
    assert "5 rows of runs.csv filled" in shown.stderr, shown.output
    assert "Passes to leave out" not in shown.stdout


def test_two_typed_corrections_for_a_run_ridden_again_and_one_skipped(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Run 2 was ridden twice and run 5 not at all, no lap pressed: passes and rows come out even.
    for index in range(6):
        change_sheet(folder, index, laps="", start="", end="")
    legs = json.loads((folder / "truth.json").read_text())["legs"]
    monkeypatch.setattr("cda.cli.check.on_terminal", lambda: True)
    words = ["check", str(folder), "--match"]
    shown = CliRunner().invoke(main, words, input="3, 4\n5\n\n\n")
    assert "5 rows of runs.csv filled" in shown.stderr, shown.output
    assert re.search(r"pass +3 .* left out", shown.stderr)
    with (folder / "runs.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with (folder / "ride.csv").open(newline="", encoding="utf-8") as file:
        begun = datetime.fromisoformat(next(csv.DictReader(file))["time"])
    ridden = {1: 1, 2: 3, 3: 4, 4: 5, 6: 6}  # row of the sheet to the run of the simulated ride
    for row in rows:
        number = int(row["run"])
        if number == 5:
            assert not row["start"]
            continue
        start = (datetime.fromisoformat(row["start"]) - begun).total_seconds()
        entry = min(leg["entry_s"] for leg in legs if leg["run"] == ridden[number])
        assert abs(start - entry) < 40.0
    # A complete sheet: the passes are the runs' that have them, and nothing is asked.
    again = CliRunner().invoke(main, [*words, "--spoiled", "3", "--spoiled", "4", "--skipped", "5"])
    assert "on the sheet already" in again.stderr
    assert "filled already" in again.stderr


def test_an_open_question_of_match_is_a_finding_in_json(folder: Path) -> None:
    for index in range(1, 6):
        change_sheet(folder, index, laps="", start="", end="")
    change_sheet(folder, 5, use="no")
    shown = cda("check", folder, "--match", "--json")
    assert shown.exit_code == 3
    findings = json.loads(shown.stdout)["findings"]
    assert findings[0]["code"] == "runs-not-matched"
    assert "which 2 passes are spoiled or extra?" in findings[0]["message"]


def test_guide_names_what_is_missing_and_the_command(folder: Path) -> None:
    assert last_line(cda("guide", folder)) == f"Next: cda fit {folder}"
    edit(folder / "session.toml", r"^mass_kg = .*$", "")
    shown = cda("guide", folder, "--json")
    assert shown.exit_code == 0
    assert "Weigh the rider" in json.loads(shown.stdout)["message"]
    assert cda("guide", folder / "ride.csv").exit_code == 1


def test_make_writes_a_folder_around_the_passes(ridden: Path, tmp_path: Path) -> None:
    shown = cda("check", ridden / "ride.csv", "--make", tmp_path / "made")
    assert shown.exit_code in (0, 3)
    with (tmp_path / "made" / "runs.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 6
    assert all(row["start"] and row["end"] and not row["position"] for row in rows)


# --- bad input: one clear error and status 1


def refused(folder: Path, *words: str) -> None:
    for command in ("fit", "fit --json"):
        shown = cda(*command.split(), folder)
        assert shown.exit_code == 1, shown.output
        assert "Traceback" not in shown.stderr
        for word in words:
            assert word in shown.stderr
        assert "To fix:" in shown.stderr or "->" in shown.stderr


def test_no_power(folder: Path) -> None:
    change_ride(folder, {"power_w"})
    refused(folder, "power")


def test_neither_speed_nor_distance(folder: Path) -> None:
    change_ride(folder, {"speed_m_s", "distance_m"})
    refused(folder, "speed", "distance")


@pytest.mark.parametrize("content", [b"", b"\x0e\x10\x00\x00\x00\x10\x00\x00.FIT\x00\x00"])
def test_a_fit_file_with_nothing_usable(folder: Path, content: bytes) -> None:
    (folder / "ride.csv").unlink()
    (folder / "ride.fit").write_bytes(content)
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(text.replace("ride.csv", "ride.fit"), encoding="utf-8")
    refused(folder, "ride.fit")


def test_a_lap_that_is_not_there(folder: Path) -> None:
    change_sheet(folder, 2, laps="99")
    refused(folder, "99", "run")


def test_a_position_that_is_not_there(folder: Path) -> None:
    change_sheet(folder, 2, position="sideways")
    refused(folder, "sideways", "position-a")


def test_both_laps_and_times(folder: Path) -> None:
    change_sheet(folder, 2, start="06:45", end="06:50")
    refused(folder, "both laps and times")


def test_two_reference_positions(folder: Path) -> None:
    text = (folder / "session.toml").read_text(encoding="utf-8")
    text = re.sub(r"^#? ?reference = .*\n", "", text, flags=re.MULTILINE)
    text = re.sub(r'^(id = "position-.")', r"\1\nreference = true", text, flags=re.MULTILINE)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    refused(folder, "reference")


@pytest.mark.parametrize("mass", ["7.2", "720"])
def test_a_mass_that_is_none(folder: Path, mass: str) -> None:
    edit(folder / "session.toml", r"(\[rider\][^\[]*?)^mass_kg = .*$", rf"\g<1>mass_kg = {mass}")
    refused(folder, "mass_kg", mass)


@pytest.mark.parametrize("temperature", ["287.0", "57.0"])
def test_a_temperature_in_kelvin_or_fahrenheit(folder: Path, temperature: str) -> None:
    edit(folder / "session.toml", r"^temperature_c = .*$", f"temperature_c = {temperature}")
    refused(folder, "temperature_c", temperature.removesuffix(".0"))


def test_all_runs_in_one_direction(folder: Path) -> None:
    document = json.loads(cda("check", folder, "--json").stdout)
    out = {leg["run"]: leg for leg in document["legs"] if leg["leg"] == "out"}
    path = folder / "ride.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:  # no position: a turn would still show, so only the way out is kept
        row["lap"] = "0"
    start = rows[0]["time"]

    def at(second: float) -> str:
        return (datetime.fromisoformat(start) + timedelta(seconds=second)).isoformat()

    for index in range(6):
        leg = out[index + 1]
        change_sheet(
            folder, index, laps="",
            start=at(leg["start_s"] - 8), end=at(leg["start_s"] + leg["duration_s"] + 4),
        )  # fmt: skip
    shown = cda("fit", folder)
    assert shown.exit_code == 1
    assert "direction" in shown.stderr
    assert cda("check", folder).exit_code == 3


# --- an answer with a warning: status 3


def test_sea_level_pressure_given_as_station_pressure(folder: Path) -> None:
    path = folder / "ride.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row["altitude_m"] = f"{float(row['altitude_m']) + 400.0:.1f}"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    shown = cda("fit", folder)
    assert shown.exit_code == 3
    assert "sea level" in shown.output or "sea-level" in shown.output


def test_a_position_with_a_single_run(folder: Path) -> None:
    with (folder / "runs.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    own = [i for i, row in enumerate(rows) if row["position"] == "position-b"]
    for index in own[1:]:
        change_sheet(folder, index, use="no")
    shown = cda("fit", folder)
    assert shown.exit_code == 3
    assert "position-b" in shown.stdout


def test_a_gzipped_recording_gives_the_same_numbers(folder: Path) -> None:
    plain = json.loads(cda("fit", folder, "--json").stdout)
    data = (folder / "ride.csv").read_bytes()
    (folder / "ride.csv").unlink()
    (folder / "ride.csv.gz").write_bytes(gzip.compress(data, mtime=0))
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(
        text.replace('"ride.csv"', '"ride.csv.gz"'), encoding="utf-8"
    )
    packed = json.loads(cda("fit", folder, "--json").stdout)
    assert packed["positions"] == plain["positions"]

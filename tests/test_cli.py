"""The command line: help, exit status, JSON, where things are printed, what may be overwritten."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cda.cli import COMMANDS, main

HEAVY = {"numpy", "scipy", "pandas", "matplotlib", "pydantic", "lmfit", "jinja2", "fitdecode"}


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


def run(*words: object, **options: object) -> subprocess.CompletedProcess[str]:
    code = "from cda.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        check=False,
        capture_output=True,
        text=True,
        encoding="utf-8",
        **options,  # type: ignore[call-overload]
    )


def modules_after(*words: str) -> set[str]:
    code = (
        "import sys\nfrom cda.cli import main\n"
        f"try: main({list(words)!r})\n"
        "except SystemExit: print('|', *sorted({m.split('.')[0] for m in sys.modules}))"
    )
    shown = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, check=True)
    return set(shown.stdout.rpartition("|")[2].split())


def test_help_imports_no_heavy_package() -> None:
    loaded = modules_after("--help")
    assert "click" in loaded
    assert not loaded & HEAVY


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_imports_no_heavy_package_and_has_an_example(command: str) -> None:
    assert not modules_after(command, "--help") & HEAVY
    shown = cda(command, "--help")
    assert shown.exit_code == 0
    assert "Example" in shown.stdout
    assert f"cda {command} " in shown.stdout.replace("Usage: cda", "")


@pytest.mark.parametrize(("asked", "given"), [(None, "1"), ("3", "3")])
def test_linear_algebra_uses_one_thread_unless_the_user_says_how_many(
    asked: str | None, given: str
) -> None:
    code = (
        "import os, sys\nfrom cda.cli import main\nassert 'numpy' not in sys.modules\n"
        "try: main(['air', '--help'])\n"
        "except SystemExit: print('|', os.environ.get('OPENBLAS_NUM_THREADS'))"
    )
    clean = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    env = clean if asked is None else clean | {"OPENBLAS_NUM_THREADS": asked}
    shown = subprocess.run(
        [sys.executable, "-c", code], text=True, capture_output=True, check=True, env=env
    )
    assert shown.stdout.rpartition("|")[2].strip() == given


def test_help_lists_every_command_in_the_order_of_the_job() -> None:
    shown = cda("--help").stdout
    places = [shown.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert "pip install" not in shown


def test_version_is_printed() -> None:
    assert cda("--version").stdout.startswith("cda 0.")


@pytest.mark.parametrize(
    "words",
    [
        ["no-such-command"],
        ["fit"],
        ["fit", "x", "--level", "95"],
        ["fit", "x", "--set", "rider.mass_kg"],
        ["air", "--temperature-c", "20"],
        ["air", "--temperature-c", "20", "--sea-level-pressure-hpa", "1013"],
        ["race", "--race", "x.toml"],
        ["race", "--race", "x.toml", "--cda", "tall=27"],
        ["race", "--race", "x.toml", "--cda", "tall"],
        ["race", "s", "--race", "x.toml", "--cda", "tall=0.27"],
        ["race", "--race", "x.toml", "--cda", "a=0.27", "--cda", "a=0.28"],
        ["check", "ride.csv", "--column", "power_w"],
        ["simulate"],
        ["schema", "everything"],
    ],
)
def test_wrong_usage_is_status_2_and_prints_nothing_on_stdout(words: list[str]) -> None:
    shown = cda(*words)
    assert shown.exit_code == 2
    assert shown.stdout == ""
    assert "Usage: cda" in shown.stderr


@pytest.mark.parametrize("command", ["fit", "check"])
def test_a_missing_folder_is_an_error_the_user_can_mend(command: str, tmp_path: Path) -> None:
    shown = cda(command, tmp_path / "nowhere")
    assert shown.exit_code == 1
    assert shown.stdout == ""
    assert "nowhere" in shown.stderr
    assert "To fix:" in shown.stderr
    assert shown.stderr.strip().splitlines()[-1].startswith("Next: ")


def test_an_error_as_json_is_one_document_of_what_where_and_fix(tmp_path: Path) -> None:
    shown = cda("fit", tmp_path / "nowhere", "--json")
    assert shown.exit_code == 1
    document = json.loads(shown.stdout)
    assert document["kind"] == "error"
    assert document["schema"] == 1
    assert all(document[key] for key in ("what", "where", "fix"))


def test_our_own_fault_is_status_70_with_its_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_args: object, **_kwargs: object) -> None:
        raise ZeroDivisionError("a fault on purpose")

    monkeypatch.setattr("cda.air.air_density_with_uncertainty", broken)
    shown = cda("air", "--temperature-c", "20", "--pressure-hpa", "1013", "--json")
    assert shown.exit_code == 70
    assert "Traceback" in shown.stderr
    assert "ZeroDivisionError: a fault on purpose" in shown.stderr
    assert json.loads(shown.stdout)["kind"] == "error"


def test_a_refusal_of_the_system_is_an_error_and_not_a_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def full(*_args: object, **_kwargs: object) -> None:
        raise OSError(28, "No space left on device", "page.html")

    monkeypatch.setattr("cda.air.air_density_with_uncertainty", full)
    shown = cda("air", "--temperature-c", "20", "--pressure-hpa", "1013")
    assert shown.exit_code == 1
    assert "page.html: No space left on device" in shown.stderr


def test_ctrl_c_is_told_without_a_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_args: object, **_kwargs: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("cda.air.air_density_with_uncertainty", stopped)
    shown = cda("air", "--temperature-c", "20", "--pressure-hpa", "1013")
    assert shown.exit_code == 130
    assert "Traceback" not in shown.stderr


def test_air_density_of_the_standard_atmosphere() -> None:
    # U.S. Standard Atmosphere 1976, table I, altitude 0: 1.2250 kg/m³ dry; the tool's CIPM-2007
    # differs by its compressibility (0.04 %) and its molar mass.
    words = ("air", "--temperature-c", "15", "--pressure-hpa", "1013.25", "--humidity", "0")
    shown = cda(*words)
    assert shown.exit_code == 0
    assert float(shown.stdout.split()[2]) == pytest.approx(1.2250, rel=5e-4)
    document = json.loads(cda(*words, "--json").stdout)
    assert document["se_kg_m3"] is None  # no sd was given: unknown, not zero


def test_air_density_uncertainty_is_the_ideal_gas_s() -> None:
    # rho ~ p/T: 0.5 K of 288.15 K is 0.1735 % of 1.2250 kg/m³.
    words = ("air", "--temperature-c", "15", "--pressure-hpa", "1013.25", "--humidity", "0")
    document = json.loads(cda(*words, "--temperature-sd-c", "0.5", "--json").stdout)
    assert document["se_kg_m3"] == pytest.approx(1.2250 * 0.5 / 288.15, rel=0.01)


def test_sea_level_pressure_is_brought_to_the_road() -> None:
    # U.S. Standard Atmosphere 1976, table I: 898.76 hPa at 1000 m (geopotential 999.84 m).
    shown = cda(
        "air", "--temperature-c", "8.5", "--sea-level-pressure-hpa", "1013.25",
        "--elevation-m", "1000", "--json",
    )  # fmt: skip
    assert json.loads(shown.stdout)["pressure_hpa"] == pytest.approx(898.76, abs=0.3)


@pytest.mark.parametrize("what", ["session", "race", "results"])
def test_schema_is_a_table_and_a_json_schema(what: str) -> None:
    table = cda("schema", what)
    assert table.exit_code == 0
    document = json.loads(cda("schema", what, "--json").stdout)
    assert document["properties"]
    key = {"session": "rider.mass_kg", "race": "power_w", "results": "Estimate.level"}[what]
    assert any(line.startswith(key) for line in table.stdout.splitlines())


def test_text_is_utf_8_in_a_locale_that_is_not() -> None:
    plain = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "PYTHONUTF8"))}
    done = run(
        "air", "--temperature-c", "15", "--pressure-hpa", "1000",
        env=plain | {"LC_ALL": "POSIX", "PYTHONIOENCODING": "latin-1"},
    )  # fmt: skip
    assert done.returncode == 0
    assert "kg/m³" in done.stdout


def test_a_reader_that_goes_away_leaves_no_traceback() -> None:
    code = "from cda.cli import main; main(['schema', 'session'])"
    shell = f'"{sys.executable}" -c "{code}" 2>err | true; cat err; rm err'
    done = subprocess.run(
        ["bash", "-c", f"cd $(mktemp -d) && {shell}"], capture_output=True, text=True, check=True,
        env=os.environ | {"PYTHONPATH": os.getcwd()},
    )  # fmt: skip
    assert "Traceback" not in done.stdout
    assert "BrokenPipe" not in done.stdout

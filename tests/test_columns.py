"""A CSV with other headings, from the file alone to a test folder that every command reads."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner, Result

from cda.cli import main
from cda.errors import SessionError
from cda.session import load_session
from cda.session.write import session_toml
from cda.simulate import PRESETS, simulate_session, write_session

if TYPE_CHECKING:
    from pathlib import Path

HEADINGS = {"power_w": "Left + right", "speed_m_s": "v"}


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="module")
def foreign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a ride whose power and speed stand under headings that nobody could guess."""
    folder = tmp_path_factory.mktemp("foreign")
    scenario = replace(PRESETS["calm"], n_positions=2, runs_per_position=2)
    write_session(simulate_session(scenario, 5), folder / "day", format="csv")
    text = (folder / "day" / "ride.csv").read_text(encoding="utf-8")
    head, rest = text.split("\n", 1)
    for channel, heading in HEADINGS.items():
        head = head.replace(channel, heading)
    (folder / "export.csv").write_text(f"{head}\n{rest}", encoding="utf-8")
    return folder


def test_make_keeps_the_headings_and_the_folder_is_read(foreign: Path) -> None:
    named = [w for c, h in HEADINGS.items() for w in ("--column", f"{c}={h}")]
    plain = cda("check", foreign / "export.csv")
    assert plain.exit_code == 1
    assert "--column power_w=" in plain.stderr
    made = foreign / "made"
    shown = cda("check", foreign / "export.csv", "--make", made, *named)
    assert shown.exit_code in (0, 3), shown.output
    data = tomllib.loads((made / "session.toml").read_text(encoding="utf-8"))
    assert data["columns"] == HEADINGS
    text = (made / "session.toml").read_text(encoding="utf-8")
    for line in ("mass_kg", "id"):
        assert f"# {line} = " in text
    text = text.replace("# mass_kg = ", "mass_kg = 74.0 #", 1).replace(
        "# mass_kg = ", "mass_kg = 9.8 #", 1
    )
    text = text[: text.index("[[positions]]")] + '[[positions]]\nid = "tall"\n'
    (made / "session.toml").write_text(text, encoding="utf-8")
    with (made / "runs.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4
    with (made / "runs.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows([row | {"position": "tall"} for row in rows])
    assert cda("fit", made).exit_code in (0, 3)
    own = load_session(foreign / "day").recordings[0]
    other = load_session(made).recordings[0]
    assert np.array_equal(own.power_w, other.power_w)
    assert np.array_equal(own.speed_m_s, other.speed_m_s)
    # Found as a recording of the folder by its heading, without being named.
    (made / "session.toml").write_text(text.replace("recordings = ", "# recordings = "))
    assert load_session(made).recordings[0].name == "export.csv"


def test_a_heading_can_be_given_for_a_folder(foreign: Path) -> None:
    day = foreign / "day"
    (day / "ride.csv").write_bytes((foreign / "export.csv").read_bytes())
    assert cda("fit", day).exit_code == 1
    named = [w for c, h in HEADINGS.items() for w in ("--column", f"{c}={h}")]
    assert cda("check", day, *named).exit_code in (0, 3)
    set_them = [w for c, h in HEADINGS.items() for w in ("--set", f"columns.{c}={h}")]
    assert cda("fit", day, *set_them).exit_code in (0, 3)
    with pytest.raises(SessionError, match="did you mean 'power_w'"):
        load_session(day, overrides={"columns.power": "x"})


def test_without_headings_the_file_only_hints_at_them() -> None:
    text = session_toml({"title": "plain"})
    assert "columns" not in tomllib.loads(text)
    assert "# columns = " in text

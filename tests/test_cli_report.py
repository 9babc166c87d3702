from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from cda.cli import main
from cda.simulate import Scenario, simulate_session, write_session

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Return a second day, a first day, and one of another rider, in this order."""
    folder = tmp_path_factory.mktemp("days")
    written = []
    for seed, (name, date) in enumerate(
        (("later", "2026-05-09"), ("earlier", "2026-05-02"), ("other", "2026-05-09"))
    ):
        scenario = Scenario(
            title=f"The {name} day",
            date=date,
            n_positions=2,
            runs_per_position=2,
            position_ids=("tall", "low"),
            gust_sd_m_s=0.2,
            slow_sd_m_s=0.2,
            wind_m_s=0.4,
        )
        write_session(simulate_session(scenario, 40 + seed), folder / name)
        written.append(folder / name)
    sheet = written[2] / "session.toml"
    sheet.write_text(sheet.read_text().replace('id = "rider-1"', 'id = "rider-2"'))
    return tuple(written)


def test_days_are_pooled_by_rider_and_the_page_opens_with_what_the_last_one_changed(
    days: tuple[Path, ...], tmp_path: Path
) -> None:
    out = tmp_path / "page.html"
    words = ["report", *map(str, days), "--out", str(out), "--csv", str(tmp_path / "tables")]
    result = CliRunner().invoke(main, words, standalone_mode=False)
    assert result.exit_code in (0, 3), result.output
    page = out.read_text(encoding="utf-8")
    order = re.findall(r'<h2 class="rider"[^>]*>([^<]+)<|<section [^>]*class="(\w+)"', page)
    assert order[:3] == [("Rider rider-1", ""), ("", "changes"), ("", "answer")]
    second = order.index(("Rider rider-2", ""))
    assert order[second + 1] == ("", "answer")  # one day only: nothing has changed
    assert "The last day (2026-05-09) added 4 runs." in page  # given first, ridden last
    for rider, runs in (("rider-1", 8), ("rider-2", 4)):
        table = (tmp_path / "tables" / rider / "result_runs.csv").read_text()
        assert len(table.splitlines()) == 1 + runs

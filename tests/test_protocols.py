"""The protocol files: whole, in our units, with their cautions, found in checkout and wheel."""

import tomllib
from pathlib import Path

import pytest

from cda._data import data_folder

FILES = sorted(data_folder("protocols").glob("*.toml"))
KEYS = {
    "id",
    "title",
    "purpose",
    "course",
    "length_m",
    "run_out_m",
    "runs_per_position",
    "road",
    "weather",
    "equipment",
    "run",
    "spoils",
    "write_down",
    "cautions",
    "order",
}


def test_the_four_protocols_are_there() -> None:
    expected = {"out-and-back", "out-and-back-short", "closed-loop", "indoor-track"}
    assert {p.stem for p in FILES} == expected


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_a_protocol_has_every_part(path: Path) -> None:
    protocol = tomllib.loads(path.read_text(encoding="utf-8"))
    assert protocol["id"] == path.stem
    own = {"run_out_m"} if protocol["course"] == "out-and-back" else {"laps_per_run"}
    assert set(protocol) >= (KEYS - {"run_out_m"}) | own
    low, high = protocol["length_range_m"]
    assert low <= protocol["length_m"] <= high


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_a_protocol_carries_the_cautions(path: Path) -> None:
    text = " ".join(tomllib.loads(path.read_text(encoding="utf-8"))["cautions"])
    for words in (
        "no medical",
        "See ahead at all times",
        "Stop on pain",
        "Not in low sun",
        "bolts",
    ):
        assert words in text

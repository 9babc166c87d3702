"""Files are written whole or not at all, and never over somebody else's."""

from pathlib import Path

import pytest

from cda.cli.files import refuse_full_folder, write_file
from cda.errors import OutputError

PAGE = '<html><meta name="generator" content="cda-field-test">'


def test_a_new_file_is_written(tmp_path: Path) -> None:
    write_file(tmp_path / "page.html", PAGE)
    assert (tmp_path / "page.html").read_text() == PAGE
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]  # no scratch file is left


def test_a_file_that_we_made_is_written_again(tmp_path: Path) -> None:
    write_file(tmp_path / "page.html", PAGE)
    write_file(tmp_path / "page.html", PAGE + "new")
    assert (tmp_path / "page.html").read_text().endswith("new")


def test_a_stranger_s_file_is_kept_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("<html>my own page</html>")
    with pytest.raises(OutputError, match="did not make") as caught:
        write_file(path, PAGE)
    assert "--force" in caught.value.fix
    assert path.read_text() == "<html>my own page</html>"
    write_file(path, PAGE, force=True)
    assert path.read_text() == PAGE


def test_a_table_is_ours_by_its_name_and_header(tmp_path: Path) -> None:
    path = tmp_path / "result_runs.csv"
    path.write_text("run,cda_m2\n1,0.28\n")
    write_file(path, "run,cda_m2\n1,0.29\n")
    path.write_text("name,salary\nA,1\n")
    with pytest.raises(OutputError):
        write_file(path, "run,cda_m2\n1,0.29\n")


def test_a_folder_in_the_way_and_a_missing_folder_are_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="is a folder"):
        write_file(tmp_path, PAGE)
    with pytest.raises(OutputError, match="there is no folder"):
        write_file(tmp_path / "no" / "page.html", PAGE)


def test_a_folder_with_something_in_it_is_kept_unless_it_is_ours(tmp_path: Path) -> None:
    refuse_full_folder(tmp_path / "new", ours="truth.json")
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="not empty"):
        refuse_full_folder(tmp_path, ours="truth.json")
    refuse_full_folder(tmp_path, ours="truth.json", force=True)
    (tmp_path / "truth.json").write_text("{}")
    refuse_full_folder(tmp_path, ours="truth.json")

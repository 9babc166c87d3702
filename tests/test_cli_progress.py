from __future__ import annotations

import io
from typing import TYPE_CHECKING

from cda.cli.progress import steps

if TYPE_CHECKING:
    import pytest


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def taken(monkeypatch: pytest.MonkeyPatch, stream: io.StringIO) -> str:
    monkeypatch.setattr("sys.stderr", stream)
    with steps(3) as begin:
        for what in ("reading the ride", "estimating", "drawing the page"):
            begin(what)
            if stream.isatty():
                assert what in stream.getvalue().splitlines()[-1]
    return stream.getvalue()


def test_a_terminal_is_told_what_is_done_now(monkeypatch: pytest.MonkeyPatch) -> None:
    said = taken(monkeypatch, Terminal())
    assert said.index("reading the ride") < said.index("estimating") < said.index("drawing")


def test_nothing_is_said_where_standard_error_is_no_terminal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert taken(monkeypatch, io.StringIO()) == ""

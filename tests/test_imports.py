"""A room imports only rooms that stand above it, also for type checkers."""

import ast
from pathlib import Path

import pytest

import cda

PACKAGE = Path(cda.__file__).parent
# The rooms in the order of the job; geodesy is the ellipsoid that several of them stand on.
ORDER = (
    "_data",
    "errors",
    "results",
    "air",
    "forces",
    "geodesy",
    "recording",
    "readers",
    "sensors",
    "passes",
    "session",
    "legs",
    "elevation",
    "estimation",
    "precision",
    "budget",
    "comparison",
    "checks",
    "analysis",
    "course",
    "integration",
    "race",
    "ledger",
    "priority",
    "plan",
    "simulate",
    "archive",
    "figures",
    "report",
    "cli",
)


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> set[str]:
    rooms: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            rooms |= {a.name.split(".")[1] for a in node.names if a.name.startswith("cda.")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            if node.module == "cda":
                rooms |= {a.name for a in node.names if a.name != "__version__"}
            elif node.module and node.module.startswith("cda."):
                rooms.add(node.module.split(".")[1])
    return rooms


def test_every_room_is_in_the_list() -> None:
    assert {room_of(p) for p in modules()} <= set(ORDER)


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_above_it(path: Path) -> None:
    own = ORDER.index(room_of(path))
    below = {r for r in imported_rooms(path) if r in ORDER and ORDER.index(r) > own}
    unknown = imported_rooms(path) - set(ORDER)
    assert not below, f"{path.relative_to(PACKAGE)} imports {sorted(below)}, which stand below it"
    assert not unknown, f"{path.relative_to(PACKAGE)} imports {sorted(unknown)}"


def test_lmfit_lives_in_estimation_alone() -> None:
    users = {
        room_of(p)
        for p in modules()
        for node in ast.walk(ast.parse(p.read_text(encoding="utf-8")))
        if (isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "lmfit")
        or (
            isinstance(node, ast.Import)
            and any(a.name.split(".")[0] == "lmfit" for a in node.names)
        )
    }
    assert users <= {"estimation"}


def test_no_file_is_longer_than_450_lines() -> None:
    long = {
        str(p.relative_to(PACKAGE)): n
        for p in modules()
        if (n := len(p.read_text(encoding="utf-8").splitlines())) > 450
    }
    assert not long

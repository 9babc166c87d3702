"""Single cells of a run sheet, in the many ways that riders and spreadsheets write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.session.models import PositionSettings

YES: Final = frozenset(
    ("", "yes", "y", "true", "1", "1.0", "1,0", "x", "ok", "✓", "✔", "ja", "j", "wahr", "oui",
     "vrai", "sim", "verdadeiro", "si", "sí", "vero", "verdadero")
)  # fmt: skip
NO: Final = frozenset(
    ("no", "n", "false", "0", "0.0", "0,0", "nein", "falsch", "non", "faux", "não", "nao", "falso")
)
NOTHING: Final = frozenset(("-", "–", "—", "--", "n/a", "na", "none", "nil", "?", "."))

_TO: Final = r"(?:\s*(?:-|–|—|\.\.+|…)\s*|\s+(?:to|bis|until|till|through|à|a)\s+)"
_AND: Final = r"(?:\s*[+,;/&|]\s*|\s+(?:and|und|et|e|y)\s+|\s+)"
_MONTHS: Final = (
    "jan", "feb", "mar|mär|mrz|mae", "apr|abr|avr", "may|mai|mag", "jun|juin|giu", "jul|juil|lug",
    "aug|ago|aoû|aou", "sep|set", "oct|okt|out|ott", "nov", "dec|dez|déc|dic",
)  # fmt: skip


class CellProblemError(ValueError):
    """A cell that cannot be read; text and fix for the row's message."""

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(problem)
        self.problem, self.fix = problem, fix


@dataclass(frozen=True, slots=True, kw_only=True)
class Laps:
    """Laps of one run: one lap a leg, or (`through`) one stay from the first lap to the last.

    `read_as` says what was made of a cell that a spreadsheet had changed.
    """

    numbers: tuple[int, ...]
    through: bool = False
    read_as: str | None = None


def without_dash(written: str) -> str:
    """Return a cell without what a rider writes for nothing, and without a leading apostrophe."""
    text = written.strip().lstrip("'").strip()
    return "" if text.lower() in NOTHING else text


def read_run_number(written: str) -> int | None:
    """Return the number of a run, None where there is none."""
    if not written:
        return None
    match = re.fullmatch(r"(?:run\s*)?#?(\d{1,6})(?:[.,]0*)?", written, re.IGNORECASE)
    if not match:
        raise CellProblemError(f"run {written!r} is not a number", "number the runs 1, 2, 3 ...")
    return int(match.group(1))


def run_numbers(written: Sequence[str]) -> list[int | CellProblemError]:
    """Return the number of each row; a row added by hand without one gets the next free number."""
    numbers: list[int | CellProblemError | None] = []
    for text in written:
        try:
            numbers.append(read_run_number(text))
        except CellProblemError as error:
            numbers.append(error)
    last = max((n for n in numbers if isinstance(n, int)), default=0)
    answer: list[int | CellProblemError] = []
    for number in numbers:
        if number is None:
            last += 1
        answer.append(last if number is None else number)
    return answer


def read_position(written: str, positions: Sequence[PositionSettings]) -> str:
    """Return the id of a position that is written as its id or label, whatever its capitals."""
    ids = [p.id for p in positions]
    if written in ids:
        return written
    if not written:
        raise CellProblemError("no position", f"write one of {', '.join(ids)}")
    plain = " ".join(written.split()).casefold()
    for names in ([p.id for p in positions], [p.label for p in positions]):
        same = [k for k, name in enumerate(names) if " ".join(name.split()).casefold() == plain]
        if len(same) == 1:
            return ids[same[0]]
    close = get_close_matches(written, ids, n=1)
    raise CellProblemError(
        f"position {written!r} is not in session.toml",
        f"did you mean {close[0]!r}?" if close else f"write one of {', '.join(ids)}",
    )


def read_use(written: str) -> bool:
    """Return whether a run is used."""
    if written.casefold() in YES:
        return True
    if written.casefold() in NO:
        return False
    raise CellProblemError(f"use {written!r} is neither yes nor no", "write yes or no")


def read_comfort(written: str) -> float | None:
    """Return the rider's own word, 0 to 10."""
    if not written:
        return None
    match = re.fullmatch(r"(\d{1,2}(?:[.,]\d+)?)\s*(?:/\s*10)?", written)
    value = float(match.group(1).replace(",", ".")) if match else -1.0
    if not 0.0 <= value <= 10.0:
        raise CellProblemError(f"comfort {written!r} is not 0 to 10", "write 0 to 10 or nothing")
    return value


def read_laps(written: str) -> Laps:
    """Return the laps of a run.

    4 and 4.0 are one lap; 4+6, "4, 6", "4;6", "4/6", "4 and 6" are one lap a leg; 4-6 and "4 to 6"
    are one stay from the beginning of lap 4 to the end of lap 6.
    """
    text = re.sub(r"\b(?:laps?|runden?|voltas?|tours?|rounds?)\b\.?|#", "", written, flags=re.I)
    text = re.sub(r"\bl(?=\d)", "", text, flags=re.IGNORECASE).strip().casefold()
    single = re.fullmatch(r"(\d{1,5})(?:[.,]0+)?", text)
    if single:
        return Laps(numbers=(int(single.group(1)),))
    parts = re.fullmatch(rf"(\d{{1,5}}){_TO}(\d{{1,5}})", text)
    if parts:
        first, last = int(parts.group(1)), int(parts.group(2))
        if first >= last:
            raise CellProblemError(
                f"laps {written!r} go backwards", "write 4+6 for one lap a leg, in the order ridden"
            )
        if last - first > 99:
            raise CellProblemError(f"laps {written!r} are too many", "check the numbers")
        return Laps(numbers=tuple(range(first, last + 1)), through=True)
    if re.fullmatch(rf"\d{{1,5}}(?:{_AND}\d{{1,5}})+", text):
        numbers = tuple(int(n) for n in re.findall(r"\d+", text))
        if not _is_a_date(text, numbers):
            return _each_once(written, numbers)
    if re.fullmatch(r"\d{1,2}\.\d{1,2}", text):  # 4,5 as a spreadsheet gives it back
        numbers = tuple(int(n) for n in text.split("."))
        if numbers[0] < numbers[1] <= numbers[0] + 3:
            return _changed(written, numbers)
    made = _from_date(text)
    if made is not None and made[1] == made[0] + 1:
        return _changed(written, made)
    if made is not None or re.search("[a-z]{3}", text):
        fix = "a spreadsheet has made a date of it: write 4+6, and format the column as text"
    else:
        fix = "write 4 (one lap holds the run), 4+6 (one lap a leg) or 4-6 (from lap 4 to lap 6)"
    raise CellProblemError(f"laps {written!r} is not a list of laps", fix)


def _each_once(written: str, numbers: tuple[int, ...]) -> Laps:
    if len(set(numbers)) < len(numbers):
        raise CellProblemError(f"laps {written!r} names a lap twice", "name each lap once")
    return Laps(numbers=numbers)


def _changed(written: str, numbers: tuple[int, ...]) -> Laps:
    shown = "+".join(map(str, numbers))
    return Laps(numbers=numbers, read_as=f"laps {written!r} read as {shown}")


def _is_a_date(text: str, numbers: tuple[int, ...]) -> bool:
    """Return whether a list of numbers has a year in it: 3/4/2026."""
    return "/" in text and len(numbers) == 3 and max(numbers) > 1900


def _from_date(text: str) -> tuple[int, int] | None:
    """Return the two numbers that a spreadsheet has made a date of, the smaller first."""
    gap, year = "[-. /]+", r"(?:(?:19|20)\d{2}|\d{2})"
    named = re.fullmatch(
        rf"(?:(\d{{1,2}}){gap})?([a-zäöüéûç]{{3,9}})\.?(?:{gap}(\d{{1,2}}))?(?:{gap}{year})?", text
    )
    if named:
        months = [k for k, names in enumerate(_MONTHS, 1) if re.match(names, named.group(2))]
        day = named.group(1) or named.group(3)
        if months and day:
            return min(months[0], int(day)), max(months[0], int(day))
    plain = re.fullmatch(
        r"(\d{1,2})[./-](\d{1,2})[./-](?:19|20)\d{2}(?:[ t]00:00(?::00)?)?", text
    ) or re.fullmatch(r"(?:19|20)\d{2}-(\d{1,2})-(\d{1,2})(?:[ t]00:00(?::00)?)?", text)
    if plain:
        one, other = int(plain.group(1)), int(plain.group(2))
        return min(one, other), max(one, other)
    return None


def read_span(written: str) -> tuple[str, str] | None:
    """Return start and end where one cell holds both: 10:23-10:29, "10:23 to 10:29"."""
    between = r"\s*(?:–|—|\bto\b|\bbis\b|\s-\s|(?<=[\dmM])-(?=\d{1,2}[:.h]))\s*"
    parts = re.split(between, written)
    if len(parts) == 2 and all(re.match(r"\d{1,2}[:.h]\d{2}", part) for part in parts):
        return parts[0], parts[1]
    return None

"""XML element by element, through defusedxml: what lies before a break is kept, nothing piles up.

Document types and entities are refused, so that no few bytes can stand for many. No tree is built;
nesting is bounded, and so is the length of one tag, comment or text: memory does not grow with the
file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.errors import RecordingError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

MAX_DEPTH: Final = 60  # an activity file needs twelve
MAX_SILENCE_BYTES: Final = 1 << 20  # bytes without the start or end of any element
_CHUNK_BYTES: Final = 16_384


# A plain tuple, for a ride has hundreds of thousands: local name in lower case (names differ in
# case between programs); name of the element around it, "" at the root; text inside the element,
# stripped, empty at a start; attributes by local name at a start, None at an end.
Step = tuple[str, str, str, "Mapping[str, str] | None"]


class XmlBreakError(Exception):
    """The text stops being XML here; what came before stands.

    `after_end`: the document was already complete, and something else follows it.
    """

    def __init__(self, problem: str, *, after_end: bool = False) -> None:
        super().__init__(problem)
        self.problem, self.after_end = problem, after_end


class _Target:
    """Takes the parser's calls and turns them into steps."""

    def __init__(self, branches: Collection[str]) -> None:
        self.branches = branches
        self.steps: list[Step] = []
        self.path: list[str] = [""]
        self.names: dict[str, str] = {}
        self.text = ""
        self.is_leaf = self.moved = self.ended = False

    def start(self, full_name: str, attributes: Mapping[str, str]) -> None:
        tag = self.names.get(full_name)
        if tag is None:
            tag = self.names[full_name] = _local(full_name)
        if tag in self.branches:
            local = {_local(k): v for k, v in attributes.items()}
            self.steps.append((tag, self.path[-1], "", local))
        self.path.append(tag)
        if len(self.path) > MAX_DEPTH + 1:
            raise XmlBreakError(f"elements are nested more than {MAX_DEPTH} deep")
        self.text = ""
        self.is_leaf = self.moved = True

    def data(self, text: str) -> None:
        if self.is_leaf:
            self.text += text

    def end(self, _full_name: str) -> None:
        tag = self.path.pop()
        if self.is_leaf or tag in self.branches:
            self.steps.append((tag, self.path[-1], self.text.strip(), None))
        self.text = ""
        self.is_leaf = False
        self.moved = True
        self.ended = len(self.path) == 1


def walk(data: bytes, *, name: str, branches: Collection[str]) -> Iterator[Step]:
    """Yield the start and end of every branch asked for, and the end of every leaf.

    Parameters
    ----------
    data : bytes
        The document; its encoding is as it declares.
    name : str
        Of the file, for messages.
    branches : collection of str
        Local names, in lower case, of the elements whose start and end are wanted.

    Raises
    ------
    XmlBreakError
        Where the document breaks off or stops being XML, after the steps before that.
    RecordingError
        If it declares a document type or entities.
    """
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import DefusedXMLParser

    target = _Target(branches)
    parser = DefusedXMLParser(target=target, forbid_dtd=True)
    silent_bytes, broken = 0, None
    # Pieces, so that the steps of one piece are all that waits; the last call closes the document.
    for start in range(0, len(data) + _CHUNK_BYTES, _CHUNK_BYTES):
        piece = data[start : start + _CHUNK_BYTES]
        target.moved = False
        try:
            if piece:
                parser.feed(piece)
            else:
                parser.close()
        except DefusedXmlException as error:
            raise RecordingError(
                "the file declares a document type or entities, which no ride needs; "
                "it was not read",
                where=name,
                fix="export the ride again, from a source you trust",
            ) from error
        except XmlBreakError as error:
            broken = error
        except Exception as error:  # no text of the declared encoding: many kinds are raised
            problem = " ".join(str(error).split())[:120] or type(error).__name__
            broken = XmlBreakError(problem, after_end=target.ended)
        silent_bytes = 0 if target.moved else silent_bytes + len(piece)
        if silent_bytes > MAX_SILENCE_BYTES and broken is None:
            broken = XmlBreakError("one tag, comment or text is longer than 1 MiB")
        yield from target.steps
        target.steps.clear()
        if broken is not None:
            raise broken
        if not piece:
            return


def _local(name: str) -> str:
    return name.rpartition("}")[2].lower()

"""XML element by element, through defusedxml: what lies before a break is kept, nothing piles up.

Document types and entities are refused, so that no few bytes can stand for many. An element is
forgotten as soon as it ends, nesting is bounded, and so is the length of one tag, comment or text:
memory does not grow with the file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.errors import RecordingError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from xml.etree.ElementTree import Element

MAX_DEPTH: Final = 60  # an activity file needs twelve
MAX_SILENCE_BYTES: Final = 1 << 20  # bytes without the start or end of any element
_CHUNK_BYTES: Final = 16_384


class XmlBreakError(Exception):
    """The text stops being XML here; what came before stands.

    `after_end`: the document was already complete, and something else follows it.
    """

    def __init__(self, problem: str, *, after_end: bool = False) -> None:
        super().__init__(problem)
        self.problem, self.after_end = problem, after_end


class _Source:
    """The bytes in small pieces; raises where too many pass without an element."""

    def __init__(self, data: bytes) -> None:
        self.data, self.place, self.silent_bytes = data, 0, 0

    def read(self, _size: int = -1) -> bytes:
        if self.silent_bytes > MAX_SILENCE_BYTES:
            raise XmlBreakError("one tag, comment or text is longer than 1 MiB")
        piece = self.data[self.place : self.place + _CHUNK_BYTES]
        self.place += len(piece)
        self.silent_bytes += len(piece)
        return piece


def walk(
    data: bytes, *, name: str, branches: Collection[str]
) -> Iterator[tuple[bool, list[str], str, Mapping[str, str]]]:
    """Yield the start and end of every branch asked for, and the end of every leaf.

    Parameters
    ----------
    data : bytes
        The document; its encoding is as it declares.
    name : str
        Of the file, for messages.
    branches : collection of str
        Local names, in lower case, of the elements whose start and end are wanted.

    Yields
    ------
    is_end : bool
        False at a start tag, True at an end tag.
    path : list of str
        Local names in lower case from the root to this element; the same list each time, to be
        read and not kept. Name spaces are not told apart.
    text : str
        Text directly inside the element, stripped; empty at its start.
    attributes : mapping of str to str
        Of the element, by local name, at its start; empty at its end.

    Raises
    ------
    XmlBreakError
        Where the document breaks off or stops being XML.
    RecordingError
        If it declares a document type or entities.
    """
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import iterparse

    source = _Source(data)
    names: dict[str, str] = {}
    path: list[str] = []
    # An element is taken out of its parent when it ends; nothing else would ever free it.
    parents: list[Element] = []
    is_leaf = ended = False
    try:
        for event, element in iterparse(source, ("start", "end"), forbid_dtd=True):
            source.silent_bytes = 0
            if event == "start":
                tag = names.get(element.tag)
                if tag is None:
                    tag = names[element.tag] = _local(element.tag)
                path.append(tag)
                parents.append(element)
                if len(path) > MAX_DEPTH:
                    _too_deep()
                is_leaf = True
                if tag in branches:
                    yield False, path, "", {_local(k): v for k, v in element.attrib.items()}
                continue
            if is_leaf or path[-1] in branches:
                yield True, path, (element.text or "").strip(), {}
            is_leaf = False
            path.pop()
            parents.pop()
            if parents:
                parents[-1].remove(element)
            else:
                ended = True
    except DefusedXmlException as error:
        raise RecordingError(
            "the file declares a document type or entities, which no ride needs; it was not read",
            where=name,
            fix="export the ride again, from a source you trust",
        ) from error
    except (RecordingError, XmlBreakError):
        raise
    except Exception as error:  # bytes that are no text of the declared encoding raise many kinds
        problem = " ".join(str(error).split())[:120] or type(error).__name__
        raise XmlBreakError(problem, after_end=ended) from error


def _too_deep() -> None:
    raise XmlBreakError(f"elements are nested more than {MAX_DEPTH} deep")


def _local(tag: object) -> str:
    return str(tag).rpartition("}")[2].lower()

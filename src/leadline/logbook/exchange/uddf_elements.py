"""Takes a UDDF document apart while it is parsed, within bounds on all that a file can do to its reader."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers.expat import ErrorString, ExpatError

from defusedxml import DTDForbidden, EntitiesForbidden, ExternalReferenceForbidden
from defusedxml.ElementTree import DefusedXMLParser

from leadline.dive_file.errors import DiveFileError, shown
from leadline.logbook.exchange.opened import Opened

MOST_ELEMENTS = 20_000_000
MOST_ELEMENTS_A_DIVE = 2_000_000
"""Twenty for each of the most samples."""
MOST_DIVE_BYTES = 64_000_000
"""Of a dive, and of all that dives refer to."""
MOST_NESTED = 50
MOST_BETWEEN_BYTES = 2_000_000
"""Without a tag's end."""
_DEEPEST_WANTED = 4
_MOST_NAMES = 1000
_HEADERS = frozenset({"generator", "diver", "divesite", "gasdefinitions"})


class Gatherer:
    """Takes a document apart while it is parsed: what is wanted as elements, the rest let go.

    No document type, so no entities and nothing from elsewhere; and bounds on all that can grow.
    """

    def __init__(self, file: Opened, headers: bool) -> None:
        """`headers`: what dives refer to, otherwise the dives."""
        self.dives = 0
        self._file = file
        self._headers = headers
        guarded: Any = DefusedXMLParser(target=TreeBuilder(), forbid_dtd=True)
        # Its guards stay; elements are taken straight from the parser beneath it, in about half the time.
        self._parser: Any = guarded.parser
        self._parser.ordered_attributes = False
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._parser.DefaultHandlerExpand = None
        self._parser.CommentHandler = self._parser.ProcessingInstructionHandler = None
        self._path: list[str] = []
        self._space = ""
        self._names: dict[str, str] = {}
        self._builder: TreeBuilder | None = None
        self._found: list[Element] = []
        self._depth = self._built_from = self._elements = self._begun = self._kept = 0
        self._most = MOST_ELEMENTS

    def elements(self) -> Iterator[Element]:
        """The wanted elements, each as soon as it is whole."""
        seen, silent, building = 0, 0, 0
        try:
            for chunk in self._file.chunks():
                self._parser.Parse(chunk, False)
                # A tag that does not end would be read again with every piece of it.
                silent = silent + len(chunk) if self._elements == seen else 0
                if self._headers:  # all are kept
                    building += len(chunk) if self._builder is not None or self._found else 0
                else:
                    building = building + len(chunk) if self._builder is not None and not self._found else 0
                seen = self._elements
                if silent > MOST_BETWEEN_BYTES:
                    raise self._file.refused(f"has a tag or text of over {MOST_BETWEEN_BYTES // 1_000_000} MB")
                if building > MOST_DIVE_BYTES:
                    raise self._too_large()
                yield from self._found
                self._found.clear()
            self._parser.Parse(b"", True)
            yield from self._found
        except (DTDForbidden, EntitiesForbidden, ExternalReferenceForbidden):
            said = "has a document type or entities of its own, which are not read; UDDF needs none"
            raise self._file.refused(said) from None
        except ExpatError as error:
            said = f"is not whole XML: {ErrorString(error.code)}"
            raise self._file.refused(said, f"line {error.lineno}, sign {error.offset + 1}") from None
        except (LookupError, ValueError) as error:
            raise self._file.refused(f"is not XML that can be read: {shown(str(error))}") from None

    def _start(self, raw: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        self._elements += 1
        if self._elements > self._most or self._depth > MOST_NESTED:
            raise self._too_much()
        if self._builder is not None:
            self._builder.start(self._names.get(raw) or self._name(raw), attributes)
        elif self._depth <= _DEEPEST_WANTED:
            self._look(raw, attributes)

    def _end(self, raw: str) -> None:
        if self._builder is not None:
            self._builder.end(self._names.get(raw) or self._name(raw))
            if self._depth == self._built_from:
                self._found.append(self._builder.close())
                self._builder = None
                self._kept += self._elements - self._begun if self._headers else 0
                self._parser.CharacterDataHandler = None
                self._most = MOST_ELEMENTS
        self._depth -= 1

    def _look(self, raw: str, attributes: dict[str, str]) -> None:
        """Begin to build an element if it is wanted."""
        if self._depth == 1:
            self._space, _, root = raw.rpartition("}")
            self._check_root(root, attributes)
        name = self._name(raw)
        self._path[self._depth - 1 :] = [name]
        dive = self._path[1:] in (["profiledata", "repetitiongroup", "dive"], ["profiledata", "dive"])
        self.dives += dive
        if self._depth == 2 and name in _HEADERS if self._headers else dive:
            self._builder = TreeBuilder()
            self._builder.start(name, attributes)
            self._parser.CharacterDataHandler = self._builder.data
            self._built_from, self._begun = self._depth, self._elements - 1
            self._most = min(MOST_ELEMENTS, self._elements + MOST_ELEMENTS_A_DIVE - self._kept)

    def _name(self, raw: str) -> str:
        """Without its namespace, if that is the document's: what is of another is never taken for ours."""
        space, _, name = raw.rpartition("}")
        name = name if space == self._space else raw
        if len(self._names) < _MOST_NAMES:
            self._names[raw] = name
        return name

    def _check_root(self, name: str, attributes: dict[str, str]) -> None:
        if name != "uddf":
            raise self._file.refused(f"is XML, and not of UDDF: its root is {shown(name)}, not 'uddf'")
        in_space = re.search(r"/uddf/(\d+)", self._space)
        version = attributes.get("version", "").strip() or (in_space[1] if in_space else "3")
        if version.split(".")[0] != "3":
            raise self._file.refused(f"is UDDF {shown(version)}; version 3 is read")

    def _too_much(self) -> DiveFileError:
        if self._depth > MOST_NESTED:
            return self._file.refused(f"has elements nested over {MOST_NESTED} deep; no UDDF has")
        if self._most < MOST_ELEMENTS:
            return self._too_large()
        return self._file.refused(f"has over {MOST_ELEMENTS // 1_000_000} million elements, too many for a dive log")

    def _too_large(self) -> DiveFileError:
        place = "" if self._headers else f"dive {self.dives}"
        return self._file.refused("has more than any one dive has, or all that dives refer to", place)

"""The map as a file: one page that needs no network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser

from rxmap.errors import shown
from rxmap.verify.folder import Folder

PAGE = "map.html"
LARGEST = 2_000_000  # [byte] design rule, beside imagery
_REMOTE = re.compile(r"(?:[a-z][a-z0-9+.-]*:)?//", re.IGNORECASE)
_STYLE_REMOTE = re.compile(r"@import|url\(\s*['\"]?\s*(?:https?:)?//", re.IGNORECASE)
Row = dict[str, str]  # head of the column -> text of the cell


class Page(HTMLParser):
    """What a browser would fetch, what it is forbidden, and the figures that the page carries."""

    def __init__(self) -> None:
        super().__init__()
        self.remote: list[str] = []
        self.policy = ""
        self.blocks: dict[str, str] = {}
        self.tables: dict[str, list[Row]] = {}  # by caption
        self.words: list[str] = []  # what a person reads
        self._inside = ""  # the kind of text that is being read
        self._block = self._caption = ""
        self._rows: list[list[str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note links that leave the file, the policy, and the start of what carries figures."""
        named = {key: value or "" for key, value in attrs}
        for key in ("src", "href", "srcset", "action", "formaction", "data", "poster", "background"):
            if _REMOTE.match(named.get(key, "").strip()):
                self.remote.append(f'{tag} {key}="{named[key]}"')
        if tag == "meta" and named.get("http-equiv", "").lower() == "content-security-policy":
            self.policy = named.get("content", "")
        self._inside = tag
        if tag == "script":
            self._block = named.get("id", "") if named.get("type") == "application/json" else ""
        elif tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th") and self._rows:
            self._rows[-1].append("")

    def handle_data(self, data: str) -> None:
        """Keep the text of blocks, captions and cells."""
        if self._inside == "script" and self._block:
            self.blocks[self._block] = self.blocks.get(self._block, "") + data
        elif self._inside == "style" and _STYLE_REMOTE.search(data):
            self.remote.append("a style")
        if self._inside not in ("script", "style"):
            self.words.append(data)
        if self._inside == "caption":
            self._caption += data
        elif self._inside in ("td", "th") and self._rows and self._rows[-1]:
            self._rows[-1][-1] += data

    def handle_endtag(self, tag: str) -> None:
        """Close a table; text between elements is nobody's."""
        self._inside = ""
        if tag == "table" and self._rows:
            head, *rows = self._rows
            self.tables[self._caption] = [dict(zip(head, row, strict=False)) for row in rows]


def read_page(result: Folder) -> Page:
    """Read the map of a result."""

    def read() -> Page:
        reader = Page()
        reader.feed(result.bytes(PAGE).decode("utf-8"))
        return reader

    return result.once("page", PAGE, read)  # type: ignore[no-any-return]


def page_stands_alone(result: Folder) -> Iterator[str]:
    """Look for what the page would fetch, its policy against that, and its size."""
    reader = read_page(result)
    for link in reader.remote:
        yield f"{PAGE}: {shown(link)} leaves the file; should be inside it"
    if "default-src 'none'" not in reader.policy:
        yield f"{PAGE}: Content-Security-Policy is {shown(reader.policy)}; should hold default-src 'none'"
    size = len(result.bytes(PAGE))
    if size > LARGEST and not result.plan.get("imagery"):
        yield f"{PAGE}: {size} bytes; should be at most {LARGEST}"

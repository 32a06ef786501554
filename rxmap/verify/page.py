"""The map: one page that needs no network, and shows what the files hold."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser

from rxmap.errors import shown
from rxmap.verify.folder import Folder

PAGE = "map.html"
LARGEST = 2_000_000  # [byte] design rule, beside imagery
_REMOTE = re.compile(r"(?:https?:)?//", re.IGNORECASE)


class _Reader(HTMLParser):
    """What a browser would fetch, what it is forbidden, and the data that the page carries."""

    def __init__(self) -> None:
        super().__init__()
        self.remote: list[str] = []
        self.policy = ""
        self.blocks: list[str] = []
        self._in_block = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note links that leave the file, the policy, and the start of a data block."""
        named = {key: value or "" for key, value in attrs}
        for key in ("src", "href", "srcset", "action", "data", "poster"):
            if _REMOTE.match(named.get(key, "").strip()):
                self.remote.append(f'{tag} {key}="{named[key]}"')
        if tag == "meta" and named.get("http-equiv", "").lower() == "content-security-policy":
            self.policy = named.get("content", "")
        self._in_block = tag == "script" and named.get("type") == "application/json"

    def handle_data(self, data: str) -> None:
        """Keep the text of a data block."""
        if self._in_block:
            self.blocks.append(data)

    def handle_endtag(self, tag: str) -> None:
        """Leave a data block."""
        self._in_block = False


def page_stands_alone(result: Folder) -> Iterator[str]:
    """Look for what the page would fetch, its policy against that, and its size."""
    content = result.bytes(PAGE)
    reader = _Reader()
    reader.feed(content.decode("utf-8"))
    for link in reader.remote:
        yield f"{PAGE}: {shown(link)} leaves the file; should be inside it"
    if "default-src 'none'" not in reader.policy:
        yield f"{PAGE}: Content-Security-Policy is {shown(reader.policy)}; should begin with default-src 'none'"
    if len(content) > LARGEST and not result.plan.get("imagery"):
        yield f"{PAGE}: {len(content)} bytes; should be at most {LARGEST}"

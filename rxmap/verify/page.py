"""The map: one page that needs no network, and shows what the files hold."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from html.parser import HTMLParser
from typing import Any

from rxmap.errors import shown
from rxmap.units import convert
from rxmap.verify.folder import Folder, strict_json
from rxmap.verify.geojson import Feature
from rxmap.verify.report import Unreadable
from rxmap.verify.values import decimals_of, near

PAGE = "map.html"
LARGEST = 2_000_000  # [byte] design rule, beside imagery
SCREEN = 0.51e-6  # [degree] the map draws six decimals, finer than a screen
AREA_WORDS = {"acres": "acre", "ha": "ha"}
_REMOTE = re.compile(r"(?:[a-z][a-z0-9+.-]*:)?//", re.IGNORECASE)
_STYLE_REMOTE = re.compile(r"@import|url\(\s*['\"]?\s*(?:https?:)?//", re.IGNORECASE)
_FIGURE = re.compile(r"(-?[\d,]+(?:\.\d+)?) ?(.*)")
Table = list[list[str]]


class _Reader(HTMLParser):
    """What a browser would fetch, what it is forbidden, and the figures that the page carries."""

    def __init__(self) -> None:
        super().__init__()
        self.remote: list[str] = []
        self.policy = ""
        self.blocks: dict[str, str] = {}
        self.tables: dict[str, Table] = {}
        self._inside = ""  # the kind of text that is being read
        self._block = self._caption = ""
        self._rows: Table = []

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
        elif self._inside == "caption":
            self._caption += data
        elif self._inside in ("td", "th") and self._rows and self._rows[-1]:
            self._rows[-1][-1] += data

    def handle_endtag(self, tag: str) -> None:
        """Close a table; text between elements is nobody's."""
        self._inside = ""
        if tag == "table":
            self.tables[self._caption] = self._rows[1:]


def _read(result: Folder) -> _Reader:
    def read() -> _Reader:
        reader = _Reader()
        reader.feed(result.bytes(PAGE).decode("utf-8"))
        return reader

    return result.once("page", PAGE, read)  # type: ignore[no-any-return]


def page_stands_alone(result: Folder) -> Iterator[str]:
    """Look for what the page would fetch, its policy against that, and its size."""
    reader = _read(result)
    for link in reader.remote:
        yield f"{PAGE}: {shown(link)} leaves the file; should be inside it"
    if "default-src 'none'" not in reader.policy:
        yield f"{PAGE}: Content-Security-Policy is {shown(reader.policy)}; should hold default-src 'none'"
    size = len(result.bytes(PAGE))
    if size > LARGEST and not result.plan.get("imagery"):
        yield f"{PAGE}: {size} bytes; should be at most {LARGEST}"


def page_agrees(result: Folder) -> Iterator[str]:
    """Hold what the page's tables and map say against the figures of the files."""
    reader, summary = _read(result), result.summary
    if summary["passes"]:
        for each, row in _paired(reader, "Passes", summary["passes"]):
            for line in _pass_row(each, row):
                yield f"{PAGE}: table Passes, {shown(each['name'])}: {line}"
    if summary["money"] is not None:
        yield from _money_rows(reader, summary["money"])
    yield from _map_shapes(result, reader)


def _money_rows(reader: _Reader, money: Any) -> Iterator[str]:
    table = next((caption for caption in reader.tables if caption.startswith("Money")), "Money")
    for key, row in _paired(reader, table, ("map", "all", "none")):
        if money[key] is not None and not _says(row[1], float(money[key]), money["currency"]):
            yield f"{PAGE}: table Money, {key}: {shown(row[1])}; the summary has {money[key]} {money['currency']}"


def _paired(reader: _Reader, caption: str, wanted: Sequence[Any]) -> Iterator[tuple[Any, list[str]]]:
    rows = reader.tables.get(caption, [])
    if len(rows) != len(wanted):
        raise Unreadable(f"{PAGE}: table {caption} has {len(rows)} rows; should have {len(wanted)}")
    yield from zip(wanted, rows, strict=True)


def _pass_row(each: Any, row: list[str]) -> Iterator[str]:
    treated, share, totals, loads = row[3:7]
    figure, word = _figure(treated)
    if not near(figure, convert(float(each["treated_ha"]), "ha", AREA_WORDS[word]), decimals_of(figure)):
        yield f"treated {shown(treated)}; the summary has {each['treated_ha']} ha"
    if not _says(share, 100 * float(each["share"]), "%"):
        yield f"share {shown(share)}; the summary has {each['share']}"
    for total, used in zip(totals.split("; "), each["products"], strict=True):
        if not _says(total, float(used["total"]), used["total_unit"]):
            yield f"product in all {shown(total)}; the summary has {used['total']} {used['total_unit']}"
    if loads != str(each["loads"]):
        yield f"loads {shown(loads)}; the summary has {each['loads']}"


def _figure(text: str) -> tuple[Decimal, str]:
    match = _FIGURE.fullmatch(text.strip())
    if match is None:
        raise Unreadable(f"{PAGE}: found {shown(text)}; should be a figure with its unit")
    return Decimal(match[1].replace(",", "")), match[2]


def _says(text: str, wanted: float, unit: str) -> bool:
    figure, found = _figure(text)
    return found == unit and near(figure, wanted, decimals_of(figure))


def _map_shapes(result: Folder, reader: _Reader) -> Iterator[str]:
    data = strict_json(reader.blocks.get("map-data", "{}").encode("utf-8", "replace"), PAGE)
    views = [view for view in data.get("views", []) if view["group"] == "What to do"]
    if len(views) != len(result.passes):
        yield f"{PAGE}: the map draws {len(views)} passes; should draw {len(result.passes)}"
        return
    for view, (each, layer) in zip(views, result.layers, strict=True):
        where = f"{PAGE}: the map of {shown(each['name'])}"
        if len(view["shapes"]) != len(layer.features):
            yield f"{where} has {len(view['shapes'])} shapes; {layer.name} has {len(layer.features)} features"
            continue
        for number, (drawn, feature) in enumerate(zip(view["shapes"], layer.features, strict=True), 1):
            if (drawn["kind"] == "treated") != (feature.properties["treat"] == 1):
                yield f"{where}: shape {number} is drawn as {drawn['kind']}; its treat is {feature.properties['treat']}"
            if not _same_rings(drawn["rings"], feature):
                yield f"{where}: shape {number} lies elsewhere than {feature.where}"


def _same_rings(drawn: Any, feature: Feature) -> bool:
    """Whether rings of lat, lon without the repeated last point are those of a feature, either way round."""
    ours = [ring[:-1] for part in feature.rings for ring in part]
    theirs = [[at[::-1] for at in ring] for part in drawn for ring in part]
    return len(ours) == len(theirs) and all(
        _same_points(one, other) or _same_points([one[0], *one[:0:-1]], other)
        for one, other in zip(ours, theirs, strict=True)
    )


def _same_points(one: Sequence[Any], other: Sequence[Any]) -> bool:
    return len(one) == len(other) and all(
        abs(float(a) - float(b)) <= SCREEN
        for at, there in zip(one, other, strict=True)
        for a, b in zip(at, there, strict=True)
    )

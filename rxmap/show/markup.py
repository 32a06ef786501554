"""HTML from plain text: `tag` is the only place that makes markup, and escapes what it is given."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from collections.abc import Iterable, Sequence

Row = Sequence[str]

DAY = re.compile(r"(\d{4}-\d\d-\d\d)")


def tag(name: str, *content: str, **attributes: str) -> str:
    """Make an element; content is escaped unless it is markup made here.

    Examples
    --------
    >>> print(tag("p", "a < b", tag("b", "c"), id="x"))
    <p id="x">a &lt; b<b>c</b></p>
    """
    inner = "".join(part if isinstance(part, Markup) else html.escape(part) for part in content)
    given = "".join(f' {key.rstrip("_").replace("_", "-")}="{html.escape(value)}"' for key, value in attributes.items())
    return Markup(f"<{name}{given}>{inner}</{name}>")


class Markup(str):
    """Text that `tag` made and that must not be escaped again."""

    __slots__ = ()


def join(parts: Iterable[str]) -> Markup:
    """Put elements one under the other."""
    return Markup("\n".join(part if isinstance(part, Markup) else html.escape(part) for part in parts))


def bullets(lines: Iterable[str]) -> str:
    """Make a list of sentences."""
    return tag("ul", *(tag("li", *_days(line)) for line in lines))


def _days(line: str) -> list[str]:
    """Keep dates whole where a line breaks."""
    return [tag("span", part, class_="day") if DAY.fullmatch(part) else part for part in DAY.split(line)]


def table(caption: str, head: Row, rows: Sequence[Row], *, numbers: str = "") -> str:
    """Make a table in a box that scrolls sideways on a phone.

    Parameters
    ----------
    caption : str
        What the table holds.
    head : sequence of str
        Column heads, units included.
    rows : sequence of sequence of str
        Cells; the first of a row names it.
    numbers : str
        One letter per column, ``n`` where the cells are aligned as numbers.
    """
    kinds = numbers.ljust(len(head))
    top = tag("tr", *(tag("th", cell, scope="col", class_=_kind(kind)) for cell, kind in zip(head, kinds, strict=True)))
    body = [
        tag(
            "tr",
            tag("th", row[0], scope="row", class_=_kind(kinds[0])),
            *(tag("td", cell, class_=_kind(kind)) for cell, kind in zip(row[1:], kinds[1:], strict=True)),
        )
        for row in rows
    ]
    inner = tag("table", tag("caption", caption), tag("thead", top), tag("tbody", join(body)))
    return tag("div", inner, class_="scroll", tabindex="0", role="region", aria_label=caption)


def _kind(letter: str) -> str:
    return "number" if letter == "n" else "words"


def policy(*scripts: str) -> str:
    """Write the policy of a page that asks for nothing and runs no script but these.

    References
    ----------
    W3C Content Security Policy Level 3, section 8.4 (hashes of inline scripts).
    """
    hashes = (base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii") for script in scripts)
    allowed = " ".join(f"'sha256-{digest}'" for digest in hashes)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )

"""Sheets of A4, filled from top to bottom; text is measured before it is drawn, so that nothing is cut off.

Places are points from the top left corner of a sheet. All text goes through `Paper.put` and `Paper.mark`,
the only two places that draw it: as it stands, never as a formula, in fonts that come with matplotlib, so
that the same words make the same bytes on every machine.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, Literal

from rxmap import __version__
from rxmap.errors import printable

POINTS_PER_INCH = 72.0
WIDTH, HEIGHT = 210 / 25.4 * POINTS_PER_INCH, 297 / 25.4 * POINTS_PER_INCH  # ISO 216, A4: 210 x 297 mm
MARGIN, FOOT = 45.0, 60.0  # [pt] sides and top; bottom, where the last line of each sheet stands
INSIDE = WIDTH - 2 * MARGIN
LEADING = 1.32  # line to line, in sizes of the text; judgement
GAP = 6.0  # [pt] between columns
TEXT, SMALL, HEAD = 9.0, 8.0, 12.5  # [pt]
LONGEST_CELL = 900  # characters of one text; a page holds more, a sentence does not need them
INK = "#17232a"
MEASURED_AT, FIXED_POINT = 100.0, 65536.0  # [pt]; FreeType's 16.16 numbers

Align = Literal["left", "right", "center"]


@contextmanager
def plain_settings() -> Iterator[None]:
    """Draw as matplotlib does by default, whatever the settings of this machine say; letters stay text."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams["pdf.fonttype"] = (
            3  # glyphs as drawings: searched and copied as well, and twice as fast to write
        )
        yield


class Paper:
    """Sheets that are filled from top to bottom.

    Parameters
    ----------
    title : str
        For the document's properties and the last line of each sheet.

    Attributes
    ----------
    sheets : list of matplotlib.figure.Figure
        What was drawn so far.
    top : float [pt]
        Where the next block starts on the last sheet.
    """

    def __init__(self, title: str) -> None:
        self.title = title
        self.sheets: list[Any] = []
        self.top = 0.0
        self.turn()

    def turn(self) -> None:
        """Begin a new sheet."""
        from matplotlib.figure import Figure

        self.sheets.append(Figure(figsize=(WIDTH / POINTS_PER_INCH, HEIGHT / POINTS_PER_INCH)))
        self.top = MARGIN

    @property
    def room(self) -> float:
        """What is left of the last sheet [pt]."""
        return HEIGHT - FOOT - self.top

    def keep(self, height: float) -> None:
        """Begin a new sheet unless this one has room; what is higher than a sheet starts on a fresh one."""
        if height > self.room and self.top > MARGIN:
            self.turn()

    # Text ----------------------------------------------------------------------------------------

    def put(
        self, words: str, left: float, baseline: float, *, size: float = TEXT, bold: bool = False, align: Align = "left"
    ) -> None:
        """Draw one line of text."""
        _write(self.sheets[-1], legible(words), left, HEIGHT - baseline, size=size, bold=bold, align=align)

    def mark(self, axes: Any, place: tuple[float, float], words: str) -> None:
        """Draw a short text on a chart, on white."""
        white = {"facecolor": "white", "edgecolor": INK, "linewidth": 0.5, "pad": 1.5}
        face = _face(SMALL, True)
        axes.text(*place, legible(words), ha="center", va="center", color=INK, bbox=white, zorder=9, **face)

    def block(
        self, words: str, *, left: float = MARGIN, width: float = INSIDE, size: float = TEXT, bold: bool = False
    ) -> None:
        """Write a paragraph, over as many lines and sheets as it takes."""
        for line in wrapped(words, width, size=size, bold=bold):
            self.keep(size * LEADING)
            self.put(line, left, self.top + size, size=size, bold=bold)
            self.top += size * LEADING

    def heading(self, words: str, *, before: float = 60.0) -> None:
        """Write a heading with a rule, on the same sheet as what follows it."""
        self.keep(HEAD * LEADING + 14 + before)
        self.top += 10
        self.block(words, size=HEAD, bold=True)
        self.rule(self.top, weight=1.0)
        self.top += 4

    def bullets(self, lines: Sequence[str], *, size: float = TEXT) -> None:
        """Write sentences one under the other, each with a mark."""
        for words in lines:
            tall = len(wrapped(words, INSIDE - 12, size=size)) * size * LEADING
            self.keep(min(tall, 100.0))
            self.put("\N{EN DASH}", MARGIN, self.top + size, size=size)
            self.block(words, left=MARGIN + 12, width=INSIDE - 12, size=size)
            self.top += 2

    def table(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        shares: Sequence[float],
        *,
        size: float = SMALL,
        pad: float = 0.0,
    ) -> None:
        """Write a table; its head comes again on each sheet.

        Parameters
        ----------
        head : sequence of str
            Column heads, units included.
        rows : sequence of sequence of str
            Cells.
        shares : sequence of float
            Widths of the columns, as shares of the width of the text.
        size : float [pt]
            Of the letters.
        pad : float [pt]
            More room above each row.
        """
        lefts = [MARGIN + INSIDE * sum(shares[:at]) / sum(shares) for at in range(len(shares))]
        widths = [INSIDE * share / sum(shares) - GAP for share in shares]
        top = [wrapped(cell, width, size=size, bold=True) for cell, width in zip(head, widths, strict=True)]
        cells = [[wrapped(cell, width, size=size) for cell, width in zip(row, widths, strict=True)] for row in rows]
        self.keep(_tall(top, size) + (pad + _tall(cells[0], size) if cells else 0.0))
        self._row(top, lefts, size=size, bold=True)
        for row in cells:
            if pad + _tall(row, size) > self.room:
                self.turn()
                self._row(top, lefts, size=size, bold=True)
            self.top += pad
            self._row(row, lefts, size=size, bold=False)
        self.top += 4

    def _row(self, cells: Sequence[Sequence[str]], lefts: Sequence[float], *, size: float, bold: bool) -> None:
        for number in range(max(map(len, cells))):
            self.keep(size * LEADING)
            for lines, left in zip(cells, lefts, strict=True):
                if number < len(lines):
                    self.put(lines[number], left, self.top + size, size=size, bold=bold)
            self.top += size * LEADING
        self.rule(self.top + 1, weight=0.8 if bold else 0.3)
        self.top += 3

    # Shapes --------------------------------------------------------------------------------------

    def rule(self, at: float, *, weight: float, left: float = MARGIN, width: float = INSIDE) -> None:
        """Draw a line from side to side."""
        from matplotlib.lines import Line2D

        places = [left / WIDTH, (left + width) / WIDTH], [1 - at / HEIGHT] * 2
        self.sheets[-1].add_artist(Line2D(*places, color=INK, linewidth=weight))

    def box(self, left: float, top: float, width: float, height: float, **look: Any) -> None:
        """Draw a rectangle."""
        from matplotlib.patches import Rectangle

        sheet = self.sheets[-1]
        corner = (left / WIDTH, 1 - (top + height) / HEIGHT)
        sheet.add_artist(Rectangle(corner, width / WIDTH, height / HEIGHT, transform=sheet.transFigure, **look))

    def axes(self, left: float, top: float, width: float, height: float) -> Any:
        """Lay axes without frame, marks or text on the sheet."""
        axes = self.sheets[-1].add_axes(
            (left / WIDTH, 1 - (top + height) / HEIGHT, width / WIDTH, height / HEIGHT), zorder=-1
        )
        axes.set_axis_off()
        return axes

    # The document --------------------------------------------------------------------------------

    def pdf(self) -> bytes:
        """Finish the sheets and return the document: no clock in it, nothing of this machine."""
        from matplotlib.backends.backend_pdf import PdfPages

        told = {"Title": legible(self.title), "Creator": f"rxmap {__version__}", "CreationDate": None}
        out = io.BytesIO()
        with PdfPages(out, metadata=told) as document:
            for number, sheet in enumerate(self.sheets, start=1):
                document.savefig(self._footed(sheet, number))
        return out.getvalue()

    def _footed(self, sheet: Any, number: int) -> Any:
        last = f"page {number} of {len(self.sheets)}"
        title = wrapped(self.title, INSIDE - 90, size=SMALL)
        up = FOOT - 25
        _write(sheet, legible(title[0]), MARGIN, up, size=SMALL, bold=False, align="left")
        _write(sheet, legible(last), WIDTH - MARGIN, up, size=SMALL, bold=False, align="right")
        return sheet


def _write(sheet: Any, words: str, left: float, up: float, *, size: float, bold: bool, align: Align) -> None:
    """Put one line on a sheet, `up` points above its foot."""
    shift = {"left": 0.0, "center": 0.5, "right": 1.0}[align]
    left -= shift * length_pt(words, size=size, bold=bold) if shift else 0.0
    line = _line()(left / WIDTH, up / HEIGHT, words, color=INK, transform=sheet.transFigure, **_face(size, bold))
    line.set_figure(sheet)
    sheet.texts.append(line)


@cache
def _line() -> Any:
    """Text that is drawn where it stands: matplotlib would measure each line twice more, half the time of a paper."""
    from matplotlib.text import Text

    class Line(Text):
        def draw(self, renderer: Any) -> None:
            pen = renderer.new_gc()
            pen.set_foreground(self.get_color())
            left, up = self.get_transform().transform(self.get_position())
            renderer.draw_text(pen, left, up, self.get_text(), self.get_fontproperties(), 0)
            pen.restore()

    return Line


def _tall(cells: Sequence[Sequence[str]], size: float) -> float:
    return max(map(len, cells)) * size * LEADING + 3


@cache
def _face(size: float, bold: bool) -> dict[str, Any]:
    from matplotlib.font_manager import FontProperties

    return {"fontproperties": FontProperties(fname=_font_file(bold), size=size), "parse_math": False}


@cache
def _font_file(bold: bool) -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path(), "fonts", "ttf", f"DejaVuSans{'-Bold' if bold else ''}.ttf")


@cache
def _font(bold: bool) -> Any:
    from matplotlib.ft2font import FT2Font

    return FT2Font(str(_font_file(bold)))


@cache
def _letters() -> frozenset[int]:
    """Characters that both fonts can draw."""
    return frozenset(_font(False).get_charmap()) & frozenset(_font(True).get_charmap())


def legible(words: str) -> str:
    r"""Text of which every character can be drawn; others stand there by their number.

    Examples
    --------
    >>> legible("field \U0001f41b\u202e $x$")
    'field [U+1F41B][U+202E] $x$'
    """
    return "".join(sign if ord(sign) in _letters() and sign.isprintable() else f"[U+{ord(sign):04X}]" for sign in words)


def length_pt(words: str, *, size: float, bold: bool = False) -> float:
    """Length of a line of text [pt], without kerning, which only makes it shorter.

    Examples
    --------
    >>> length_pt("mm", size=20.0) == 2 * length_pt("m", size=20.0) == 4 * length_pt("m", size=10.0)
    True
    """
    return size * sum(_advance(sign, bold) for sign in words)


@cache
def _advance(sign: str, bold: bool) -> float:
    """How far a character moves the pen, in sizes of the text."""
    from matplotlib.ft2font import LoadFlags

    font = _font(bold)
    font.set_size(MEASURED_AT, POINTS_PER_INCH)
    glyph = font.load_char(ord(sign), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / FIXED_POINT / MEASURED_AT


def wrapped(words: str, width: float, *, size: float, bold: bool = False) -> list[str]:
    """Break text into lines no longer than `width` [pt]; a word that is longer is broken too.

    Examples
    --------
    >>> wrapped("keep out of the water", 60, size=9)
    ['keep out of', 'the water']
    """
    lines, line = [], ""
    for word in legible(printable(words, LONGEST_CELL)).split(" "):
        longer = f"{line} {word}" if line else word
        if length_pt(longer, size=size, bold=bold) <= width:
            line = longer
            continue
        lines += [line] if line else []
        while length_pt(word, size=size, bold=bold) > width and len(word) > 1:
            fits = _most(word, width, size, bold)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line]


def _most(word: str, width: float, size: float, bold: bool) -> int:
    """How many characters of a word fit; one at least."""
    fits = range(1, len(word))
    return max((count for count in fits if length_pt(word[:count], size=size, bold=bold) <= width), default=1)

"""Awkward scouting tables: classes 1 to 18 of docs/reliability.md."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator

from setting import COLUMNS, Case, Folder

Spoil = Callable[[Folder], object]
HOSTILE = {
    "a formula": '=HYPERLINK("http://127.0.0.1/")',
    "markup and script": "<img src=x onerror=alert(1)></script>",
    "template syntax": "{{7*7}}${7*7}`%s`",
    "emoji": "\U0001f41b\U0001f33e",
    "right to left and zero width": "\u202egnp\u202c\u200b\u200d",
    "a combining accent": "e\u0301",
    "terminal control": "\x1b[31mred",
}
NOT_NUMBERS = {
    "a word": "ten",
    "less than": "<5",
    "spreadsheet error text": "#DIV/0!",
    "a fraction": "1/2",
    "an exponent": "1e2",
    "a hexadecimal": "0x10",
    "an underscore": "1_0",
    "a plus sign": "+5",
    "digits of another script": "\u0661\u0662",
    "a letter for a digit": "1O",
    "a word for missing": "NA",
    "NaN": "NaN",
    "infinity": "inf",
    "a truth value": "TRUE",
    "a blank": "",
    "a minus of typographers": "\u22125",
    "a thousands separator": "1,000",
    "a space between digits": "1 000",
}
OFF_SCALE = {
    "negative": "-1",
    "not whole": "3.5",
    "beyond 64 bits": str(2**64),
    "beyond any plausible size": "5000000",
    "a percent sign": "40 %",
}
DATES = {
    "an impossible day": "2031-02-30",
    "day and month in doubt": "03/07/2031",
    "a two-digit year": "08.06.31",
    "a spreadsheet's serial number": "47912",
    "a time with an offset": "2031-06-08T23:30:00-05:00",
    "a local time that a clock change skips": "2031-03-09T02:30",
    "the far future": "9999-06-08",
    "the far past": "1931-06-08",
}
DEGREES = {
    "degrees, minutes and seconds": "10\u00b006'08.4\"E",
    "degrees and minutes run together": "1006.14",
    "metres": "578800.5",
    "counted eastward past 180": "349.9",
    "a compass letter": "E10.1",
    "degrees with a decimal comma": "10,1012",
}


def cell(column: str, text: str) -> Spoil:
    return lambda folder: folder.cell(column, text)


def cells() -> Iterator[Case]:
    """One cell of one row."""
    for number, column, group in (
        (12, "count", NOT_NUMBERS), (13, "count", OFF_SCALE), (16, "date", DATES), (7, "lon", DEGREES)
    ):  # fmt: skip
        for name, text in group.items():
            yield Case(number=number, name=f"{column} is {name}", spoil=cell(column, text), told=("column",))
    for number, name, column, text in (
        (8, "no fix", "lon", "0"), (13, "n is zero", "n", "0"), (13, "n is not whole", "n", "9.5"),
        (13, "n is blank", "n", ""), (14, "target is blank", "target", ""), (15, "stop is blank", "stop", "  "),
        (14, "target in other letters", "target", "Reed  Aphid"), (14, "target misspelt", "target", "reed aphjd"),
        (12, "latitude is a word", "lat", "north"),
        (15, "an endless id", "stop", "S" * 300),
    ):  # fmt: skip
        spoil = _no_fix if name == "no fix" else cell(column, text)
        yield Case(number=number, name=name, spoil=spoil, told=("column",))
    yield Case(
        number=6, name="a latitude beyond the pole", spoil=_all("lat", "97"), told=("row 2, column lon", "swapped")
    )
    yield Case(number=13, name="a whole number with a point", spoil=_with_points)
    for name, text in HOSTILE.items():
        yield Case(number=17, name=f"a note with {name}", spoil=cell("note", text), proof=_keeps(text, "note"))
        yield Case(number=17, name=f"an id with {name}", spoil=cell("stop", text), proof=_keeps(text, "stop"))
    for text in ("007", "NA", "nan", "1e5", "TRUE", "-"):
        yield Case(number=15, name=f"the id {text}", spoil=cell("stop", text), proof=_keeps(text, "stop"))


def _no_fix(folder: Folder) -> str:
    row = folder.some_row()
    folder.rows[row].update(lon="0", lat="0.0")
    folder.save()
    return f"stops.csv: row {row + 2}, column lon"


def _keeps(text: str, column: str) -> Callable[..., bool]:
    return lambda plan, inputs: sum(getattr(one, column) == text.strip() for one in inputs.observations) == 1


def _with_points(folder: Folder) -> None:
    folder.column("count", lambda row: row["count"] + ".0")
    folder.column("n", lambda row: row["n"] + ".0")


def encoded(encoding: str, mark: bytes = b"") -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.rows[3]["note"] = "f\u00fcr"
        folder.save()
        folder.write("stops.csv", mark + folder.text("stops.csv").encode(encoding))

    return spoil


def bytes_of(data: bytes) -> Spoil:
    return lambda folder: folder.write("stops.csv", data)


def text_of(change: Callable[[str], str]) -> Spoil:
    return lambda folder: folder.write("stops.csv", change(folder.text("stops.csv")))


def header(old: str, new: str) -> Spoil:
    return lambda folder: folder.replace(old, new, "stops.csv")


def files() -> Iterator[Case]:
    """The whole table: encoding, dialect, header, shape."""
    yield Case(number=1, name="a byte-order mark", spoil=bytes_before(codecs.BOM_UTF8))
    yield Case(number=1, name="UTF-16", spoil=encoded("utf-16"), told=("stops.csv", "UTF-16"))
    yield Case(number=1, name="a legacy code page", spoil=encoded("cp1252"), told=("stops.csv: byte", "row 5"))
    yield Case(number=1, name="half a letter at the end", spoil=bytes_after(b"\xc3"), told=("not UTF-8",))
    for name, mark in (("semicolons", ";"), ("tabs", "\t")):
        yield Case(number=2, name=name, spoil=lambda folder, mark=mark: folder.save(delimiter=mark))
    yield Case(number=2, name="decimal commas", spoil=_decimal_commas)
    note = text_of(lambda text: f"sep=,\n{text}")
    yield Case(
        number=2, name="a spreadsheet's note on the delimiter", spoil=note, told=("stops.csv: row 1", "Remove it")
    )
    yield Case(number=2, name="decimal commas between commas", spoil=_commas_twice, told=("stops.csv: row 2", "cells"))
    for name, end in (("line ends of Windows", "\r\n"), ("line ends of old", "\r")):
        yield Case(number=2, name=name, spoil=text_of(lambda text, end=end: text.replace("\n", end)))
    yield Case(
        number=2, name="blank lines between", spoil=text_of(lambda text: text.replace("\n", "\n\n , ,,,,,,\n\n"))
    )
    yield Case(number=2, name="a bar between cells", spoil=text_of(lambda t: t.replace(",", "|")), told=("row 1",))
    yield Case(number=2, name="everything quoted", spoil=lambda folder: folder.save(quoting=1))  # csv.QUOTE_ALL
    yield Case(number=3, name="no header", spoil=text_of(lambda t: t.split("\n", 1)[1]), told=("row 1", "header"))
    for column in ("stop", "lon", "lat", "target", "n", "count"):
        told = ("stops.csv", f"'{column}' is missing")
        yield Case(number=3, name=f"no column {column}", spoil=_without(column), told=told)
    yield Case(number=3, name="a column twice", spoil=header("note", "n"), told=("stops.csv", "'n'", "twice"))
    yield Case(number=3, name="a misspelt measure", spoil=header("count", "cuont"), told=("'cuont'", "count"))
    yield Case(number=3, name="letter case and spaces", spoil=header("stop,lon,lat", " Stop ,LON, Lat"))
    yield Case(number=3, name="columns in another order", spoil=_turned)
    yield Case(
        number=3, name="an unknown column", spoil=header("note", "crew"), proof=lambda plan, inputs: _all_used(inputs)
    )
    for name, data, told in (
        ("zero bytes", b"", "empty"), ("blank lines alone", b"\n \n\n", "empty"),
        ("a header without rows", ",".join(COLUMNS).encode(), "without rows"),
        ("random bytes", bytes(range(128, 256)) * 4, "stops.csv"), ("NUL bytes", b"stop,lon\x00,lat\n", "NUL"),
        ("a spreadsheet renamed", b"\xd0\xcf\x11\xe0" + bytes(600), "spreadsheet"),
        ("an archive renamed", b"PK\x03\x04" + bytes(60), "stops.csv"),
        ("one gigantic cell", b"stop,lon,lat,target\n" + b"x" * 300_000, "stops.csv"),
        ("a web page", b"<html><body>sign in</body></html>", "XML or HTML"),
    ):  # fmt: skip
        yield Case(number=4, name=name, spoil=bytes_of(data), told=("stops.csv", told))
    yield Case(number=4, name="cut within a row", spoil=text_of(lambda t: t[: t.rindex(",2031")]), told=("row 25",))
    yield Case(number=5, name="a row too short", spoil=_row(lambda line: line[: line.index(",")]), told=("cells",))
    yield Case(number=5, name="a row too long", spoil=_row(lambda line: line + ",1"), told=("cells",))
    yield Case(number=5, name="every row too long", spoil=_rows_longer, told=("stops.csv: row 2", "and 14 more"))
    yield Case(number=5, name="a quote left open", spoil=_row(lambda line: '"' + line), told=("quote",))
    yield Case(
        number=5, name="a quoted line break before a fault", spoil=_break_then_fault, told=("stops.csv: row 26",)
    )


def bytes_before(data: bytes) -> Spoil:
    return lambda folder: folder.write("stops.csv", data + folder.text("stops.csv").encode())


def bytes_after(data: bytes) -> Spoil:
    return lambda folder: folder.write("stops.csv", folder.text("stops.csv").encode() + data)


def _decimal_commas(folder: Folder) -> None:
    for row in folder.rows:
        row.update(lon=row["lon"].replace(".", ","), lat=row["lat"].replace(".", ","))
    folder.save(delimiter=";")


def _commas_twice(folder: Folder) -> None:
    folder.write("stops.csv", folder.text("stops.csv").replace(".", ","))


def _without(column: str) -> Spoil:
    def spoil(folder: Folder) -> None:
        for row in folder.rows:
            del row[column]
        folder.save()

    return spoil


def _turned(folder: Folder) -> None:
    folder.rows = [dict(reversed(row.items())) for row in reversed(folder.rows)]
    folder.save()


def _row(change: Callable[[str], str]) -> Spoil:
    def spoil(folder: Folder) -> str:
        lines = folder.text("stops.csv").splitlines()
        number = folder.some_row() + 1
        lines[number] = change(lines[number])
        folder.write("stops.csv", "\n".join(lines) + "\n")
        return f"stops.csv: row {number + 1}"

    return spoil


def _rows_longer(folder: Folder) -> None:
    first, *rest = folder.text("stops.csv").splitlines()
    folder.write("stops.csv", "\n".join([first, *(line + ",1" for line in rest)]))


def _break_then_fault(folder: Folder) -> None:
    folder.rows[5]["note"] = "two\nlines"
    folder.rows[-1]["count"] = "ten"
    folder.save()


def _all_used(inputs: object) -> bool:
    return all(one.used for one in inputs.observations)  # type: ignore[attr-defined]


def places() -> Iterator[Case]:
    """Where the stops are, and what is on them together."""
    yield Case(number=6, name="axes swapped in all rows", spoil=_swapped(slice(None)), told=("swapped",))
    yield Case(number=6, name="axes swapped in one row", spoil=_swapped(slice(7, 8)), told=("row 9", "swapped"))
    yield Case(
        number=6, name="a minus sign that is not there", spoil=_mirrored, told=("stops.csv: row 2", "column lon")
    )
    yield Case(number=7, name="two systems in one file", spoil=_half_in_metres, told=("metres",))
    yield Case(number=8, name="three decimals", spoil=_rounded(3), caution="coarse_places")
    yield Case(number=8, name="three decimals of longitude", spoil=_rounded(3, ("lon",)), caution="coarse_places")
    yield Case(number=8, name="outside by the scatter of a receiver", spoil=_moved(1, 0.00005), proof=_used(24))
    yield Case(number=8, name="one stop 2 km off", spoil=_moved(1, 0.028), caution="stops_outside")
    yield Case(number=8, name="all stops 7 km off", spoil=_moved(24, 0.1), told=("no stop is in the field",))
    yield Case(number=8, name="one stop on another continent", spoil=_moved(1, 100.0), told=("km from the field",))
    yield Case(number=9, name="one id at two places", spoil=_pasted(lon="10.1040000"), told=("column stop", "'S00'"))
    yield Case(
        number=9,
        name="a row pasted twice",
        spoil=_pasted(),
        told=("stops.csv: row 26", "row 2."),
    )
    yield Case(number=9, name="two stops at one place", spoil=_pasted(stop="other"), proof=_used(25))
    yield Case(number=13, name="more positives than n", spoil=_positives("11"), told=("column positives", "n = 10"))
    few = ("column positives", "found 9 units with at least one, but")
    yield Case(number=13, name="more units infested than pests", spoil=_positives("9", count="4"), told=few)
    yield Case(number=14, name="two measures in a row", spoil=_two_measures, told=("severity_pct",))
    yield Case(number=14, name="a target not in the plan", spoil=_other_target, caution="targets_not_in_plan")
    yield Case(number=14, name="no row of the target", spoil=_no_target, told=("'reed aphid'",))
    yield Case(number=13, name="severity given as fractions", spoil=_fractions, caution="maybe_fractions")
    yield Case(number=13, name="severity above 100", spoil=_severity("101"), told=("column severity_pct", "'101'"))
    yield Case(number=13, name="severity with a percent sign", spoil=_severity("40 %"), told=("severity_pct", "'40 %'"))
    yield Case(number=16, name="some dates blank", spoil=cell("date", ""), caution="no_date")
    yield Case(number=16, name="visits after the spray date", spoil=_all("date", "2031-06-12"), caution="late_visit")
    yield Case(number=16, name="another season", spoil=_all("date", "2030-06-08"), caution="other_season")
    yield Case(number=18, name="many faults at once", spoil=_many_faults, told=("row 2", "row 6", "and 38 more"))
    yield Case(number=18, name="too many rows", spoil=_too_many, told=("stops.csv", "more than 20000 rows"))


def _swapped(some: slice) -> Spoil:
    def spoil(folder: Folder) -> None:
        for row in folder.rows[some]:
            row["lon"], row["lat"] = row["lat"], row["lon"]
        folder.save()

    return spoil


def _mirrored(folder: Folder) -> None:
    folder.column("lon", lambda row: "-" + row["lon"])


def _half_in_metres(folder: Folder) -> None:
    for row in folder.rows[12:]:
        row.update(lon="578800", lat="5550500")
    folder.save()


def _rounded(decimals: int, axes: tuple[str, ...] = ("lon", "lat")) -> Spoil:
    def spoil(folder: Folder) -> None:
        for row in folder.rows:
            row.update({axis: f"{float(row[axis]):.{decimals}f}" for axis in axes})
        folder.save()

    return spoil


def _moved(count: int, degrees: float) -> Spoil:
    """Move stops from the eastern edge outwards."""

    def spoil(folder: Folder) -> None:
        for row in folder.rows[:count]:
            row["lon"] = f"{10.105 + degrees:.7f}"
        folder.save()

    def spread(folder: Folder) -> None:
        folder.column("lon", lambda row: f"{float(row['lon']) + degrees:.7f}")

    return spoil if count == 1 else spread


def _used(number: int) -> Callable[..., bool]:
    return lambda plan, inputs: sum(one.used for one in inputs.observations) == number


def _pasted(**change: str) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.rows.append({**folder.rows[0], **change})
        folder.save()

    return spoil


def _positives(text: str, **cells: str) -> Spoil:
    def spoil(folder: Folder) -> str:
        for row in folder.rows:
            row.update(positives="3", **cells)
        return folder.cell("positives", text)

    return spoil


def _two_measures(folder: Folder) -> None:
    for row in folder.rows:
        row["severity_pct"] = ""
    folder.cell("severity_pct", "5")


def _other_target(folder: Folder) -> None:
    folder.rows.append({**folder.rows[0], "target": "marsh rust"})
    folder.save()


def _no_target(folder: Folder) -> None:
    folder.column("target", lambda row: "marsh rust")


def _severity(text: str) -> Spoil:
    def spoil(folder: Folder) -> str:
        _as_severity(folder, "40")
        return folder.cell("severity_pct", text)

    return spoil


def _fractions(folder: Folder) -> None:
    _as_severity(folder, "0.4")


def _as_severity(folder: Folder, value: str) -> None:
    for row in folder.rows:
        row["severity_pct"] = value
        row["count"] = ""
    folder.save()
    folder.replace('"count"\nthreshold = 8\nsource = "own"\nper = 10', '"severity"\nthreshold = 8\nsource = "own"')


def _all(column: str, text: str) -> Spoil:
    return lambda folder: folder.column(column, lambda row: text)


def _many_faults(folder: Folder) -> None:
    for row in folder.rows:
        row.update(count="ten", n="none")
    folder.save()


def _too_many(folder: Folder) -> None:
    folder.rows = [{**folder.rows[0], "stop": f"S{number}"} for number in range(20_001)]
    folder.save()


CASES = [*cells(), *files(), *places()]

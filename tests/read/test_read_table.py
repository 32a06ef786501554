"""Delimited text: one reading or none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.read.door import Source
from rxmap.read.table import Table, read_table

HEADER = "stop,lon,lat,target,count"


def read(data: str | bytes) -> Table:
    return read_table(
        Source(name="t.csv", data=data.encode() if isinstance(data, str) else data, side_cars={}, files=())
    )


REFUSED = {
    "zero bytes": (b"", "empty"),
    "only blank lines": (b"\n \r\n\n", "empty"),
    "a header alone": (HEADER, "without rows"),
    "a header and blank rows": (HEADER + "\n\n,,,,\n", "without rows"),
    "one column": ("stop\nS1\n", "row 1 is no header"),
    "utf-16": ("stop,lon\n".encode("utf-16"), "UTF-16"),
    "an old code page": (HEADER.encode() + b"\nS\xe9,1,1,a,1\n", "byte 28 (0xe9, row 2) is not UTF-8"),
    "nul": (HEADER + "\nS\0,1,1,a,1\n", "byte 28 is NUL"),
    "an old spreadsheet renamed": (b"\xd0\xcf\x11\xe0\xa1\xb1", "spreadsheet"),
    "random bytes": (bytes(range(250, 127, -1)), "not UTF-8"),
    "a short row": (HEADER + "\nS1,1,1,a,1\nS2,1,1\n", "row 3: found 3 cells, the header has 5"),
    "a long row": (HEADER + "\nS1,1,1,a,1,9\n", "row 2: found 6 cells"),
    "a cut last row": (HEADER + "\nS1,1,1,a,1\nS2,1", "row 3: found 2 cells"),
    "an unclosed quote": (HEADER + '\nS1,1,1,a,1\n"S2,1,1,a,1\nS3,1,1,a,1\n', "row 3: unexpected end of data"),
    "text after a quote": (HEADER + '\n"S"1,1,1,a,1\n', "row 2: ',' expected after '\"'"),
    "one gigantic cell": (HEADER + "\n" + "S" * 200_000 + ",1,1,a,1\n", "row 2: field larger"),
    "two delimiters": ("stop;a,lon;b\nS1;1,1;2\n", "can be read with comma and semicolon"),
}


@pytest.mark.parametrize(("data", "part"), REFUSED.values(), ids=REFUSED)
def test_what_is_no_clear_table_is_refused(data: str | bytes, part: str) -> None:
    with pytest.raises(InputError) as caught:
        read(data)
    assert part in str(caught.value)
    assert all(line.startswith("t.csv: ") for line in caught.value.lines())


def test_all_faulty_rows_are_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        read(HEADER + "\nS1\nS2,1,1,a,1\nS3\n")
    assert [line.split(":")[1] for line in caught.value.lines()] == [" row 2", " row 4"]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_rows_are_numbered_as_an_editor_does_after_a_quoted_line_break(end: str) -> None:
    # RFC 4180 section 2, rule 6: a field with a line break stands in quotes
    table = read(end.join([HEADER, '"S', '1",1,1,a,1', "", "S2,1,1,a,1", ""]))
    assert [row.number for row in table.rows] == [2, 5]
    assert table.rows[0].cells[0] == f"S{end}1"


def test_the_quoting_rules_of_rfc_4180_hold() -> None:
    # RFC 4180 section 2, rules 5 to 7: quotes around a field, comma inside, a quote doubled; no end of line at the end
    table = read(HEADER + ',note\n"S1","1","1","a","1","b ""CR"" c, d"')
    assert table.rows[0].cells == ("S1", "1", "1", "a", "1", 'b "CR" c, d')


@pytest.mark.parametrize(("delimiter", "mark"), [(",", "."), (";", "."), ("\t", "."), (";", ","), ("\t", ",")])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_delimiter_decimal_mark_and_byte_order_mark_do_not_matter(delimiter: str, mark: str, start: str) -> None:
    rows = [["stop", "lon", "lat", "target"], ["S1", f"10{mark}5", f"50{mark}5", "a"]]
    table = read(start + "\n".join(delimiter.join(row) for row in rows))
    assert table.header == ("stop", "lon", "lat", "target")
    assert table.rows[0].cells == ("S1", f"10{mark}5", f"50{mark}5", "a")
    assert table.mark == mark


def test_another_delimiter_inside_a_header_does_not_confuse() -> None:
    assert read('stop;lon;lat;target;"size, cm"\nS1;1;1;a;2').header[-1] == "size, cm"
    assert read("stop;lon;lat;target;size, cm\nS1;1;1;a;2").header[-1] == "size, cm"


@given(st.lists(st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"])), min_size=1, max_size=5))
def test_text_in_quotes_comes_back_as_it_was(texts: list[str]) -> None:
    rows = ['S1,1,1,"' + text.replace('"', '""') + '",1' for text in texts]
    table = read("\n".join([HEADER, *rows]))
    assert [row.cells[3] for row in table.rows] == [text.strip() for text in texts]


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    lines: list[str] = []
    try:
        read(data)
    except InputError as error:
        lines = error.lines()
    assert all(line.startswith("t.csv: ") for line in lines)


def test_xml_given_as_a_table_is_refused_in_plain_words() -> None:
    with pytest.raises(InputError, match="XML or HTML, but no GPX"):
        read('\ufeff<?xml version="1.0"?><table/>')

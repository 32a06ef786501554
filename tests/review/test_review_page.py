from __future__ import annotations

import html.parser
import re
import subprocess
from pathlib import Path

import pytest

from rxmap.review.run import review

HOSTILE = 'O\'Brien & "N" <script>alert(1)</script>'


class Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.links: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        self.links += [value or "" for key, value in attrs if key in ("src", "href")]


@pytest.fixture(scope="module")
def reviewed(sampled, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("page") / "review"
    review(sampled.plan, sampled.result, out)
    return out


@pytest.fixture(scope="module")
def page(reviewed) -> str:
    return (reviewed / "review.html").read_text(encoding="utf-8")


def test_the_page_needs_no_script_and_no_network(page):
    tags = Tags(page)
    assert "script" not in tags.seen
    assert tags.links == ["data:,"]
    assert "http" not in re.sub(r"http-equiv", "", page)


def test_the_page_shows_the_strips_and_the_field(page):
    assert page.count("<svg") == 2
    assert "strip 4" in page
    assert 'role="img"' in page


def test_text_from_a_plan_is_never_markup(case, tmp_path):
    case.edit("review.toml", '"Larkspur Quarter"', f"'''{HOSTILE}'''")
    review(case.plan, case.result, tmp_path / "review")
    text = (tmp_path / "review" / "review.html").read_text(encoding="utf-8")
    assert "script" not in Tags(text).seen
    assert "&lt;script&gt;" in text


def test_the_paper_says_what_the_page_says(reviewed, program):
    call = [program("pdftotext"), "-layout", str(reviewed / "review.pdf"), "-"]
    told = subprocess.run(call, capture_output=True, text=True, check=True).stdout
    assert "Did it pay?" in told
    assert "Only check strips against treated ground beside them" in " ".join(told.split())


def test_the_paper_is_a_whole_pdf(reviewed):
    content = (reviewed / "review.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert content.rstrip().endswith(b"%%EOF")


def test_the_same_inputs_give_the_same_bytes(sampled, reviewed, tmp_path):
    review(sampled.plan, sampled.result, tmp_path / "again")
    for path in reviewed.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name

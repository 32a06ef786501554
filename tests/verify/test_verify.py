from __future__ import annotations

from pathlib import Path

from rxmap.verify import CHECKS, verify


def test_a_clean_folder_passes_every_check(good: Path) -> None:
    report = verify(good)
    assert report.findings == ()
    assert report.ok
    assert len(report.checked) == len(CHECKS)

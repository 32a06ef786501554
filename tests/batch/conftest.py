"""Small invented fields on the disk: copies of the teasel sample, which builds in a second."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_layers" / "teasel"

Plant = Callable[..., Path]


@pytest.fixture(scope="session")
def plant() -> Plant:
    """Make a field below a folder: ``plant(folder, "north/creek", {"old text": "new text"})``."""

    def make(folder: Path, place: str, changes: dict[str, str] | None = None) -> Path:
        shutil.copytree(SAMPLE, folder / place)
        plan = folder / place / "plan.toml"
        text = plan.read_text(encoding="utf-8").replace('"Teasel Piece"', f'"{place}"')
        for old, new in (changes or {}).items():
            assert old in text
            text = text.replace(old, new)
        plan.write_text(text, encoding="utf-8")
        return plan

    return make


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="session")
def tree() -> Callable[[Path], dict[str, str]]:
    return hashes

"""Mutations of a good result folder, each with the finding that it must cause."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rxmap.verify import verify

Mutation = Callable[[Path], None]


class Mutations(list[Any]):
    """Parameters of a test: a mutation, the file that its finding names, and words of it."""

    def found_in(self, file: str, words: str) -> Callable[[Mutation], Mutation]:
        """Register a mutation."""

        def register(mutation: Mutation) -> Mutation:
            self.append(pytest.param(mutation, file, words, id=mutation.__name__))
            return mutation

        return register


def see_it_red(folder: Path, seal: Callable[[Path], None], *, file: str, words: str) -> None:
    """Seal a broken folder, so that every hash is right, and look for the finding."""
    seal(folder)
    findings = verify(folder).findings
    assert [line for line in findings if line.startswith(file) and words in line], findings
    assert not [line for line in findings if "the manifest says" in line]

"""The command line: one module per command. Only typer is imported before a command runs."""

from __future__ import annotations

from rxmap.cli.app import main

__all__ = ["main"]

"""Run the command line as ``python -m rxmap``."""

from rxmap.cli import main

main()

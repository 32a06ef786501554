"""The command line: one module per command. Ctrl-C is understood before anything but the standard library loads."""

from __future__ import annotations

import signal
import sys
import threading
from typing import NoReturn

__all__ = ["INTERRUPTED", "main"]

INTERRUPTED = 130


def main() -> NoReturn:
    """Run the command line; `rxmap.cli.app` says how it ends. Ctrl-C ends it with 130, also while it still loads."""
    interrupts = _count_interrupts()
    try:
        from rxmap.cli.app import run

        run(interrupts)
    except KeyboardInterrupt:
        pass
    except Exception:
        if not interrupts:
            raise
    print("rxmap: interrupted; what was not published yet left nothing behind", file=sys.stderr)
    sys.exit(INTERRUPTED)


def _count_interrupts() -> list[int]:
    """Raise on Ctrl-C as ever, and remember it: an import that it breaks off may end in an error of another name.

    Who started us may have turned Ctrl-C off, as a shell does for what runs in its background: then it stays off.
    """
    seen: list[int] = []

    def interrupt(number: int, _: object) -> None:
        seen.append(number)
        raise KeyboardInterrupt

    usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if usual and threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, interrupt)
    return seen

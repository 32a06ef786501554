"""The commands put together, and what each way of ending looks like from outside."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import Annotated, NoReturn

import typer

from rxmap import __version__
from rxmap.cli import INTERRUPTED
from rxmap.cli.batch import batch
from rxmap.cli.build import build
from rxmap.cli.check import check
from rxmap.cli.new import new
from rxmap.cli.review import review
from rxmap.cli.stops import stops
from rxmap.cli.verify import verify

DONE, FAULT, REFUSED, NOT_PROVED = 0, 1, 2, 3

# Variables by which a shell that is set up for another program would steer the libraries inside.
STEERING = ("PROJ_", "GDAL_", "OGR_", "CPL_", "SHAPE_")

HELP = """From scouting stops to pressure surfaces, management zones and a zone file that the sprayer reads.

It decides nothing that the label, the law or a licensed person decides."""

app = typer.Typer(
    help=HELP, no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
)


def _version(asked: bool) -> None:
    if asked:
        print(f"rxmap {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")] = False,
) -> None:
    """Hold what stands before every command; `_say` reads --debug itself, to have it when parsing fails."""


for command in (new, check, build, verify, stops, batch, review):
    app.command()(command)


def run(interrupts: Sequence[int]) -> NoReturn:
    """Run the command line and leave with its exit code, or with KeyboardInterrupt where it was interrupted.

    0 done; 2 refused, for a reason that the user can mend; 3 a result refused by its own checks;
    1 a fault of the program. Errors are one line each on standard error. `interrupts` holds those that came so far.
    """
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name) or open(os.devnull, "w")  # noqa: SIM115 (closed by who started us; open to the end)
        setattr(sys, name, stream)
        if hasattr(stream, "reconfigure"):  # a narrow terminal encoding must not end the run
            stream.reconfigure(errors="backslashreplace")
    for name in [name for name in os.environ if name.startswith(STEERING)]:
        del os.environ[name]
    os.environ["GDAL_CONFIG_FILE"] = os.devnull  # else a file in the home folder is read
    os.environ["JOBLIB_MULTIPROCESSING"] = "0"  # not used, and its first try at a lock warns where the disk is full
    code = _ended(lambda: app(standalone_mode=False), interrupts)
    try:
        sys.stdout.flush()
    except KeyboardInterrupt:  # all is done and told
        sys.exit(INTERRUPTED)
    except OSError as error:  # the reader of a pipe left, or the disk is full; what is published is so all the same
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = code if isinstance(error, BrokenPipeError) else _refused(error)
    sys.exit(code)


def _ended(run: Callable[[], object], interrupts: Sequence[int] = ()) -> int:
    """Run the command line and translate how it ended into an exit code."""
    from rxmap.errors import CheckError, RxmapError

    try:
        code = run()
        if code == INTERRUPTED:  # so the option parser takes Ctrl-C
            raise KeyboardInterrupt
    except RxmapError as error:
        _say(error.lines(), error)
        return NOT_PROVED if isinstance(error, CheckError) else REFUSED
    except typer.Abort:
        raise KeyboardInterrupt from None
    except BrokenPipeError:
        return DONE
    except SystemExit as left:  # the parser leaves with 1 when the reader of a pipe is gone; else a signal ended us
        return DONE if left.code == 1 else int(left.code or DONE)
    except typer.Exit as left:
        return left.exit_code
    except Exception as error:
        if interrupts:
            raise KeyboardInterrupt from None
        if isinstance(error, OSError):
            return _refused(error)
        if hasattr(error, "format_message"):  # a wrong call, in the words of the option parser
            _say([f"{error.format_message()} See rxmap --help."], error)
            return REFUSED
        _say([f"a fault of the program, not of your files: {type(error).__name__}: {error}. Please report it."], error)
        return FAULT
    return code if isinstance(code, int) else DONE


def _refused(error: OSError) -> int:
    """Say what the system refuses where nothing nearer could be said of it."""
    where = error.filename or "what it prints"
    _say([f"{where}: the system says: {error.strerror or error}. Check the place and who may use it."], error)
    return REFUSED


def _say(lines: list[str], error: Exception) -> None:
    for line in lines:
        print(f"rxmap: {' '.join(line.split())}", file=sys.stderr)
    if "--debug" in sys.argv:
        import traceback

        traceback.print_exception(error)

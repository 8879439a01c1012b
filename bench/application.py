"""Every command of `fit` and `bench` as one application, and its exit status.

Command modules import nothing heavy at the top, so that `heatrun --help` answers at once.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
import traceback
from collections.abc import Callable
from typing import Annotated, NoReturn

import typer

from bench.commands import COMMANDS
from fit.errors import HeatrunError
from fit.output.one_line import complain
from fit.output.verbosity import PLAIN, QUIET, VERBOSE, is_verbose, tell

STOPPED = 130
"""What typer returns where Ctrl-C ended a command."""

EPILOG = (
    "The parts get hot and a supply can start a fire: read the cautions in the README, "
    "and never leave a heat run alone without a hardware cut-out."
)


def run(arguments: list[str] | None) -> int:
    """Run a command; its exit status.

    Args:
        arguments: words after the program's name; the process's own when None.

    Raises:
        KeyboardInterrupt: Ctrl-C ended it.
        SystemExit: the parser or a command left by itself.
    """
    _open_streams()
    words = sys.argv[1:] if arguments is None else arguments
    completing = "_HEATRUN_COMPLETE" in os.environ
    wanted = next((word for word in words if not word.startswith("-")), "")
    command = typer.main.get_command(build(None if completing else wanted))
    try:
        status = command.main(arguments, prog_name="heatrun", standalone_mode=False)
        sys.stdout.flush()
    except HeatrunError as error:
        if is_verbose():
            traceback.print_exception(error)
        return complain(str(error), error.exit_status)
    except typer.Abort:
        raise KeyboardInterrupt from None
    except SystemExit as error:
        if not isinstance(error.__context__, BrokenPipeError):
            raise
        _leave_output()  # typer and rich give it the status 1, which says something else here
    except Exception as error:
        return _unexpected(error)
    if status == STOPPED:
        raise KeyboardInterrupt
    return status if isinstance(status, int) else 0


def _unexpected(error: Exception) -> int:
    """Bad usage in the parser's words, an output that takes no more, or a fault of our own."""
    format_message = getattr(error, "format_message", None)
    if format_message is not None:
        context = getattr(error, "ctx", None)
        where = f"; see '{context.command_path} --help'" if context is not None else ""
        return complain(f"{format_message().rstrip('.')}{where}", 2)
    if isinstance(error, BrokenPipeError):
        _leave_output()
    if is_verbose():
        traceback.print_exception(error)
    if isinstance(error, OSError) and error.strerror:
        return complain(f"{error.filename or 'standard output'}: {error.strerror}", 2)
    at = traceback.extract_tb(error.__traceback__)[-1]
    return complain(
        f"a fault of heatrun's own: {type(error).__name__}: {error} ({at.filename}:{at.lineno}); "
        "'heatrun --verbose …' shows how it came to it",
        2,
    )


def _open_streams() -> None:
    """Standard streams that are closed are opened on nothing, and take characters they lack.

    Else an instrument's port would get the number of standard output.
    """
    if None in (sys.stdin, sys.stdout, sys.stderr):
        while (opened := os.open(os.devnull, os.O_RDWR)) <= 2:
            pass
        os.close(opened)
        sys.stdin = sys.stdin or os.fdopen(0, encoding="utf-8", closefd=False)
        sys.stdout = sys.stdout or os.fdopen(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = sys.stderr or os.fdopen(2, "w", encoding="utf-8", closefd=False)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _leave_output() -> NoReturn:
    """The reader of our output (head, less) has gone; Python would complain again at exit.

    Not with status 0: nobody has got the whole result.
    """
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.exit(2)


def build(only: str | None = None) -> typer.Typer:
    """The whole command line as one typer application.

    Args:
        only: the one command whose options are needed; of the others, name and help line will do.
            None: all of them with their options.
    """
    # Plain help and plain errors: rich would double the start-up time.
    app = typer.Typer(
        name="heatrun",
        help="Log a heat run, fit it to a thermal network, hold it against the budget, "
        "say what is wrong.",
        epilog=EPILOG,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    app.callback(invoke_without_command=True)(_options)
    for name, module in COMMANDS.items():
        function = importlib.import_module(module).command
        app.command(name)(function if only in (None, name) else _listed(function))
    return app


def _listed(function: Callable[..., object]) -> Callable[[], None]:
    """A command for the list of commands alone: reading all their options takes a while."""

    def listed() -> None: ...

    listed.__doc__ = function.__doc__
    return listed


def _options(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and leave.")
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Results and errors only: no progress, no remarks.")
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", help="Say how long things took, and where an error arose.")
    ] = False,
) -> None:
    if quiet and verbose:
        raise typer.BadParameter("--quiet and --verbose: one of them")
    tell(QUIET if quiet else VERBOSE if verbose else PLAIN)
    if version:
        from importlib.metadata import version as installed_version

        typer.echo(f"heatrun {installed_version('heatrun')}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit(2)

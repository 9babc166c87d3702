"""What surrounds every command: lazy loading, exit status, errors, broken pipes, Ctrl-C.

Exit status: 0 an answer, 1 an error the user can mend, 2 wrong usage, 3 an answer with
warnings, 70 our bug (with its traceback), 130 stopped with Ctrl-C, 141 nobody reads the output.
A command returns its exit status; this module turns everything else into one.
"""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from importlib import import_module
from io import TextIOWrapper
from typing import TYPE_CHECKING, Any

import click

from cda.errors import CdaError, OutputError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

ANSWER, ERROR, USAGE, WARNING, BUG, STOPPED, PIPE_CLOSED = 0, 1, 2, 3, 70, 130, 141

_MENDABLE = {  # what the system refuses for a reason the user can do something about
    errno.ENOENT,
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EFBIG,
    errno.EISDIR,
    errno.ENOTDIR,
    errno.EEXIST,
    errno.ENAMETOOLONG,
    errno.ELOOP,
    errno.EMFILE,
    errno.EIO,
}


class _PipeClosedError(Exception):
    """Whoever read our output has gone; click would turn it into exit status 1."""


class CommandLine(click.Group):
    """A group whose commands are imported when called, and which decides the exit status.

    Parameters
    ----------
    commands_by_module : mapping
        Name of the command (and of its module under `cda.cli`) to its line in the help.
    """

    def __init__(self, *args: Any, commands_by_module: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.commands_by_module = commands_by_module

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(self.commands_by_module)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command."""
        if cmd_name not in self.commands_by_module:
            return None
        command: click.Command = import_module(f"cda.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self.commands_by_module.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a closed pipe keeps its own exit status."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise _PipeClosedError from error

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command and exit with its status (or return it, where not stand-alone)."""
        _speak_utf8()
        _use_one_thread()
        arguments = sys.argv[1:] if args is None else list(args)
        status = self._status(arguments, prog_name or "cda", complete_var, extra)
        try:
            sys.stdout.flush()
        except BrokenPipeError:
            status = _give_up_output()
        if standalone_mode:
            sys.exit(status)
        return status

    def _status(
        self,
        arguments: list[str],
        prog_name: str,
        complete_var: str | None,
        extra: dict[str, Any],
    ) -> int:
        as_json = "--json" in arguments
        try:
            outcome = super().main(
                arguments, prog_name, complete_var, standalone_mode=False, **extra
            )
        except CdaError as error:
            return _report_error(error, as_json=as_json)
        except click.ClickException as error:
            error.show()
            return error.exit_code
        except (click.Abort, KeyboardInterrupt):
            click.echo("\nStopped. Files are written whole or not at all.", err=True)
            return STOPPED
        except _PipeClosedError:
            return _give_up_output()
        except OSError as error:
            if error.errno in _MENDABLE:
                return _report_error(_system_error(error), as_json=as_json)
            return _report_bug(error, as_json=as_json)
        except Exception as error:
            return _report_bug(error, as_json=as_json)
        return outcome if isinstance(outcome, int) else ANSWER


def _speak_utf8() -> None:
    """Print m² and § whatever the locale says; a name that is no text is escaped, not fatal."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def _use_one_thread() -> None:
    """Let linear algebra use one thread, unless the user has set how many.

    The matrices are small. More threads gain nothing on a quiet machine, and on a busy one they
    wait for one another: two days pooled took 45 s instead of 1 s. The libraries read this when
    they are loaded, which no command has done yet.
    """
    for library in ("OPENBLAS", "MKL", "OMP"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


def _give_up_output() -> int:
    """Send what is still buffered nowhere, so that the interpreter ends without a complaint."""
    with suppress(OSError, ValueError):  # not a real file, as under a test runner
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return PIPE_CLOSED


def _system_error(error: OSError) -> OutputError:
    where = "" if error.filename is None else os.fsdecode(error.filename)
    fixes = {
        errno.ENOENT: "check the path",
        errno.ENOSPC: "make room on the disk, or write elsewhere",
        errno.EDQUOT: "make room on the disk, or write elsewhere",
        errno.EFBIG: "make room on the disk, or write elsewhere",
    }
    fix = fixes.get(error.errno or 0, "choose a file or folder that you may read and write")
    return OutputError(error.strerror or str(error), where=where, fix=fix)


def _report_error(error: CdaError, *, as_json: bool) -> int:
    click.echo(f"Error: {error}", err=True)
    click.echo("Next: mend this, then type the same command again.", err=True)
    if as_json:
        _print_document(error.to_dict())
    return ERROR


def _report_bug(error: BaseException, *, as_json: bool) -> int:
    import traceback

    click.echo("".join(traceback.format_exception(error)), err=True)
    click.echo(
        f"This is a fault in the program, not in your files: {type(error).__name__}: {error}",
        err=True,
    )
    click.echo("Next: report it with the lines above; they hold no sample of the ride.", err=True)
    if as_json:
        what = f"internal error: {type(error).__name__}: {error}"
        fix = "report it with the traceback on standard error"
        _print_document(
            {"schema": 1, "kind": "error", "what": what, "where": "the program", "fix": fix}
        )
    return BUG


def _print_document(document: dict[str, object]) -> None:
    import json

    click.echo(json.dumps(document, ensure_ascii=False, indent=2))

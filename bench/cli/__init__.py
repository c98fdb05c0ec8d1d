"""The ``umbilical`` command: parse, run, and turn every outcome into one exit code.

Only this file maps errors to exit codes, and only ``options.py`` and the command files know
typer. Whatever is heavy (numpy, the store, Modbus, rich) is imported inside the command that
needs it, so that ``umbilical --help`` answers at once.
"""

import os
import signal
import sys
from collections.abc import Sequence

from bench.cli import stdio
from bench.errors import BenchError

EXIT_USAGE = 64
EXIT_INTERNAL = 70
EXIT_STOPPED = 130


def main() -> None:
    """Entry point of the installed command."""
    stdio.prepare()
    # A service manager's stop is the operator's stop: one way out, which leaves outputs off.
    signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))
    code = run(sys.argv[1:])
    _flush_or_forget()
    sys.exit(code)


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code; errors become one line on stderr."""
    import typer

    from bench.cli.commands import program

    try:
        code = program()(list(arguments), prog_name="umbilical", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except (KeyboardInterrupt, typer.Abort):
        return _fail("stopped by the operator", EXIT_STOPPED)
    except typer.TyperException as error:
        if not arguments or str(error).startswith("Usage:"):  # a command group alone: its help is the answer
            sys.stderr.write(f"{error}\n")
            return EXIT_USAGE
        return _fail(f"{_usage_message(error)} (see: {_command_of(error)} --help)", EXIT_USAGE)
    except BenchError as error:
        return _fail(str(error), error.exit_code, error)
    except BrokenPipeError:
        return 0  # whoever read our output has seen enough
    except Exception as error:
        hint = "run again with UMBILICAL_DEBUG=1 for the whole story"
        return _fail(f"internal error: {type(error).__name__}: {error}; {hint}", EXIT_INTERNAL, error)


def _usage_message(error: Exception) -> str:
    message = getattr(error, "format_message", error.__str__)()
    return str(message).rstrip(".") or "nothing to do"


def _command_of(error: Exception) -> str:
    context = getattr(error, "ctx", None)
    return str(context.command_path) if context is not None else "umbilical"


def _fail(message: str, code: int, error: BaseException | None = None) -> int:
    if error is not None and os.environ.get("UMBILICAL_DEBUG"):
        import traceback

        traceback.print_exception(error)
    sys.stderr.write(f"umbilical: {_in_one_line(message)}\n")
    return code


def _in_one_line(message: str) -> str:
    """The first problem of a file, and how many more there are: all of them would fill the screen."""
    first, *more = message.splitlines() or [""]
    line = " ".join(first.split())
    return f"{line}; and {len(more)} more (umbilical profile check lists them)" if more else line


def _flush_or_forget() -> None:
    """Flush while a closed pipe can still be caught; the interpreter's own flush would complain."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

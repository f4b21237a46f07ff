"""The front door: the commands, and what becomes of faults.

To add a command: a function in the module of its topic in ``commands/`` (its docstring is the help, its options are
the ``Annotated`` types of ``commands.options`` where they fit, its body imports what it needs, for ``stillbox --help``
must stay light) and its name in ``COMMANDS`` below. It makes one call into a room and hands the result to
``commands.printing``. Without a command, or with the folder of a build alone, the window opens. Faults are
StillboxErrors; ``main`` turns them, and wrong use, into one line on stderr and exit status 2. Any other error is a
fault of the program: one line that says so, status 1, the traceback in the log.
"""

from __future__ import annotations

import difflib
import errno
import io
import os
import shlex
import sys
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from stillbox import __version__
from stillbox.capture.errors import StillboxError, describe_program_fault
from stillbox.capture.files.whole_file import ON_WINDOWS
from stillbox.capture.stop_signals import StopSignals, stop_signals
from stillbox.commands.checking import check
from stillbox.commands.crossover import crossover
from stillbox.commands.driver_and_box import bass, box, driver
from stillbox.commands.live import cautions, devices, jig, record
from stillbox.commands.notebook import log
from stillbox.commands.parts import coil, combine, part, wire
from stillbox.commands.printing import say, warn
from stillbox.commands.recordings import excitation, import_recording, start, takes
from stillbox.commands.results import calibrate, compare, curve, decay, demo, findings, report
from stillbox.commands.wrong_use import fault_of_number

COMMANDS: dict[str, Callable[..., None]] = {
    "demo": demo,
    "cautions": cautions,
    "jig": jig,
    "start": start,
    "devices": devices,
    "record": record,
    "excitation": excitation,
    "import": import_recording,
    "takes": takes,
    "calibrate": calibrate,
    "curve": curve,
    "findings": findings,
    "decay": decay,
    "compare": compare,
    "driver": driver,
    "box": box,
    "bass": bass,
    "crossover": crossover,
    "check": check,
    "part": part,
    "combine": combine,
    "coil": coil,
    "wire": wire,
    "log": log,
    "report": report,
}

COMPLETION = "_STILLBOX_COMPLETE"
"""Where a shell says what it wants to know of a line."""

INTERRUPTED = 130
BROKEN = 1
"""Exit status after a fault of the program itself."""

app = typer.Typer(
    name="stillbox",
    help="Instrument and notebook for people who build and rework passive loudspeakers at home. "
    "Without a command, or with the folder of a build alone, the window opens.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for name, function in COMMANDS.items():
    app.command(name=name)(function)


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"stillbox {__version__}")
        raise typer.Exit


@app.callback()
def _front_door(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """What may stand before any command."""


def _require_command(given: Sequence[str]) -> None:
    """StillboxError where the first word is neither an option nor a command, or a word is empty."""
    if "" in given:
        raise StillboxError(
            f"word {given.index('') + 1} of the command is empty, as a shell variable without a value gives it",
            "give a value, or leave it out",
        )
    first = given[0]
    if first.startswith("-") or first in COMMANDS:
        return
    if Path(first).is_dir():
        raise StillboxError(
            f"'{given[1]}' after the folder {first} means nothing",
            f"the command comes first, as in 'stillbox takes {first}'; see 'stillbox --help'",
        )
    builds = (str(path.parent) for path in Path(first).parent.glob("*/build.toml"))
    names = {name.lower(): name for name in (*builds, *COMMANDS)}
    near = difflib.get_close_matches(first.lower(), names, n=1)
    meant = f" (did you mean '{names[near[0]]}'?)" if near else ""
    raise StillboxError(
        f"'{first}' is no command{meant} and no folder of a build",
        f"make a build of this name with 'stillbox start {first}', or see the commands by 'stillbox --help'",
    )


def _means_window(given: Sequence[str]) -> bool:
    """Nothing given, or the folder of a build alone; a shell that asks how a line may go on gives nothing either."""
    if COMPLETION in os.environ:
        return False
    return not given or (len(given) == 1 and given[0] not in COMMANDS and given[0] != "" and Path(given[0]).is_dir())


def main(arguments: Sequence[str] | None = None) -> None:
    """Open the window or run a command.

    Exit status 0; with one line on stderr 2 for wrong use or bad input, 1 for a fault of the program itself.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # not every terminal knows every letter
    with stop_signals() as signals:
        status = _status_of(given, signals)
    sys.exit(status)


def _status_of(given: Sequence[str], signals: StopSignals) -> int:
    try:
        if _means_window(given):
            from stillbox.gui.start import open_window

            status = open_window(Path(given[0]) if given else None)
            status = signals.status or status
        else:
            if COMPLETION not in os.environ:
                _require_command(given)
            status = app(args=given, prog_name="stillbox", standalone_mode=False)
        if status == INTERRUPTED:  # newer versions of typer turn Ctrl-C into this status themselves
            return _stopped(signals)
    except StillboxError as error:
        if signals.number is not None:  # what was under way ended by it
            return _stopped(signals)
        warn(str(error))
        status = 2
    except SystemExit as left:
        if left.code != 1:
            raise
        return _without_reader()  # click itself leaves then
    except OSError as error:
        if _reader_has_gone(error):
            return _without_reader()
        if signals.number is not None:  # a terminal that has gone
            return _stopped(signals)
        warn(f"{error.filename or 'system'}: {error.strerror or error}; check the path and the rights there")
        status = 2
    except (KeyboardInterrupt, typer.Abort):
        return _stopped(signals)
    except Exception as error:
        if not isinstance(error, CLICK_FAULT):
            return _program_fault(error, given)
        number = fault_of_number(COMMANDS[given[0]], given[1:]) if given[0] in COMMANDS else ""
        warn(number or f"{error.format_message().rstrip('.')}. See 'stillbox --help'.")
        status = 2
    return status or 0


def _reader_has_gone(error: OSError) -> bool:
    """Whether nobody (head, less) reads our output any more; Windows has another number for it."""
    return isinstance(error, BrokenPipeError) or (
        ON_WINDOWS and error.errno == errno.EINVAL and error.filename is None
    )


def _without_reader() -> int:
    """Nothing more to say, nor at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _program_fault(error: Exception, given: Sequence[str]) -> int:
    """Say that it is ours and where it is written down, for whoever reports it."""
    from stillbox.gui.work.log_file import keep_trace

    path = keep_trace(error, shlex.join(["stillbox", *given]))
    if path is None:
        traceback.print_exception(error)  # nothing else keeps it
    told = "where it happened stands above" if path is None else f"where it happened is at the end of {path}"
    warn(f"{describe_program_fault(error)}; nothing recorded is lost; {told}")
    return BROKEN


def _stopped(signals: StopSignals) -> int:
    """Say so, where somebody still listens, and tell by the status which signal it was."""
    with suppress(OSError):
        warn("stopped")
    return signals.status or INTERRUPTED


CLICK_FAULT: Any = typer.BadParameter.__mro__[2]
"""click's ClickException, the base of all faults of use; typer brings its own copy of click in newer versions."""

"""The one place that reads the command line, prints, and sets the exit code.

A command is a module beside this one whose name has no leading underscore; only the module of the command that was
asked for is imported, so that starting stays quick.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import NoReturn

from tapwright import VERSION
from tapwright.cli.common import EXIT_BAD_INPUT, Outcome, as_json
from tapwright.core import registry
from tapwright.core.errors import TapwrightError, UsageError
from tapwright.core.files import os_reason

PACKAGE = "tapwright.cli"
NOT_COMMANDS = frozenset({"main", "common"})
EXIT_OWN_FAULT = 70  # EX_SOFTWARE of sysexits.h: a fault of tapwright itself, never of what was given
EXIT_INTERRUPTED = 130

_ABOUT = """\
From a handheld instrument's pads to a page of proven readings: what does each pad do, which line talks and how,
where does a frame begin, what makes the number, what was never seen, will the cells carry an added board.
"""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UsageError(message, expected=" ".join(self.format_usage().replace("usage: ", "").split()),
                         do=f"see '{self.prog} --help'")


def command_names() -> tuple[str, ...]:
    """Return the names of all commands, sorted."""
    return tuple(name for name in registry.names(PACKAGE) if name not in NOT_COMMANDS)


def entry() -> NoReturn:
    """Run the command line of this process and leave with its exit code."""
    sys.exit(main(sys.argv[1:]))


def main(argv: list[str]) -> int:
    """Run one command line; return the exit code (see the contract: 0, 1, 2)."""
    try:
        outcome, as_document = _run(argv)
    except TapwrightError as error:
        print(f"tapwright: {error.message()}", file=sys.stderr)
        return EXIT_BAD_INPUT
    except KeyboardInterrupt:
        print("tapwright: stopped", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        return _reader_left()
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"tapwright: {where}{os_reason(error)}.", file=sys.stderr)
        return EXIT_BAD_INPUT
    except MemoryError:
        print("tapwright: not enough memory for this input. Cut the capture in pieces.", file=sys.stderr)
        return EXIT_BAD_INPUT
    except Exception:  # the last line of defence: a user never meets a traceback, a maintainer gets it as a file
        return _own_fault()
    try:
        text = "" if outcome.said else as_json(outcome.document) if as_document else outcome.text
        if text:
            sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        return _reader_left()
    return outcome.exit_code


def _run(argv: list[str]) -> tuple[Outcome, bool]:
    names = command_names()
    first = next((word for word in argv if not word.startswith("-")), None)
    if not argv or (argv[0].startswith("-") and first is None):
        return _top(argv, names), False
    if argv[0] not in names:
        raise UsageError(f"no command named '{argv[0]}'", expected="one of " + ", ".join(names),
                         do="see 'tapwright --help'")
    return _command(argv[0], argv[1:])


def run_command(name: str, argv: list[str]) -> Outcome:
    """Run one command from within another; errors come as `TapwrightError`."""
    return _command(name, argv)[0]


def _command(name: str, argv: list[str]) -> tuple[Outcome, bool]:
    module = registry.member(PACKAGE, name)
    parser = _Parser(prog=f"tapwright {name}", description=module.HELP, allow_abbrev=False)
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of text")
    parser.add_argument("--job", metavar="DIR", help="the job folder (default: the current folder)")
    module.configure(parser)
    args = parser.parse_args(argv)
    outcome: Outcome = module.run(args)
    return outcome, args.json


def _top(argv: list[str], names: tuple[str, ...]) -> Outcome:
    if "--version" in argv:
        return Outcome({}, f"tapwright {VERSION}")
    unknown = [word for word in argv if word not in ("--help", "-h")]
    if unknown:
        raise UsageError(f"unknown option '{unknown[0]}'", expected="a command", do="see 'tapwright --help'")
    rows = [f"  {name:<9} {registry.member(PACKAGE, name).HELP.splitlines()[0]}" for name in names]
    text = "\n".join(["usage: tapwright COMMAND ...", "", _ABOUT, *rows, "",
                      "'tapwright COMMAND --help' tells more of one; 'tapwright demo' shows the whole job."])
    return Outcome({}, text, 0 if argv else EXIT_BAD_INPUT) if argv else _no_command(text)


def _no_command(text: str) -> Outcome:
    print(text, file=sys.stderr)
    return Outcome({}, "", EXIT_BAD_INPUT)


def _reader_left() -> int:
    # The other end of the pipe closed (head, less): point stdout at nothing so that leaving raises no second error.
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _own_fault() -> int:
    place = Path(tempfile.gettempdir()) / f"tapwright-fault-{os.getpid()}.txt"
    said = str(place)
    try:
        place.write_text(traceback.format_exc(), encoding="utf-8")
    except OSError:
        said = "nowhere: the temporary folder cannot be written"
    error = sys.exc_info()[1]
    print(f"tapwright: a fault of its own ({type(error).__name__}: {error}); your files are as they were. "
          f"Details for a report: {said}", file=sys.stderr)
    return EXIT_OWN_FAULT

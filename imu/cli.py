"""The command line: a table of commands, each imported only when it is chosen.

Nothing heavy is imported here, so that `cupbow --help` answers at once. A command is a module in
`imu/commands/` (or, for the pages, in `dashboard/`) with two functions:

    def add_arguments(parser: argparse.ArgumentParser) -> None
    def run(args: argparse.Namespace) -> int            # the exit code

Exit codes: 0 done; 2 wrong use; 3 a recording that cannot be read or holds no swing;
1 a fault of the program; 130 stopped by Ctrl-C. What goes wrong is one line on standard error.
"""

from __future__ import annotations

import argparse
import importlib
import math
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NoReturn

from imu.errors import CupbowError

DEBUG_VARIABLE = "CUPBOW_DEBUG"


@dataclass(frozen=True)
class Command:
    """One line of the table.

    `target` is a module, or `module:attribute` where one module serves several commands; either
    way the thing named has `add_arguments` and `run`.
    """

    name: str
    target: str
    help: str

    def load(self) -> Any:
        module, _, attribute = self.target.partition(":")
        loaded = importlib.import_module(module)
        return getattr(loaded, attribute) if attribute else loaded


COMMANDS: tuple[Command, ...] = (
    Command("measure", "imu.commands.measure", "measure wrist and club at each event of every swing in a recording"),
    Command("inspect", "imu.commands.inspect", "say what was understood of a recording's files, and what is doubtful"),
    Command("sensors", "imu.commands.sensors", "list the sensors that are near, what they are, and their batteries"),
    Command("record", "imu.commands.record", "record the sensors that are near until Ctrl-C"),
    Command(
        "calibrate", "imu.commands.calibrate", "calibrate a sensor by itself: six faces and known turns on a table"
    ),
    Command(
        "compare", "imu.commands.compare", "say what has changed between sets of swings, and what can't be told yet"
    ),
    Command(
        "whatif", "imu.commands.whatif", "say what face and shaft would do if only the wrist or the roll were otherwise"
    ),
    Command("letter", "imu.commands.letter", "write the letter home: one thought, before and after, drill, numbers"),
    Command("change", "imu.commands.change", "say what leads to what, and what to change: candidates, and your pick"),
    Command("plan", "imu.commands.plan", "write the practice until the next lesson, from a pick, to one file"),
    Command("practice", "imu.commands.practice", "practise alone: today's session of a plan"),
    Command("replay", "imu.commands.replay", "play a recording as if it were being taken now"),
    Command(
        "benchmark", "imu.commands.benchmark", "time a whole measurement beside library filters on the same streams"
    ),
    Command("student", "imu.commands.library:STUDENT", "enter a student, or correct what is known of one"),
    Command("add", "imu.commands.library:ADD", "measure recordings and file them under a student"),
    Command("list", "imu.commands.library:LIST", "list students, a student's lessons, a lesson's swings"),
    Command("move", "imu.commands.library:MOVE", "file recordings or lessons elsewhere; split and merge lessons"),
    Command("correct", "imu.commands.library:CORRECT", "correct club or thought; leave swings out; note ball flights"),
    Command("undo", "imu.commands.library:UNDO", "take back the last change in the library, or another"),
    Command("forget", "imu.commands.library:FORGET", "delete a student wholly, and say what is out of reach"),
    Command("export", "imu.commands.library:EXPORT", "write the library, or one student, to one archive"),
    Command("import", "imu.commands.library:IMPORT", "take an archive into the library; twice is once"),
    Command("remeasure", "imu.commands.library:REMEASURE", "measure anew after an upgrade, and say what moved"),
    Command("coaches", "imu.commands.library:COACHES", "say who may use an academy's library on a server"),
    Command("settings", "imu.commands.settings", "show or change language, dates, units and paper"),
)
"""Commands in the order in which help lists them."""

CAUTIONS = (
    "Before anyone swings: clear the space around the swing, secure the sensors, and stop on wrist pain. "
    "A measurement is not a medical opinion."
)


def main(argv: Sequence[str] | None = None, *, extra: Sequence[Command] = ()) -> int:
    """Run one command and return its exit code.

    `extra` are commands of packages built upon this one; one of the same name takes the place of
    the command here.
    """
    argv = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in argv or bool(os.environ.get(DEBUG_VARIABLE))
    label = "cupbow"
    try:
        table = {command.name: command for command in (*COMMANDS, *extra)}
        chosen = next((word for word in argv if not word.startswith("-")), None)
        entry = table[chosen].load() if chosen in table else None
        label = f"cupbow {chosen}" if entry else label
        parser = _parser(table, chosen, entry)
        if not argv:
            parser.print_help()
            return 2
        args, unknown = parser.parse_known_args(argv)
        if unknown:
            parser.exit(2, f"{label}: {unknown[0]!r} means nothing here ({label} --help tells more)\n")
        if entry is None:
            parser.error("name a command")
        code = int(entry.run(args))
        sys.stdout.flush()  # here, so that a closed pipe is met below and not at exit
        return code
    except CupbowError as error:
        if debug:
            raise
        print(f"{label}: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print(f"{label}: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (`| head`): nothing more to say, and nobody to say it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except Exception as error:
        if debug:
            raise
        what = " ".join(f"{type(error).__name__}: {error}".split())
        print(f"{label}: a fault of the program, {what} ({_place(error)}); --debug shows all", file=sys.stderr)
        return 1


NUMBERS: dict[Any, str] = {int: "a whole number", float: "a number"}


class _Parser(argparse.ArgumentParser):
    """argparse whose faults are one line."""

    commands: tuple[str, ...] = ()

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message} ({self.prog} --help tells more)\n")

    def _get_value(self, action: argparse.Action, arg_string: str) -> Any:
        """As argparse does it; a word where a number belongs, or none at all (nan, inf), is said in plain words."""
        value: Any = None
        try:
            value = super()._get_value(action, arg_string)
        except argparse.ArgumentError:
            if action.type not in NUMBERS:
                raise
        if value is None or (isinstance(value, float) and action.type is float and not math.isfinite(value)):
            raise argparse.ArgumentError(action, f"{arg_string!r} is not {NUMBERS[action.type]}")
        return value

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if isinstance(action, argparse._SubParsersAction) and value not in action.choices:
            import difflib

            near = difflib.get_close_matches(str(value), self.commands, n=1)
            raise argparse.ArgumentError(
                None, f"there is no command {value!r}" + (f"; did you mean {near[0]!r}?" if near else "")
            )
        super()._check_value(action, value)


class _Version(argparse.Action):
    """Looks the version up only when asked: the metadata import costs more than the rest of help."""

    def __init__(self, option_strings: Sequence[str], dest: str, **settings: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, help=settings.get("help"))

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from importlib.metadata import version

        parser.exit(0, f"cupbow {version('cupbow')}\n")


def _parser(table: dict[str, Command], chosen: str | None, entry: Any) -> argparse.ArgumentParser:
    parser = _Parser(
        prog="cupbow",
        description="Measures a golfer's lead wrist and club through the swing from wearable IMUs.",
        epilog=CAUTIONS,
        allow_abbrev=False,
    )
    parser.commands = tuple(table)
    parser.add_argument("--version", action=_Version, help="show the version and leave")
    parser.add_argument("--debug", action="store_true", help="on a fault, show where in the program it arose")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands", parser_class=_Parser)
    for command in table.values():
        sub = commands.add_parser(
            command.name, help=command.help, description=_sentence(command.help), allow_abbrev=False
        )
        sub.add_argument("--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        if command.name == chosen:
            entry.add_arguments(sub)
    return parser


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _place(error: BaseException) -> str:
    """Where an unexpected error arose: the innermost frame that is ours."""
    place, trace = "", error.__traceback__
    while trace is not None:
        name = trace.tb_frame.f_globals.get("__name__", "")
        if name.split(".")[0] in ("imu", "dashboard") or not place:
            place = f"{name} line {trace.tb_lineno}"
        trace = trace.tb_next
    return place


if __name__ == "__main__":
    sys.exit(main())

"""Sets of swings as the commands `compare` and `letter` take them."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from imu.commands import reading
from imu.errors import UsageError

if TYPE_CHECKING:
    from imu.compare import SwingSet
    from imu.measured import Measurement

HELP = (
    "[LABEL=]PATH[#SWINGS][,PATH…]: a recording, or its results as `measure --json` wrote them; "
    "#1-10 or #1-4+7 takes these swings only; several paths make one set. With --student: "
    "[LABEL=]DAY[:CLUB] or a lesson's identity; DAY[:CLUB]@before and @after a thought that was given in it"
)


def add_arguments(parser: argparse.ArgumentParser, *, none: bool = False) -> None:
    """`none`: whether the command may be without sets."""
    parser.add_argument("sets", nargs="*" if none else "+", metavar="SET", help=HELP)
    parser.add_argument("--student", metavar="NAME", help="compare lessons of this student of the library")
    parser.add_argument("--library", metavar="FOLDER", help="which library (default: $CUPBOW_LIBRARY, else your own)")
    parser.add_argument("--kind", choices=("full", "partial", "slow"), help="the kind of swing; kinds are never mixed")
    parser.add_argument(
        "--targets",
        metavar="KEY[,KEY…]",
        help="what gets a verdict: wrist_flexion@top, wrist_flexion@top..shaft_level_down, tempo@ratio, …; "
        "the fewer, the smaller the change that can be told",
    )
    parser.add_argument(
        "--same-calibration",
        action="store_true",
        help="the sensors stayed on and were not set up anew between the recordings: the zero is shared",
    )
    parser.add_argument("--bands", type=Path, metavar="FILE", help="target bands (TOML) in place of the shipped ones")
    parser.add_argument("--calibration", type=Path, metavar="FILE", help="a saved calibration, for recordings without")
    reading.add_arguments(parser)
    parser.set_defaults(method="fit")


def targets(args: argparse.Namespace) -> tuple[str, ...] | None:
    """The targets named, checked; None when none were."""
    if not args.targets:
        return None
    from imu.recording import ANGLES, EVENTS, TEMPO

    keys = tuple(k.strip() for k in args.targets.split(",") if k.strip())
    for key in keys:
        angle, _, where = key.partition("@")
        names = where.split("..")
        known = where in TEMPO if angle == "tempo" else angle in ANGLES and len(names) <= 2 and set(names) <= {*EVENTS}
        if not known:
            raise UsageError(
                f"--targets {key}: is not a measure; write angle@event, angle@event..event or tempo@ratio "
                f"(angles: {', '.join(ANGLES)}; events: {', '.join(EVENTS)})"
            )
    return keys


def swing_sets(args: argparse.Namespace) -> list[SwingSet]:
    """Reads, and measures where needed, every set named."""
    if args.student and not any(_exists(text) for text in args.sets):
        return _filed(args)
    from imu.compare import Part, SwingSet

    measured: dict[Path, Measurement] = {}
    sets = []
    for text in args.sets:
        label, paths = _labelled(text)
        parts = []
        for spec in paths:
            path, chosen = _chosen(spec)
            key = path.resolve()
            if key not in measured:
                measured[key] = _measurement(path, args)
            m = measured[key]
            missing = sorted(set(chosen or ()) - {s.index for s in m.swings})
            if missing:
                raise UsageError(f"{path}: has swings 1 to {len(m.swings)}, not {missing[0]}")
            name = "one" if args.same_calibration else str(key)
            parts.append(Part(m, name, lesson=str(key), swings=chosen))
        sets.append(SwingSet(label, tuple(parts)))
    return sets


def _exists(text: str) -> bool:
    """Whether a set names a file or folder, and not a lesson."""
    return any(Path(p.partition("#")[0]).exists() for p in _labelled(text)[1])


def _filed(args: argparse.Namespace) -> list[SwingSet]:
    """Sets of a student's lessons."""
    from imu.library import Library, finding
    from imu.library.sets import chosen_set, chosen_thought, lesson_sets, thought_sets

    with Library.open(args.library, create=False) as library:
        student = finding.student_named(library, args.student)
        there = lesson_sets(library, student_id=student.id)
        given = thought_sets(library, student_id=student.id, held=there)
    args.student = student.name  # as it is written, for a letter
    out = []
    for text in args.sets:
        label, equals, rest = text.partition("=")
        which, at, side = (rest if equals else text).rpartition("@")
        if at and side in ("before", "after"):
            out.append(chosen_thought(given, which, side, label=label if equals else ""))
        else:
            out.append(chosen_set(there, rest if equals else text, label=label if equals else ""))
    return out


def _labelled(text: str) -> tuple[str, list[str]]:
    label, equals, rest = text.partition("=")
    if not equals or Path(text.partition("#")[0]).exists():
        label, rest = "", text
    paths = [p for p in rest.split(",") if p]
    if not paths:
        raise UsageError(f"{text}: names no recording; write {HELP.partition(':')[0]}")
    return label or ", ".join(_name(p) for p in paths), paths


def _name(spec: str) -> str:
    path, hash_, swings = spec.partition("#")
    stem = Path(path).stem or path
    return f"{stem} {swings}" if hash_ else stem


def _chosen(spec: str) -> tuple[Path, tuple[int, ...] | None]:
    if Path(spec).exists():
        return Path(spec), None
    name, hash_, text = spec.rpartition("#")
    if not hash_:
        name, text = spec, ""
    path = Path(name)
    if not path.exists():
        raise UsageError(f"{path}: there is no such file or folder")
    chosen: list[int] = []
    for piece in text.split("+") if hash_ else ():
        found = re.fullmatch(r"\s*(\d+)(?:-(\d+))?\s*", piece)
        if not found or int(found[2] or found[1]) < int(found[1]) or int(found[2] or found[1]) > 10_000:
            raise UsageError(f"{spec}: {piece!r} is not a choice of swings; write #1-10 or #1-4+7")
        chosen += range(int(found[1]), int(found[2] or found[1]) + 1)
    return path, tuple(dict.fromkeys(chosen)) or None


def _measurement(path: Path, args: argparse.Namespace) -> Measurement:
    from imu.measured import Measurement

    if path.is_file() and path.suffix.lower() == ".json":
        import json

        from imu.errors import CupbowError

        try:
            return Measurement.load(path)
        except json.JSONDecodeError as error:
            raise CupbowError(f"{path}: line {error.lineno} is not JSON ({error.msg}); measure again") from None
        except (KeyError, TypeError, AttributeError, UnicodeDecodeError):
            raise CupbowError(f"{path}: is not what `cupbow measure --json` writes; measure again") from None
        except CupbowError as error:
            raise CupbowError(f"{path}: {error}") from None
    from imu.commands.measure import measured

    return measured(path, args)

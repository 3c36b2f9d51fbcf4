"""What commands that read recordings share: the options that say what files do not say, finding
recordings below a folder, and showing progress."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imu.errors import UsageError

if TYPE_CHECKING:
    from imu.recording import Recording

MANIFEST = "recording.toml"
ROLES = ("forearm", "hand", "club")  # imu.recording has them too, but imports numpy


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options for files without a manifest, and for what neither file nor numbers say."""
    group = parser.add_argument_group("what the files do not say")
    group.add_argument("--handed", choices=("right", "left"), help="the golfer's handedness")
    group.add_argument(
        "--role",
        action="append",
        metavar="[NAME=]ROLE",
        help="where a sensor was worn: forearm, hand or club; with several sensors once for each, by its name",
    )
    group.add_argument("--columns", nargs="+", metavar="KEY=NAME", help="columns by name or number: t, ax … gz")
    group.add_argument("--accel-unit", metavar="UNIT", help="m/s^2, g, mg or counts")
    group.add_argument("--gyro-unit", metavar="UNIT", help="rad/s, deg/s, mdeg/s or counts")
    group.add_argument("--time-unit", metavar="UNIT", help="s, ms, us, ns or iso")
    group.add_argument("--rate", type=float, metavar="HZ", help="sampling rate, where no column gives time")
    group.add_argument("--accel-sensitivity", type=float, metavar="N", help="counts per g")
    group.add_argument("--gyro-sensitivity", type=float, metavar="N", help="counts per deg/s")


def read(path: Path, args: argparse.Namespace, progress: Callable[[int], None] | None = None) -> Recording:
    """Read a recording with what `add_arguments` took."""
    from imu import readers

    return readers.read(path, progress=progress, **said(args))


def said(args: argparse.Namespace) -> dict[str, Any]:
    """What `add_arguments` took, as `imu.readers.read` takes it."""
    return {
        "handed": args.handed,
        "roles": _roles(args.role),
        "columns": _columns(args.columns),
        "accel_unit": args.accel_unit,
        "gyro_unit": args.gyro_unit,
        "time_unit": args.time_unit,
        "rate": args.rate,
        "accel_sensitivity": args.accel_sensitivity,
        "gyro_sensitivity": args.gyro_sensitivity,
    }


def bytes_shown(path: Path, show: Callable[[float, str], None]) -> Callable[[int], None]:
    """For readers, which tell bytes as they go: their share of what lies at a path. What is packed
    unpacks to more, and stays at the end of the bar meanwhile."""
    total, done = sum(f.stat().st_size for f in ([path] if path.is_file() else path.rglob("*")) if f.is_file()), 0

    def add(count: int) -> None:
        nonlocal done
        done += count
        show(min(1.0, done / max(total, 1)), "reading")

    return add


def recordings_below(path: Path) -> list[Path]:
    """The recordings that a path names: itself, or, where it is a folder of recording folders (each
    with its manifest, at any depth), those, in the order of their names."""
    if not path.exists():
        raise UsageError(f"{path}: there is no such file or folder")
    if not path.is_dir() or (path / MANIFEST).exists():
        return [path]
    found = sorted(
        m.parent for m in path.rglob(MANIFEST) if not any(p.startswith(".") for p in m.relative_to(path).parts)
    )
    return found or [path]


@contextlib.contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float, str], None]]:
    """A bar on standard error where that is a terminal, nothing elsewhere.

    Gives a function to call with the share done (0 to 1) and what is being done.
    """
    import sys

    if not sys.stderr.isatty():
        yield lambda share, what: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns: tuple[Any, ...] = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)

        def show(share: float, what: str) -> None:
            bar.update(task, total=1.0, completed=share, description=f"{label}: {what}")

        yield show


def _roles(given: list[str] | None) -> Any:
    if not given:
        return None
    if len(given) == 1 and "=" not in given[0]:
        return _role(given[0])
    roles = {}
    for text in given:
        name, found, role = text.rpartition("=")
        if not found or not name:
            raise UsageError(f"--role {text}: with several sensors give each by its name, such as --role left=hand")
        roles[name] = _role(role)
    return roles


def _role(text: str) -> str:
    if text not in ROLES:
        raise UsageError(f"--role {text!r} is not known; use forearm, hand or club")
    return text


def _columns(given: list[str] | None) -> dict[str, str | int] | None:
    columns: dict[str, str | int] = {}
    for text in given or ():
        key, found, name = text.partition("=")
        if not found or not name:
            raise UsageError(f"--columns {text!r} is not KEY=NAME, such as ax=AccX")
        columns[key] = int(name) if name.isdigit() else name
    return columns or None

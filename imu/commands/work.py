"""Who does the work of a command on many things: processes here, or a Dask cluster."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imu.errors import UsageError

if TYPE_CHECKING:
    from concurrent.futures import Executor


@dataclass(frozen=True)
class Workers:
    """An executor (none: processes of one's own) and how many tasks are done at once."""

    jobs: int
    executor: Executor | None = None


def add_arguments(parser: Any) -> None:  # a parser, or a group of one
    parser.add_argument("--jobs", type=int, metavar="N", help="processes (default: one for each core)")
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="use the workers of this Dask scheduler, such as tcp://10.0.0.5:8786, in place of this machine's cores",
    )


@contextmanager
def workers(args: argparse.Namespace) -> Iterator[Workers]:
    from imu.library.work import cluster, cores

    if args.jobs is not None and args.jobs < 1:
        raise UsageError("--jobs is at least 1")
    if not args.cluster:
        yield Workers(args.jobs or cores())
        return
    with cluster(args.cluster) as (executor, jobs):
        yield Workers(args.jobs or jobs, executor)

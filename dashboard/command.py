"""The `cupbow` command: everything of `imu.cli`, and the commands that open pages."""

from __future__ import annotations

import sys

from imu import cli

COMMANDS: tuple[cli.Command, ...] = (
    cli.Command("benchmark", "dashboard.commands.benchmark", "time a whole measurement, or with --live the live page"),
    cli.Command("demo", "dashboard.commands.demo", "open the dashboard on the demo recordings"),
    cli.Command("practice", "dashboard.commands.practice", "today's session of a practice plan, on the live page"),
    cli.Command("serve", "dashboard.commands.serve", "open the dashboard on a folder of recordings"),
    cli.Command(
        "live", "dashboard.commands.live", "the live page: angles now, from sensors or a recording played again"
    ),
)


def main() -> int:
    return cli.main(extra=COMMANDS)


if __name__ == "__main__":
    sys.exit(main())

"""The `cupbow` command: everything of `imu.cli`, and the commands that open pages."""

from __future__ import annotations

import sys

from imu import cli

COMMANDS: tuple[cli.Command, ...] = ()


def main() -> int:
    return cli.main(extra=COMMANDS)


if __name__ == "__main__":
    sys.exit(main())

"""Which code made a result: a name that changes when anything changes that measured values depend on.

Measured values are kept for years; the version of the package alone would not tell that a line of
the fit was changed since. So the files are asked themselves: the modules that measuring and reading
import, and what these import, with the tables (TOML) that lie beside the bands and the readers.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path

ROOTS = ("imu.measuring", "imu.readers")
DIGITS = 12


@cache
def measuring_code() -> str:
    """The package's version and a hash of the code that measures, such as "0.1.0+3f0a9c21d4e8".

    Comments count as code: too often measured anew is harmless, too seldom is not. Line ends don't,
    so that two systems with the same release agree.
    """
    return f"{version('cupbow')}+{fingerprint(Path(__file__).parents[1])}"


def fingerprint(place: Path, roots: Sequence[str] = ROOTS) -> str:
    """Hash of the modules below `place` that `roots` import, first hand or further, and of their tables."""
    modules = imported(place, roots)
    tables = {table for module in modules for table in _tables(module)}
    digest = hashlib.sha256()
    for path in sorted({*modules, *tables}):
        content = path.read_bytes().replace(b"\r\n", b"\n")
        digest.update(path.relative_to(place).as_posix().encode() + b"\0" + hashlib.sha256(content).digest())
    return digest.hexdigest()[:DIGITS]


def imported(place: Path, roots: Sequence[str]) -> set[Path]:
    """Files of the modules of our own below `place` that `roots` import, themselves among them."""
    packages = {root.partition(".")[0] for root in roots}
    found: dict[str, Path] = {}
    waiting = list(roots)
    while waiting:
        name = waiting.pop()
        path = place.joinpath(*name.split("."))
        path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
        if name in found or not path.is_file():
            continue
        found[name] = path
        tree = ast.parse(path.read_bytes(), filename=str(path))
        waiting += (asked for asked in _asked(tree) if asked.partition(".")[0] in packages)
    return set(found.values())


def _asked(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)  # modules among the names


def _tables(module: Path) -> Iterator[Path]:
    """TOML files that a module brings along: a package all that lie in it, any other those that it names."""
    if module.name == "__init__.py" and module.parent.name != "imu":
        yield from module.parent.rglob("*.toml")
        return
    text = module.read_text(encoding="utf-8")
    yield from (table for table in module.parent.glob("*.toml") if table.name in text)

"""The name of the code that measures: it changes with everything that values depend on, and with nothing else."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import imu
from imu.fingerprint import ROOTS, fingerprint, imported, measuring_code

PLACE = Path(imu.__file__).parents[1]


def package(place: Path) -> Path:
    inside = place / "imu"
    (inside / "readers" / "devices").mkdir(parents=True)
    for name, text in {
        "__init__.py": "",
        "measuring.py": "from imu import fit\nfrom imu.bands import judged\n",
        "fit.py": "def solve():\n    from imu.deep import down\n",
        "deep.py": "x = 1\n",
        "bands.py": "SHIPPED = 'default_bands.toml'\n",
        "default_bands.toml": "[a]\n",
        "words.toml": "[b]\n",
        "letter.py": "from imu.measuring import x\n",
        "readers/__init__.py": "",
        "readers/devices/one.toml": "[c]\n",
    }.items():
        (inside / name).write_bytes(text.encode())
    return inside


def test_it_changes_with_what_values_depend_on_and_with_nothing_else(tmp_path: Path) -> None:
    inside = package(tmp_path)
    first = fingerprint(tmp_path)
    for name in ("letter.py", "words.toml"):  # measuring knows nothing of these
        (inside / name).write_bytes(b"changed = 1\n")
    assert fingerprint(tmp_path) == first
    seen = {first}
    for name in ("fit.py", "deep.py", "default_bands.toml", "readers/devices/one.toml", "readers/__init__.py"):
        path = inside / name
        path.write_bytes(path.read_bytes() + b"y = 2\n")
        assert fingerprint(tmp_path) not in seen, name
        seen.add(fingerprint(tmp_path))
    deep = inside / "deep.py"
    deep.write_bytes(deep.read_bytes().replace(b"\n", b"\r\n"))
    assert fingerprint(tmp_path) in seen, "the same release with another system's line ends"
    (inside / "readers" / "new.py").write_bytes(b"")
    (inside / "readers" / "__init__.py").write_bytes(b"import imu.readers.new\n")
    assert fingerprint(tmp_path) not in seen


def test_every_module_that_measuring_loads_counts() -> None:
    """Against the interpreter itself: what it has loaded after reading and measuring a recording."""
    demo = PLACE / "recordings" / "2026-05-24_driver"
    loaded = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys\nfrom imu import readers\nfrom imu.measuring import measure_recording\n"
            f"measure_recording(readers.read({str(demo)!r}))\n"
            "print('\\n'.join(m.__file__ for n, m in sys.modules.items() if n.partition('.')[0] == 'imu' and m.__file__))",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    counted = {str(path) for path in imported(PLACE, ROOTS)}
    assert len(loaded) > 15
    assert set(loaded) <= counted
    assert str(PLACE / "imu" / "report.py") not in counted


def test_it_fits_the_store_and_names_the_release() -> None:
    from importlib.metadata import version

    assert measuring_code().startswith(version("cupbow") + "+")
    assert len(measuring_code()) <= 50
    assert measuring_code() == measuring_code()

"""What holds for the project as a whole: imports, the command line, the style of the code, the documents."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from imu.recording import ANGLES, EVENTS, SIGNS

ROOT = Path(__file__).parents[1]
ANALYSIS = {
    "calibration", "compare", "fit", "kinematics", "measuring", "orientation", "repair", "swing", "timebase", "bands",
    "reliability", "curves", "report", "library", "simulate", "posture", "whatif", "commands", "cli",
}  # fmt: skip


def run(*command: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=600, check=False)


# -- imports ---------------------------------------------------------------------------------------
def imported(path: Path, *, top_only: bool = False) -> set[str]:
    """Modules that a file imports, as dotted names; those under TYPE_CHECKING count too."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_only else ast.walk(tree)
    names: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names


def test_imu_does_not_know_the_dashboard() -> None:
    files = list((ROOT / "imu").rglob("*.py"))
    assert len(files) > 20
    for path in files:
        assert not any(name.split(".")[0] in ("dashboard", "dash", "plotly") for name in imported(path)), path
    assert any("imu" in {n.split(".")[0] for n in imported(p)} for p in (ROOT / "dashboard").rglob("*.py"))


def test_readers_import_no_analysis() -> None:
    for path in (ROOT / "imu" / "readers").rglob("*.py"):
        for name in imported(path):
            parts = name.split(".")
            assert not (parts[0] == "imu" and len(parts) > 1 and parts[1] in ANALYSIS), f"{path} imports {name}"


def test_nothing_that_ships_imports_a_test_dependency() -> None:
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for path in [*(ROOT / "imu").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")]:
        first = {name.split(".")[0] for name in imported(path)}
        assert not first & {"mujoco", "hypothesis", "pytest", "bumble", "statsmodels", "tests"}, path
        # a benchmark may drive a browser where there is one, but nothing needs it to be imported
        assert "playwright" not in {name.split(".")[0] for name in imported(path, top_only=True)}, path
    assert "mujoco" not in " ".join(data["project"]["dependencies"])


# -- the command line ------------------------------------------------------------------------------
HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "dash", "plotly", "rich", "bleak", "ahrs", "vqf", "sqlalchemy")


def test_help_waits_for_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['cupbow', '--help']\n"
        "from dashboard import command\n"
        "try:\n command.main()\nexcept SystemExit as end:\n assert not end.code, end.code\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = run(sys.executable, "-c", code)
    assert "measure" in done.stdout
    assert "LOADED []" in done.stdout, done.stdout + done.stderr


def commands() -> list[str]:
    from dashboard.command import COMMANDS as PAGES
    from imu.cli import COMMANDS

    return list(dict.fromkeys(c.name for c in (*COMMANDS, *PAGES)))


@pytest.mark.parametrize("name", commands())
def test_every_command_has_its_help_and_refuses_nonsense_in_one_line(name: str) -> None:
    shown = run(sys.executable, "-m", "dashboard.command", name, "--help")
    assert shown.returncode == 0, shown.stderr
    assert "usage: cupbow" in shown.stdout
    wrong = run(sys.executable, "-m", "dashboard.command", name, "--no-such-option-anywhere")
    assert wrong.returncode == 2
    assert wrong.stdout == ""
    assert wrong.stderr.startswith(f"cupbow {name}: ")
    assert wrong.stderr.count("\n") == 1


def test_a_misspelt_command_is_one_line_with_the_near_one() -> None:
    done = run(sys.executable, "-m", "dashboard.command", "mesure", "x")
    assert done.returncode == 2
    assert done.stderr == "cupbow: there is no command 'mesure'; did you mean 'measure'? (cupbow --help tells more)\n"


def call(
    argv: list[str], target: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str]:
    from imu import cli

    monkeypatch.delenv(cli.DEBUG_VARIABLE, raising=False)
    code = cli.main(argv, extra=(cli.Command("try", target, "for a test"),))
    return code, capsys.readouterr().err


class Failing:
    def __init__(self, error: BaseException) -> None:
        self.error = error

    def add_arguments(self, parser: object) -> None: ...

    def run(self, args: object) -> int:
        raise self.error


def test_faults_are_one_line_with_their_exit_code(monkeypatch, capsys) -> None:
    from imu.errors import CupbowError, UsageError

    module = sys.modules[__name__]
    cases = [
        (CupbowError("lesson.csv: line 7 is cut\noff"), 3, "cupbow try: lesson.csv: line 7 is cut off\n"),
        (UsageError("give --handed"), 2, "cupbow try: give --handed\n"),
        (KeyboardInterrupt(), 130, "cupbow try: stopped\n"),
        (ZeroDivisionError("of\nnothing"), 1, "cupbow try: a fault of the program, ZeroDivisionError: of nothing ("),
    ]
    for error, code, line in cases:
        monkeypatch.setattr(module, "failing", Failing(error), raising=False)
        got, err = call(["try"], f"{__name__}:failing", monkeypatch, capsys)
        assert got == code
        assert err.startswith(line)
        assert err.count("\n") == 1
    assert "--debug" in err
    monkeypatch.setattr(module, "failing", Failing(ZeroDivisionError("here")), raising=False)
    with pytest.raises(ZeroDivisionError):
        call(["try", "--debug"], f"{__name__}:failing", monkeypatch, capsys)


def test_a_closed_pipe_is_no_fault() -> None:
    done = run("bash", "-c", f"set -o pipefail; {sys.executable} -m dashboard.command --help | head -1")
    assert done.stdout.startswith("usage: cupbow")
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


# -- style -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("what", [("check",), ("format", "--check")])
def test_ruff_is_content(what: tuple[str, ...]) -> None:
    done = run(sys.executable, "-m", "ruff", *what, "imu", "dashboard", "tests")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]


def test_mypy_is_content() -> None:
    done = run(sys.executable, "-m", "mypy")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]


# -- documents -------------------------------------------------------------------------------------
def test_the_sign_table_in_the_docs_is_that_of_the_code() -> None:
    text = (ROOT / "docs" / "signs.md").read_text(encoding="utf-8")
    angles = re.findall(r"^\| `(\w+)` \| [^|]+ \| ([^|]+) \| ([^|]+) \|", text, flags=re.M)
    assert [row[0] for row in angles] == list(ANGLES)
    for name, plus, minus in angles:
        for words, cell in zip(SIGNS[name], (plus, minus), strict=True):
            assert words.split()[-1] in cell or words.split()[0] in cell, (name, words, cell)
    events = re.findall(r"^\| `(\w+)` \| [^|]+ \|$", text, flags=re.M)
    assert events == list(EVENTS)


def test_links_and_files_named_in_the_documents_exist() -> None:
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]:
        for link in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / link).exists(), f"{page.name} links to {link}"
    for path in re.findall(
        r"`((?:imu|dashboard|tests|docs)/[\w/.-]+)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    ):
        assert (ROOT / path).exists(), path


def test_the_readme_begins_with_the_job_and_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first, commands = text.split("\n\n")[1:3]
    assert "measures" in first
    made = re.findall(r"make (\w+)", commands)
    assert made == ["demo", "test"]
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert all(re.search(rf"^{target}:", makefile, flags=re.M) for target in made)
    assert "make test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_python_example_of_the_readme_runs() -> None:
    code = re.search(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.S)
    assert code
    assert len([line for line in code[1].splitlines() if line]) <= 5
    done = run(sys.executable, "-W", "error", "-c", code[1])
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == 1 + 5  # a head, and a line for each swing


def test_bands_in_the_docs_can_be_loaded() -> None:
    from imu import bands

    text = (ROOT / "docs" / "signs.md").read_text(encoding="utf-8")
    code = re.search(r"```toml\n(.*?)```", text, flags=re.S)
    assert code
    assert bands.parse(code[1]).student == "Juno Abara"

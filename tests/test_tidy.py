"""What the linters miss: habits of this house that keep replays exact and files readable."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "condmon",
    "deploy",
    "tests",
    "replay",
}
LINES_MAX = 400
BODY_MAX = 60
MACHINE_PATHS = re.compile(r"/(?:work|tmp/h|home/[a-z]+|root)/[A-Za-z0-9_.]")
SLEEPS = {
    "tests/waiting.py": "the one loop that polls with a deadline",
    "tests/shell/test_kill.py": "paces a publisher; nothing waits for it",
}
REGISTRY_HOSTS = re.compile(r"(?:py" + r"pi\.org|python" + r"hosted\.org|npm" + r"js\.org)")
ORDER_SENSITIVE = {"cumsum", "dot", "matmul", "vdot", "tensordot"}


def tracked() -> list[Path]:
    """The files of the repository; without git (an unpacked archive), all but what tools leave."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode == 0:
        names = [name for name in listed.stdout.decode().split("\0") if name]
        return sorted(ROOT / name for name in names if (ROOT / name).is_file())
    left = re.compile(r"(^|/)(\.venv[^/]*|\.[a-z_]+_cache|__pycache__|[^/]*\.egg-info|build|dist)/")
    return sorted(
        path
        for path in ROOT.rglob("*")
        if path.is_file() and not left.search(path.relative_to(ROOT).as_posix())
    )


TRACKED = tracked()
SOURCES = [path for path in TRACKED if path.suffix == ".py"]
ENGINE = [path for path in SOURCES if path.is_relative_to(ROOT / "condmon/engine")]


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def calls(path: Path) -> list[tuple[str, ast.Call]]:
    """Last name of what is called, and the call."""
    found = []
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            found.append((name, node))
    return found


def where(path: Path, node: ast.AST) -> str:
    return f"{path.relative_to(ROOT)}:{getattr(node, 'lineno', 0)}"


def test_there_are_sources_to_look_at():
    assert {"condmon/cli.py", "tests/test_tidy.py"} <= {
        path.relative_to(ROOT).as_posix() for path in SOURCES
    }
    assert ENGINE


def test_no_matrix_product_anywhere():
    found = [
        where(path, node)
        for path in SOURCES
        for node in ast.walk(tree(path))
        if isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.MatMult)
    ]
    assert [] == found, "its sums depend on the shape; write the sum column by column"


def test_no_clock_is_read_through_datetime64():
    found = [
        where(path, call)
        for path in SOURCES
        for name, call in calls(path)
        if name == "datetime64"
        and call.args
        and isinstance(call.args[0], ast.Constant)
        and call.args[0].value in ("now", "today")
    ]
    assert [] == found, "time comes from clock.py in the shell and from beacons in the engine"


def test_every_random_generator_has_a_seed():
    found = [
        where(path, call)
        for path in SOURCES
        for name, call in calls(path)
        if name in ("default_rng", "RandomState", "SeedSequence", "Random")
        and not call.args
        and not call.keywords
    ]
    assert [] == found, "a run must be repeatable: pass a seed"


def test_no_sum_in_the_engine_depends_on_how_the_stream_is_cut():
    found = [
        where(path, call)
        for path in ENGINE
        if path.name != "rolling.py"
        for name, call in calls(path)
        if name in ORDER_SENSITIVE
    ]
    assert [] == found, "windows over floats live in rolling.py"


def test_no_test_waits_by_sleeping():
    found = [
        where(path, call)
        for path in SOURCES
        if path.is_relative_to(ROOT / "tests")
        and not path.is_relative_to(ROOT / "tests/bench")  # measures, tests nothing
        and path.relative_to(ROOT).as_posix() not in SLEEPS
        for name, call in calls(path)
        if name == "sleep"
    ]
    assert [] == found, "poll with a deadline instead: tests/waiting.py"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_file_and_its_functions_are_short(path: Path):
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= LINES_MAX
    too_long = [
        where(path, node)
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and body_lines(node) > BODY_MAX
    ]
    assert [] == too_long


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of the body without its docstring."""
    body = node.body[1:] if ast.get_docstring(node) is not None else node.body
    if not body:
        return 0
    return (body[-1].end_lineno or 0) - body[0].lineno + 1


def test_every_module_says_what_it_is_for():
    silent = [
        path.relative_to(ROOT).as_posix()
        for path in SOURCES
        if path.is_relative_to(ROOT / "condmon") and not ast.get_docstring(tree(path))
    ]
    assert [] == silent


def test_top_level_holds_only_what_the_map_names():
    names = {path.relative_to(ROOT).parts[0] for path in TRACKED}
    assert set() == {name for name in names if not name.startswith(".")} - TOP_LEVEL


def test_no_path_of_one_machine_and_no_registry_is_named():
    found = []
    for path in TRACKED:
        if path.suffix in (".zst", ".gz", ".parquet", ".png"):
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        for number, line in enumerate(text.splitlines(), 1):
            if MACHINE_PATHS.search(line) or REGISTRY_HOSTS.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert [] == found


def test_scripts_run_python_with_asserts_on():
    scripts = [path for path in TRACKED if path.parent in (ROOT / "deploy", ROOT / ".ci")]
    assert scripts
    found = [
        path.name
        for path in scripts
        if re.search(r"python3?\s+-O|PYTHONOPTIMIZE", path.read_text(encoding="utf-8"))
    ]
    assert [] == found, "asserts mark bugs and stay on"

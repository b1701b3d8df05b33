"""The house rules: layers, public names, sizes, the top level, versions, what no file may say."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import cgrisk

ROOT = Path(__file__).resolve().parents[2]
MODULES = sorted((ROOT / "cgrisk").rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
PACKAGES = [
    "cgrisk",
    *(found.name for found in pkgutil.walk_packages(cgrisk.__path__, "cgrisk.") if found.ispkg),
]
TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "cgrisk",
    "constraints.txt",
    "notebooks",
    "pyproject.toml",
    "results",
    "scenarios",
    "tests",
}
LONGEST_MODULE = 500


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.fixture(scope="module")
def tracked() -> list[Path]:
    """Files under version control that are still there."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\0")
    files = [ROOT / name for name in listed if name and (ROOT / name).is_file()]
    if not files:
        pytest.skip("nothing is under version control yet")
    return files


@pytest.fixture(scope="module")
def texts(tracked: list[Path]) -> dict[str, str]:
    """Text of each tracked text file, by its name from the top."""
    found = {}
    for path in tracked:
        content = path.read_bytes()
        if b"\0" not in content:
            found[relative(path)] = content.decode("utf-8")
    return found


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    code = (
        "import sys; from importlinter import cli; "
        "sys.exit(cli.lint_imports(no_cache=True, is_debug_mode=False))"
    )
    return subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=False
    )


def test_packages_import_one_way() -> None:
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 kept, 0 broken" in done.stdout


def test_an_import_against_the_layers_is_caught(tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(ROOT / "cgrisk", tmp_path / "cgrisk", ignore=shutil.ignore_patterns("*.pyc"))
    (tmp_path / "cgrisk" / "errors.py").write_text("from cgrisk import units\n", encoding="utf-8")
    done = lint_imports(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "cgrisk.errors is not allowed to import cgrisk.units" in done.stdout


@pytest.mark.parametrize("name", PACKAGES)
def test_public_names_import(name: str) -> None:
    module = importlib.import_module(name)
    public = module.__all__
    assert len(set(public)) == len(public)
    missing = [entry for entry in public if not hasattr(module, entry)]
    assert not missing, f"{name}.__all__ lists names that {name} has not: {missing}"


@pytest.mark.parametrize("path", MODULES, ids=relative)
def test_module_is_short(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_MODULE


def test_test_files_have_names_of_their_own() -> None:
    names = [path.name for path in TESTS if path.name.startswith("test_")]
    assert sorted(set(names)) == sorted(names)
    assert not [relative(path) for path in TESTS if path.name == "__init__.py"]


@pytest.mark.parametrize("path", TESTS, ids=relative)
def test_every_raises_has_a_match(path: Path) -> None:
    calls = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and ast.unparse(node.func) in {"pytest.raises", "pytest.warns"}
    ]
    bare = [node.lineno for node in calls if "match" not in {key.arg for key in node.keywords}]
    assert not bare, f"{relative(path)}: raises or warns without match on lines {bare}"


def test_top_level_entries(tracked: list[Path]) -> None:
    entries = {path.relative_to(ROOT).parts[0] for path in tracked}
    assert entries <= TOP_LEVEL, f"not of the house: {sorted(entries - TOP_LEVEL)}"
    assert entries >= TOP_LEVEL, f"missing: {sorted(TOP_LEVEL - entries)}"


def test_versions_agree() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    cited = dict(re.findall(r"^([\w-]+): *(\S.*)$", citation, re.MULTILINE))
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(
        r"^## \[(?P<state>[^]]+)\] - (?P<rest>\S+)$", changelog, re.MULTILINE
    )  # "[Unreleased] - version" while it is written, "[version] - date" once released
    assert newest is not None
    assert cgrisk.__version__ == project["version"]
    assert cited["version"] == project["version"]
    assert cited["license"] == project["license"]
    if newest["state"] == "Unreleased":
        assert newest["rest"] == project["version"]
    else:
        assert newest["state"] == project["version"]
        assert newest["rest"] == cited["date-released"]


def test_dependencies_are_pinned_plainly() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    plain = re.compile(r"([A-Za-z0-9][A-Za-z0-9._-]*)==[0-9][0-9A-Za-z.!]*")
    assert not [pin for pin in pins if plain.fullmatch(pin) is None]
    pinned = {re.sub(r"[-_.]+", "-", pin.split("==")[0]).lower() for pin in pins}
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(need for extra in extras for need in extra)]
    names = {re.split(r"[\[<>=!~; ]", need)[0].lower() for need in wanted}
    assert names <= pinned, f"not pinned: {sorted(names - pinned)}"


@pytest.mark.parametrize("number", [1, 2])
def test_quick_start_is_two_commands_of_one_line(number: int) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "quick_start"), str(number)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("python3 -m venv .venv && ")
    assert done.stdout.count("\n") == 1


def test_no_file_names_a_registry_host(texts: dict[str, str]) -> None:
    hosts = ["py" + "pi.org", "python" + "hosted", "registry." + "npmjs", "deb." + "debian.org"]
    found = [(name, host) for name, text in texts.items() for host in hosts if host in text.lower()]
    assert not found


def test_no_file_names_a_path_of_one_machine(texts: dict[str, str]) -> None:
    # not inside an address or a longer path, where such a word is only a part
    path = re.compile(r"(?<![\w.:/*-])(?:/(?:work|farm|root|tmp|home|opt|Users)/\w|[A-Z]:\\Users)")
    found = [
        f"{name}:{text.count(chr(10), 0, hit.start()) + 1}"
        for name, text in texts.items()
        for hit in path.finditer(text)
    ]
    assert not found

"""`detectors` is pure: what its files import, read from their syntax."""

import ast
import sys
from pathlib import Path

import pytest

import prehowl.detectors

FILES = sorted(Path(prehowl.detectors.__file__).parent.rglob("*.py"))

ALLOWED = {"numpy", "scipy", "prehowl.detectors"}
"""Beside these only pure parts of the standard library."""

PURE = {"__future__", "abc", "collections", "dataclasses", "enum", "functools", "itertools", "math",
        "re", "typing"}  # fmt: skip

IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}


def imports(tree: ast.AST) -> list[str]:
    """Return every module that a file imports, also inside functions."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            found.append(node.module or "")
    return found


def is_pure(module: str) -> bool:
    """Tell whether a module may be imported in `detectors`."""
    root = module.split(".")[0]
    within = any(module == name or module.startswith(f"{name}.") for name in ALLOWED)
    return within or module == "prehowl" or root in PURE


def test_there_are_files_to_look_at():
    """Oracle: definition; guards against looking at nothing."""
    names = {path.stem for path in FILES}
    assert {"engine", "framing", "spectrum", "peaks", "bands", "loop", "rings"} <= names


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_file_imports_nothing_of_the_world(path: Path):
    """Oracle: the rule: numpy, scipy and pure standard library; the arrow points to detectors."""
    assert [name for name in imports(ast.parse(path.read_text("utf-8"))) if not is_pure(name)] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_file_neither_reads_nor_prints(path: Path):
    """Oracle: the rule: no input or output, no code made at run time."""
    calls = [
        node.func.id
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    assert IMPURE_CALLS.isdisjoint(calls)


@pytest.mark.parametrize(
    "module",
    ["sounddevice", "soundfile", "rich.console", "pythonosc.udp_client", "time", "datetime",
     "socket", "threading", "subprocess", "os", "pathlib", "logging", "random", "asyncio",
     "prehowl.daemon", "prehowl.daemon.events"],
)  # fmt: skip
def test_the_rule_knows_the_world(module: str):
    """Oracle: the modules that belong to the edges."""
    assert not is_pure(module)


def test_what_is_pure_is_in_the_standard_library():
    """Oracle: Python's own list of module names."""
    assert set(sys.stdlib_module_names) >= PURE

"""The structure of the code: which room may import which, how deep and complex it is, and nothing named twice."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import defaultdict
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOST = ROOT / "host"
PACKAGE = "towertap"

ORDER = (
    ("errors", "lazily", "version", "words"),
    ("drawing", "doors", "firmware", "signals", "workers"),
    ("wire", "settings"),
    ("capture",),
    ("box", "motion"),
    ("archive", "bench"),
    ("analysis", "amendments", "kept"),
    ("idle",),
    ("compare.stats", "compare.caution"),
    ("compare.drives",),
    ("compare.road", "compare.plan"),
    ("compare.controls",),
    ("compare.study",),
    ("compare.findings",),
    ("compare.section",),
    ("compare.sections",),
    ("compare",),
    ("exchange", "report"),
    ("wear", "library"),
    ("demo",),
    ("cli",),
)
"""Rooms from left to right: each imports only rooms above it."""
DEEPEST = 6
"""Longest chain of imports within one room."""
MOST_COMPLEX = 15
LONGEST_LINE = 120


@cache
def modules() -> dict[str, Path]:
    """The modules of the host by name."""
    paths = {}
    for path in HOST.rglob("*.py"):
        *parts, name = path.relative_to(HOST).with_suffix("").parts
        paths[".".join(parts if name == "__init__" else (*parts, name))] = path
    return paths


@cache
def imports() -> dict[str, dict[str, set[str]]]:
    """By module and imported module, the imported names; including imports in functions and for the type checker."""
    of_modules = {}
    for module, path in modules().items():
        taken = defaultdict(set)
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    taken[alias.name].add("")
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{module} imports relatively"
                for alias in node.names:
                    inner = f"{node.module}.{alias.name}"
                    taken[inner if inner in modules() else node.module].add("" if inner in modules() else alias.name)
        of_modules[module] = {name: names for name, names in taken.items() if name in modules()}
    return of_modules | {PACKAGE: {}}  # it loads others on first use


def room_of(module: str) -> str:
    """The room of a module; within the comparison, its folder or file if that is a room in ORDER."""
    _, *parts = module.split(".")
    if parts[:1] == ["compare"]:
        inner = ".".join(parts[:2])
        return inner if inner in {room for line in ORDER for room in line} else "compare"
    return parts[0] if parts else PACKAGE


def test_every_room_has_its_place():
    placed = {room for line in ORDER for room in line}
    assert {room_of(module) for module in modules()} == {PACKAGE, *placed}


def test_rooms_import_rooms_to_their_left_only():
    place = {room: number for number, line in enumerate(ORDER) for room in line} | {PACKAGE: -1}
    wrong = [
        f"{module} imports {other}"
        for module, of_module in imports().items()
        for other in of_module
        if room_of(module) != room_of(other) and place[room_of(other)] >= place[room_of(module)]
    ]
    assert wrong == []


def test_no_module_imports_itself_indirectly():
    try:
        TopologicalSorter({module: set(of_module) for module, of_module in imports().items()}).prepare()
    except CycleError as error:
        pytest.fail(" imports ".join(reversed(error.args[1])))


def test_no_chain_of_imports_within_a_room_is_longer_than_six():
    order = TopologicalSorter({module: set(of_module) for module, of_module in imports().items()}).static_order()
    chains: dict[str, list[str]] = {}
    for module in order:  # imported modules come first
        inside = [chains[other] for other in imports()[module] if room_of(other) == room_of(module)]
        chains[module] = [module, *max(inside, key=len, default=[])]
    assert [chain for chain in chains.values() if len(chain) > DEEPEST] == []


def test_nothing_private_is_imported_across_rooms():
    wrong = [
        f"{module} imports {name or other} of {room_of(other)}"
        for module, of_module in imports().items()
        for other, names in of_module.items()
        for name in names
        if room_of(module) != room_of(other) and any(part.startswith("_") for part in (*other.split("."), name) if part)
    ]
    assert wrong == []


def test_no_two_public_classes_have_one_name():
    places = defaultdict(list)
    for module, path in modules().items():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places[node.name].append(module)
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_no_function_is_too_complex():
    """McCabe (1976), as ruff counts it."""
    command = [sys.executable, "-m", "ruff", "check", "--isolated", "--no-cache", "--output-format", "concise"]
    rule = ["--select", "C901", "--config", f"lint.mccabe.max-complexity={MOST_COMPLEX}"]
    done = subprocess.run(
        [*command, *rule, HOST, ROOT / "firmware"], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stdout + done.stderr


def pages() -> list[Path]:
    """Every Markdown page of the repository and every source file of the host."""
    markdown = [
        path for path in ROOT.rglob("*.md") if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
    ]
    return sorted({*markdown, *(path for kind in ("py", "j2", "css", "toml") for path in HOST.rglob(f"*.{kind}"))})


def test_lines_fit_a_page():
    assert len(pages()) > 100
    long = [
        f"{path.relative_to(ROOT)}:{number}: {len(line)}"
        for path in pages()
        for number, line in enumerate(path.read_text("utf-8").splitlines(), start=1)
        if len(line) > LONGEST_LINE
    ]
    assert long == []

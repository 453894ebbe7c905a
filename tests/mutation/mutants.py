"""The small changes to a source file, one at a time; which there are is mutmut's choice of operators."""

from __future__ import annotations

import ast
import importlib.machinery
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType
from typing import Any

import libcst as cst
from mutmut.mutation.file_mutation import create_mutations, deep_replace

AT_IMPORT = "(module)"
"""Stands for a function where the change is outside of all of them: in a constant."""

Key = tuple[str, str, str]
"""File, function and change: by these a mutant is known again when lines have moved."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """function: its qualified name. change: the text before and after, by which people know it again.

    lines: those of the statement that is changed; whoever runs none of them cannot notice.
    """

    path: Path
    function: str
    change: str
    lines: range
    source: str

    @property
    def key(self) -> Key:
        return self.path.name, self.function, self.change


def mutants_of(path: Path, text: str) -> list[Mutant]:
    """Every change mutmut knows inside the functions of a file with this text, and in its constants."""
    module, mutations, _, _ = create_mutations(str(path), text)
    names = {id(node): name for name, node in functions_of(module)}
    tree = ast.parse(text)
    found = []
    for mutation in mutations:
        changed = deep_replace(module, mutation.original_node, mutation.mutated_node)
        assert isinstance(changed, cst.Module)
        function = names.get(id(mutation.contained_by_top_level_function), AT_IMPORT)
        found.append(_mutant(path, function, text, changed.code, tree))
    return found


def functions_of(module: cst.Module) -> Iterator[tuple[str, cst.FunctionDef]]:
    for node in module.body:
        if isinstance(node, cst.FunctionDef):
            yield node.name.value, node
        elif isinstance(node, cst.ClassDef):
            for child in node.body.body:
                if isinstance(child, cst.FunctionDef):
                    yield f"{node.name.value}.{child.name.value}", child


def _mutant(path: Path, function: str, text: str, changed: str, tree: ast.Module) -> Mutant:
    before, after = text.splitlines(), changed.splitlines()
    head = 0
    while before[head] == after[head]:
        head += 1
    tail = 0
    while tail < min(len(before), len(after)) - head and before[-1 - tail] == after[-1 - tail]:
        tail += 1
    old, new = before[head : len(before) - tail], after[head : len(after) - tail]
    change = f"{_one_line(old)} => {_one_line(new)}"
    return Mutant(path, function, change, _statement_lines(tree, head + 1), changed)


def _one_line(lines: list[str]) -> str:
    return " ".join(line.strip() for line in lines)


def _statement_lines(tree: ast.Module, line: int) -> range:
    """The lines of the innermost statement around a line; of a compound one only its head."""
    inner = range(1, 1)
    for node in ast.walk(tree):
        if isinstance(node, ast.stmt) and node.end_lineno and node.lineno <= line <= node.end_lineno:
            inner = _own_lines(node, node.end_lineno)
    return inner


def _own_lines(node: ast.stmt, end: int) -> range:
    body = getattr(node, "body", None)
    if body is None or isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        return range(node.lineno, end + 1)
    return range(node.lineno, max(node.lineno + 1, body[0].lineno))


def put_into_function(mutant: Mutant, module_name: str) -> None:
    """Let the function that is already there, and known under many names, decide as the mutant does."""
    module = importlib.import_module(module_name)
    fresh: dict[str, Any] = {"__name__": module_name, "__file__": str(mutant.path)}
    exec(compile(mutant.source, str(mutant.path), "exec"), fresh)
    there, new = _function(vars(module), mutant.function), _function(fresh, mutant.function)
    there.__code__, there.__defaults__ = new.__code__, new.__defaults__


def _function(names: dict[str, Any], qualified: str) -> FunctionType:
    outer, _, inner = qualified.rpartition(".")
    found = vars(names[outer])[inner] if outer else names[inner]
    assert isinstance(found, FunctionType)
    return found


def put_into_import(mutant: Mutant, module_name: str) -> None:
    """The next import of the module takes the mutant's text. The module must not have been imported yet."""
    assert module_name not in sys.modules

    class Loader(importlib.machinery.SourceFileLoader):
        def get_code(self, fullname: str) -> Any:
            if fullname == module_name:
                return compile(mutant.source, str(mutant.path), "exec")
            return super().get_code(fullname)

    hook = importlib.machinery.FileFinder.path_hook((Loader, [".py"]))
    sys.path_hooks.insert(0, hook)
    sys.path_importer_cache.clear()

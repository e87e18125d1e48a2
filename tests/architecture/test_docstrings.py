"""Public functions of the engine and the catalogue say what they take and give."""

import ast
from pathlib import Path

import pytest

SERVICE = Path(__file__).parents[2] / "service" / "rillcast_service"
MODULES = sorted([*(SERVICE / "engine").rglob("*.py"), *(SERVICE / "catalogue").rglob("*.py")])


def _public_functions(tree: ast.Module) -> list[ast.FunctionDef]:
    return [
        node
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
        and not node.name.startswith("_")
        # a rule takes a case and yields findings: the register says so once for all
        and not any(ast.unparse(decorator).startswith("rule(") for decorator in node.decorator_list)
    ]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_public_functions_document_arguments_and_result(path):
    for function in _public_functions(ast.parse(path.read_text())):
        where = f"{path.name}:{function.lineno} {function.name}"
        text = ast.get_docstring(function)
        assert text, f"{where} has no docstring"
        arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
        for argument in arguments:
            assert argument.arg in text, f"{where} says nothing of {argument.arg}"
        returns = function.returns is not None and ast.unparse(function.returns) != "None"
        if returns and arguments:
            assert "Returns:" in text or "Yields:" in text, f"{where} does not say what it returns"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_modules_say_what_they_are_about(path):
    assert ast.get_docstring(ast.parse(path.read_text())), f"{path} has no docstring"

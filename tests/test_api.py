"""The Python interface: stable names, each typed and described, and the page that tells them."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import pipeline
from pipeline.api_page import GROUPS, LISTED, PAGE, RECORDS, made_page, sections_of
from pipeline.report.layout import load_sources

ROOT = Path(__file__).parents[1]
# What a docstring may name besides keys of the bibliography.
OTHER_SOURCES = {"definition", "own choice"}


def public_functions() -> Iterator[tuple[str, Callable[..., Any]]]:
    """Every public function, and every public method of a public class."""
    for name in pipeline.PLACES:
        thing = getattr(pipeline, name)
        if inspect.isfunction(thing):
            yield name, thing
        elif inspect.isclass(thing):
            for member_name, member in vars(thing).items():
                if inspect.isfunction(member) and not member_name.startswith("_"):
                    yield f"{name}.{member_name}", member


FUNCTIONS = dict(public_functions())


def parts_of(thing: Callable[..., Any]) -> dict[str, tuple[tuple[str, str], ...]]:
    """The sections of a docstring by title."""
    return {section.title: section.entries for section in sections_of(inspect.getdoc(thing) or "")[1]}


def test_the_page_is_the_one_that_the_code_gives() -> None:
    assert PAGE.read_text(encoding="utf-8") == made_page(), "make it again: python -m pipeline.api_page"


def test_the_page_names_everything_that_is_public() -> None:
    named = [name for names in GROUPS.values() for name in names]
    assert sorted(named) == sorted(pipeline.PLACES)
    assert sorted(pipeline.__all__) == sorted([*pipeline.PLACES, "__version__"]) == sorted(dir(pipeline))


def test_a_type_checker_is_told_the_same_names() -> None:
    tree = ast.parse((ROOT / "pipeline/__init__.py").read_text(encoding="utf-8"))
    (guarded,) = (node for node in tree.body if isinstance(node, ast.If))
    told = {
        alias.asname or alias.name: f"{node.module}:{alias.name}"
        for node in guarded.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert told == pipeline.PLACES


def test_no_public_name_is_that_of_a_module() -> None:
    """Importing the module would put it in the place of what was asked for."""
    modules = {path.stem for path in (ROOT / "pipeline").iterdir()}
    assert set(pipeline.PLACES) & modules == set()


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'run_studies'"):
        _ = pipeline.run_studies


def test_importing_the_package_alone_loads_no_library() -> None:
    code = "import sys, pipeline; print([name for name in ('numpy', 'pandas', 'matplotlib') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_has_types(name: str) -> None:
    signature = inspect.signature(FUNCTIONS[name])
    assert signature.return_annotation is not signature.empty
    untyped = [one.name for one in signature.parameters.values() if one.annotation is one.empty and one.name != "self"]
    assert untyped == []


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_tells_its_parameters_in_their_order(name: str) -> None:
    told = [one for head, _ in parts_of(FUNCTIONS[name])["Parameters"] for one in head.split(" : ")[0].split(", ")]
    assert told == [one for one in inspect.signature(FUNCTIONS[name]).parameters if one != "self"]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_tells_what_comes_back(name: str) -> None:
    assert {"Returns", "Yields"} & set(parts_of(FUNCTIONS[name]))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_that_raises_tells_what(name: str) -> None:
    tree = ast.parse(textwrap.dedent(inspect.getsource(FUNCTIONS[name])))
    if any(isinstance(node, ast.Raise) for node in ast.walk(tree)):
        assert "Raises" in parts_of(FUNCTIONS[name])
    for head, text in parts_of(FUNCTIONS[name]).get("Raises", ()):
        assert text, f"{name} does not say when it raises {head}"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_sources_of_a_public_function_are_known(name: str) -> None:
    for _, text in parts_of(FUNCTIONS[name]).get("References", ()):
        keys = set(re.split(r"; ", text))
        assert keys - set(load_sources()) - OTHER_SOURCES == set()


def test_every_class_and_record_says_what_it_is() -> None:
    places = [f"{module}:{name}" for module, names in RECORDS.items() for name in names]
    for place in [*pipeline.PLACES.values(), *places]:
        module, _, name = place.partition(":")
        thing = getattr(import_module(module), name)
        # A dataclass without a docstring gets its signature as one.
        assert not inspect.isclass(thing) or not (thing.__doc__ or "").startswith(f"{name}("), place


def test_a_docstring_is_taken_apart() -> None:
    text = (
        "Return it.\n\nMore.\n\nParameters\n----------\na, b : (n,)\n    Two.\n    Lines. [s]\nc : int\n\n"
        "Raises\n------\nValueError\n    No.\n\nNotes\n-----\nOne\nline.\n\nTwo."
    )
    intro, sections = sections_of(text)
    assert intro == "Return it.\n\nMore."
    assert [(one.title, one.entries) for one in sections] == [
        ("Parameters", (("a, b : (n,)", "Two. Lines. [s]"), ("c : int", ""))),
        ("Raises", (("ValueError", "No."),)),
        ("Notes", (("", "One line.\n\nTwo."),)),
    ]
    assert {one.title for one in sections} - {"Notes"} <= set(LISTED)
    assert sections_of("One line.") == ("One line.", ())

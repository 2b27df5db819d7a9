"""The page of the Python interface, `docs/api.md`, from signatures and docstrings: `python -m pipeline.api_page`."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator
from enum import Enum
from importlib import import_module
from pathlib import Path
from typing import Any

import pipeline
from pipeline.store import openable_path, write_text

PAGE = Path(__file__).parent / "docs" / "api.md"
GROUPS: dict[str, tuple[str, ...]] = {
    "Measure": (
        "read_manifest", "check_study", "run_study", "Cluster", "StudyResult", "load_settings", "load_limits",
        "PipelineError",
    ),
    "Read what was measured": (
        "visit_folders", "load_visit", "read_reports", "show", "load_tables", "query", "export_tables",
    ),
    "Forget a person": ("forget_subject",),
    "Change across visits": ("track_subject", "track_table", "load_tracking_rules"),
    "Corrections by a person": (
        "Viewer", "clip_events", "clip_strides", "CorrectionRequest", "record_corrections", "list_corrections",
    ),
    "Agreement of raters": ("rating_sheet", "read_ratings", "Rating", "compare_raters", "compare_sizes"),
    "Figures": ("plot_curve", "plot_fault", "plot_visits", "plot_differences"),
    "A metric of your own": (
        "Family", "window", "peak", "average", "percent_of_stride", "OwnError", "limits_from_text", "Person",
        "judge_visit", "CATALOGUE",
    ),
}  # fmt: skip
# What the functions give back, by module: documented here, and not to be made by hand.
RECORDS: dict[str, tuple[str, ...]] = {
    "pipeline.judgement": ("VisitReport", "Fault", "Finding", "Candidate", "Limits"),
    "pipeline.model": ("StrideSet", "MetricValue", "Clip"),
    "pipeline.precheck": ("ClipCheck",),
    "pipeline.report.track": ("SubjectTrack",),
    "pipeline.tracking": ("Track", "FaultTrack", "Change", "Point"),
    "pipeline.slopes": ("Slope",),
    "pipeline.review": ("Reviewed", "Correction"),
    "pipeline.review_requests": ("Recorded",),
    "pipeline.study_tables": ("StudyTables",),
    "pipeline.forget": ("Forgotten",),
    "pipeline.forget_plan": ("ForgetPlan",),
    "pipeline.run_traces": ("Traces",),
    "pipeline.person_names": ("Names",),
    "pipeline.name_search": ("Searched",),
    "pipeline.agreement": ("Estimate",),
    "pipeline.agreement_sizes": ("BlandAltman",),
}
VALUES = {"CATALOGUE": "Every metric and every comparison of limbs that ships, by id, as `MetricSpec` or `PairSpec`."}
LISTED = ("Parameters", "Attributes", "Returns", "Yields", "Warns", "Raises")
INTRO = """# The Python interface

The names of the first eight parts are imported from `pipeline` and are stable: a change of one is told in the change
log. Those of the last part come back from them. Everything else in the modules may change. A screening aid for
trained staff: it gives no diagnosis and it is not a medical device.

Shapes stand in parentheses with their axes named, units in square brackets. Sides are the person's own left and
right. What could not be measured is a value without a number and with its reason, never an exception; errors are
`PipelineError` with the item, what was found, what was expected and what to do. Keys under *Source* are those of
`configs/sources.toml`. Records are shown as tables in a notebook. The notebooks in `notebooks/` are lessons; this
page is for looking up.

`python -m pipeline.api_page` makes this page from the code.
"""


@dataclasses.dataclass(frozen=True, slots=True)
class Section:
    """One part of a docstring: its title, and its entries, each a head and the text under it; or a text alone."""

    title: str
    entries: tuple[tuple[str, str], ...]


def made_page() -> str:
    """Return the page."""
    parts = [INTRO]
    parts += [
        f"- {title}: {', '.join(f'[{name}](#{name.lower()})' for name in names)}" for title, names in GROUPS.items()
    ]
    parts.append("")
    for title, names in GROUPS.items():
        parts += [f"## {title}\n", *(_described(name, pipeline.PLACES[name]) for name in names)]
    parts.append("## Records that come back\n")
    parts += [_described(name, f"{module}:{name}") for module, names in RECORDS.items() for name in names]
    return "\n".join(parts)


def sections_of(docstring: str) -> tuple[str, tuple[Section, ...]]:
    """Return the text before the first section of a numpy docstring, and its sections."""
    found = list(re.finditer(r"^(\w[\w ]*)\n-{3,}\n", docstring, re.MULTILINE))
    ends = [*(match.start() for match in found), len(docstring)][1:]
    sections = []
    for match, end in zip(found, ends, strict=True):
        body = docstring[match.end() : end].strip("\n")
        entries = tuple(_entries(body)) if match.group(1) in LISTED else (("", _flowing(body)),)
        sections.append(Section(match.group(1), entries))
    return docstring[: found[0].start() if found else len(docstring)].strip(), tuple(sections)


def _entries(body: str) -> Iterator[tuple[str, str]]:
    """Heads without indentation, each with the lines below it that have some."""
    head, lines = "", []
    for line in [*body.splitlines(), "end"]:
        if line.startswith(" ") or not line:
            lines.append(line.strip())
            continue
        if head:
            yield head, _flowing("\n".join(lines))
        head, lines = line, []


def _flowing(text: str) -> str:
    """Lines of a paragraph joined; paragraphs stay apart."""
    paragraphs = [" ".join(part.split()) for part in text.split("\n\n")]
    return "\n\n".join(part for part in paragraphs if part)


def _described(name: str, place: str) -> str:
    """One public name: how it is called, what it does, and where it is."""
    module, _, attribute = place.partition(":")
    thing = getattr(import_module(module), attribute)
    if name in VALUES:
        return f"### {name}\n\n{VALUES[name]}\n\nIn `{module}`.\n"
    module = thing.__module__
    parts = [f"### {name}\n", f"```python\n{_signature(name, thing)}\n```\n", _text(thing)]
    if inspect.isclass(thing):
        for member_name, member in _members(thing):
            is_property = isinstance(member, property)
            called = f"{name}.{member_name}" if is_property else _signature(f"{name}.{member_name}", member)
            parts += [f"```python\n{called}\n```\n", _text(member.fget if is_property else member)]
    return "\n".join([*parts, f"In `{module}`.\n"])


def _members(thing: type) -> Iterator[tuple[str, Any]]:
    """Public methods and properties of a class itself."""
    for name, member in vars(thing).items():
        if not name.startswith("_") and (inspect.isfunction(member) or isinstance(member, property)):
            yield name, member


def _signature(name: str, thing: Any) -> str:
    """How it is called, one argument a line, types as they are written."""
    arguments, star = [], False
    signature = inspect.signature(thing)
    for one in signature.parameters.values():
        if one.name == "self":
            continue
        if one.kind == one.KEYWORD_ONLY and not star:
            arguments.append("*")
            star = True
        default = "" if one.default is one.empty else f" = {_default(one.default)}"
        arguments.append(f"{one.name}: {one.annotation}{default}")
    given = "" if inspect.isclass(thing) else f" -> {signature.return_annotation}"
    line = f"{name}({', '.join(arguments)}){given}"
    if len(line) <= 100:
        return line
    listed = "".join(f"    {argument},\n" for argument in arguments)
    return f"{name}(\n{listed}){given}"


def _default(value: Any) -> str:
    """A default as a reader would write it."""
    if isinstance(value, Enum):
        return f"{type(value).__name__}.{value.name}"
    if callable(value):
        return str(getattr(value, "__name__", "..."))
    short = repr(value)
    names = [name for name in VALUES if value is getattr(pipeline, name)]
    return names[0] if names else "..." if type(value).__name__ == "_HAS_DEFAULT_FACTORY_CLASS" else short


def _text(thing: Any) -> str:
    """A docstring as Markdown."""
    intro, sections = sections_of(inspect.getdoc(thing) or "")
    parts = [_flowing(intro) + "\n"]
    for section in sections:
        title = "Source" if section.title == "References" else section.title
        if section.title in LISTED:
            entries = "\n".join(f"- {_head(head)}{f': {text}' if text else ''}" for head, text in section.entries)
            parts.append(f"*{title}*\n\n{entries}\n")
        else:
            parts.append(f"*{title}*: {section.entries[0][1]}\n")
    return "\n".join(parts)


def _head(head: str) -> str:
    """The head of an entry: names as code, what they are in parentheses."""
    names, _, kind = head.partition(" : ")
    if not kind:
        return f"`{names.replace('`', '')}`"
    # A shape has parentheses of its own.
    return f"`{names}` {kind}" if kind.startswith("(") else f"`{names}` ({kind})"


def main() -> None:
    """Write the page and name it."""
    write_text(PAGE, made_page())
    print(openable_path(PAGE))


if __name__ == "__main__":
    main()

"""One page a fault: a person's text, and between markers what follows from limits, metrics and benchmarks."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.catalogue import Row, base_metric, catalogue_rows, limb_words, limit_words
from pipeline.errors import ConfigError
from pipeline.judgement import FaultDefinition, Limits
from pipeline.metrics import CATALOGUE
from pipeline.metrics.registry import PairSpec
from pipeline.model import OwnError
from pipeline.quantities import QUANTITIES
from pipeline.report.layout import Source, load_sources

DOCS = Path(__file__).resolve().parent / "docs"
SHIPPED_PAGES = DOCS / "faults"
INDEX = "README.md"
# Page of the benchmark of faults, beside the folder of the pages, and the first columns of its tables that are read.
BENCHMARK = "faults.md"
FAULT_COLUMNS = ("fault", "injected")
# Of its table of metrics, the columns that a reader of limits needs; of a table of faults, all are kept.
METRIC_COLUMNS = ("metric", "limb", "look", "unit", "n", "bias", "RMSE", "slope", "inside")
NOT_MEASURED = "not measured yet"
END = "<!-- end generated -->"
# Every page's headings, in this order, each with the name of the part that is generated under it.
HEADINGS = {
    "What is seen": "seen",
    "View, limb and phase": "where",
    "How it is measured": "metrics",
    "Limits": "limits",
    "Strides, frame rate, and what makes it *cannot say*": "needs",
    "What it cannot tell, and what looks like it": "cannot_tell",
    "How well it is measured": "accuracy",
    "Sources": "sources",
}
GENERATED = re.compile(r"<!-- generated: (\w+) -->\n.*?" + re.escape(END), re.DOTALL)


@dataclass(frozen=True, slots=True)
class Page:
    """What the generated parts of one page are made from; `prose` is all that a person wrote in it."""

    fault: FaultDefinition
    limits: Limits
    rows: tuple[Row, ...]
    sources: dict[str, Source]
    prose: str

    @property
    def metrics(self) -> list[str]:
        """Metrics that judge the fault, then those that the text names."""
        judged = [row.metric for row in self.rows]
        named = [name for name in re.findall(r"`(\w+)`", self.prose) if name in CATALOGUE]
        return list(dict.fromkeys([*judged, *named]))


def made_pages(folder: Path, limits: Limits) -> dict[str, str]:
    """Return the text of every fault's page and of their index, by file name; nothing is written.

    Parameters
    ----------
    folder : Path
        A page found here keeps its own text; otherwise it begins with the shipped one, or with empty headings.
    limits : Limits

    Raises
    ------
    ConfigError
        A page lacks one of the markers between which a part is generated.
    """
    sources = load_sources()
    rows = catalogue_rows(limits, sources)
    pages = {}
    for fault in limits.faults:
        name = f"{fault.name}.md"
        text = _text(folder, name) or _skeleton(fault)
        own = tuple(row for row in rows if row.fault == fault.name)
        page = Page(fault, limits, own, sources, GENERATED.sub("", text))
        for part, make in PARTS.items():
            text = _filled(name, text, part, make(page))
        pages[name] = text
    index = _text(folder, INDEX) or f"# Faults\n\n<!-- generated: faults -->\n{END}\n"
    return pages | {INDEX: _filled(INDEX, index, "faults", _index(limits, rows))}


def _text(folder: Path, name: str) -> str:
    """The text of a page in a folder, else of the shipped one, else nothing."""
    found = next((path for path in (folder / name, SHIPPED_PAGES / name) if path.is_file()), None)
    return found.read_text(encoding="utf-8") if found else ""


def _skeleton(fault: FaultDefinition) -> str:
    """A page without a person's text."""
    parts = [f"## {heading}\n\n<!-- generated: {part} -->\n{END}\n" for heading, part in HEADINGS.items()]
    return "\n".join([f"# {fault.title}\n", *parts])


def _filled(name: str, text: str, part: str, content: str) -> str:
    """The text with one generated part put in anew."""
    start = f"<!-- generated: {part} -->\n"
    before, found, rest = text.partition(start)
    _, ended, after = rest.partition(END)
    if not (found and ended):
        raise ConfigError(
            name,
            f"the markers of the part {part!r} are missing",
            f"expected {start.strip()} and below it {END}",
            "Put both lines back, or take the page away and make it anew.",
        )
    return f"{before}{start}{content}\n{END}{after}"


def _seen(page: Page) -> str:
    caution = f"\n\n**{page.fault.caution}**" if page.fault.caution else ""
    return page.fault.seen + caution


def _where(page: Page) -> str:
    fault = page.fault
    views = " and ".join(dict.fromkeys(row.view for row in page.rows))
    limb = {"both": "both, compared"}.get(fault.side, fault.side)
    lines = [f"- View: {views}", f"- Limb: {limb}", f"- Phase: {fault.phase}"]
    titles = {quantity.name: quantity for quantity in QUANTITIES}
    if fault.curve:
        curve = titles[fault.curve]
        sign = f", positive: {curve.positive}" if curve.positive else ""
        low, high = fault.phase_pct
        lines.append(
            f"- Curve: {curve.title.lower()} [{curve.unit}]{sign}; look at {low:g} to {high:g} % of the stride"
        )
    if fault.prosthesis_only:
        lines.append("- A person without a prosthesis is not judged.")
    return "\n".join(lines)


def _metrics(page: Page) -> str:
    judged = {row.metric for row in page.rows}
    rows = []
    for name in page.metrics:
        spec = CATALOGUE[name]
        how = f"`{spec.metric}` of both limbs" if isinstance(spec, PairSpec) else "each stride"
        sign = f"above 1: {spec.positive}" if spec.unit == "1" and spec.positive else spec.positive
        rows.append((f"`{name}`", spec.title, spec.unit, sign, how, "yes" if name in judged else "no"))
    return _table(("metric", "what it is", "unit", "positive", "from", "judged"), rows)


def _limits(page: Page) -> str:
    rule = {"any": " One limit passed is enough.", "all": " All limits must be passed."}[page.fault.rule]
    head = f"From `configs/checks/{page.fault.name}.toml`." + (rule if len(page.rows) > 1 else "")
    rows = [
        (
            f"`{row.metric}`",
            limb_words(row),
            limit_words(row),
            "" if row.clear is None else f"{row.clear:g}",
            "" if row.severe is None else f"{row.severe:g}",
            row.standing,
            _scope(row),
        )
        for row in page.rows
    ]
    table = _table(("metric", "limb", "outside when", "clear from", "severe from", "standing", "holds for"), rows)
    notes = [f"- `{row.check}`: {row.note} Source: `{row.source}`." for row in page.rows]
    return "\n".join([head, "", table, "", *notes])


def _scope(row: Row) -> str:
    """For whom a limit holds."""
    words = [row.levels, f"aid: {row.aids}" if row.aids else "", f"{row.speed} leg lengths/s" if row.speed else ""]
    return "; ".join(word for word in words if word) or "everybody"


def _needs(page: Page) -> str:
    lines = []
    for row in {row.metric: row for row in page.rows}.values():
        base = base_metric(row.metric)
        words = [
            f"{row.min_strides} {'strides' if base.early else 'whole strides'}"
            + " of each limb" * (row.side == "both")
            + " (their beginning is enough)" * base.early,
            f"{row.view} view",
            f"{row.min_fps:g} frames/s or more" if row.min_fps else "",
            "the limb towards the camera" if row.near_only else "",
            f"its leg followed without doubt{' in early stance' * base.early}" if base.sure_leg else "",
            "its foot followed without doubt" if base.sure_foot else "",
            "a scale in metres" if "m_per_px" in base.needs else "",
        ]
        lines.append(f"- `{row.metric}`: {', '.join(word for word in words if word)}")
    return "\n".join(lines)


def _accuracy(page: Page) -> str:
    lines = ["\n\n".join(_measured(page)) or NOT_MEASURED, ""]
    for name in dict.fromkeys(row.metric for row in page.rows):
        own, unit = page.limits.measurement_error.get(name), CATALOGUE[name].unit
        words = f"{_error_words(own)} [{unit}]" if own else NOT_MEASURED
        if own and own.prosthetic_sd is not None:
            words += f"; {_error_words(own.of_limb(True))} [{unit}] of a prosthetic limb"
        lines.append(f"- Own error of `{name}` in every interval, one standard deviation: {words}")
    return "\n".join(lines)


def _error_words(own: OwnError) -> str:
    return f"{own.sd:g} about a bias of {own.bias:+g}" if own.bias else f"{own.sd:g}"


def _measured(page: Page) -> list[str]:
    """The rows about a fault and its metrics in the tables of the benchmark's page, each table under its heading."""
    path = DOCS / BENCHMARK
    found, heading = [], ""
    for block in path.read_text(encoding="utf-8").split("\n\n") if path.is_file() else []:
        lines = block.strip().splitlines()
        if block.startswith("#"):
            heading = lines[0].lstrip("# ")
        if not block.startswith("|"):
            continue
        head, _, *rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines]
        of_faults = head[0] in FAULT_COLUMNS
        wanted = [page.fault.name] if of_faults else page.metrics
        kept = [k for k, cell in enumerate(head) if of_faults or cell in METRIC_COLUMNS]
        rows = [[row[k] for k in kept] for row in rows if row[0] in wanted]
        if rows:
            found.append(f"{heading} ({BENCHMARK}):\n\n" + _table([head[k] for k in kept], rows))
    return found


def _sources(page: Page) -> str:
    keys = [row.source for row in page.rows] + [CATALOGUE[name].source for name in page.metrics]
    keys += re.findall(r"\[(\w+)\](?!\()", page.prose)
    lines = [f"- `{key}`: {page.sources[key].words()}" for key in dict.fromkeys(keys) if key in page.sources]
    return "\n".join(lines) or "Definitions only."


def _cannot_tell(page: Page) -> str:
    return page.fault.cannot_tell


def _index(limits: Limits, rows: tuple[Row, ...]) -> str:
    lines = []
    for fault in limits.faults:
        own = [row for row in rows if row.fault == fault.name]
        views = " and ".join(dict.fromkeys(row.view for row in own))
        metrics = ", ".join(dict.fromkeys(f"`{row.metric}`" for row in own))
        limb = {"both": "compared"}.get(fault.side, fault.side)
        lines.append((f"[{fault.title}]({fault.name}.md)", views, limb, metrics))
    return _table(("fault", "view", "limb", "judged by"), lines)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in markdown."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


PARTS: dict[str, Callable[[Page], str]] = {
    "seen": _seen,
    "where": _where,
    "metrics": _metrics,
    "limits": _limits,
    "needs": _needs,
    "cannot_tell": _cannot_tell,
    "accuracy": _accuracy,
    "sources": _sources,
}

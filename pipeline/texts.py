"""Every English text of the pages in one list, for translators: `python -m pipeline.texts` writes it anew.

Texts come from the code and the templates of the pages (what is given to `say`), from the settings that hold words,
from the names of metrics, curves, verdicts and limbs, and from the sentences that measuring saves in records.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator, Set
from pathlib import Path
from typing import Any, get_args

import polib
from jinja2 import Environment
from jinja2.nodes import Call, Const, Name

from pipeline.config import config_dir
from pipeline.errors import PipelineError
from pipeline.goals import GoalVerdict
from pipeline.judgement import CauseGroup, Severity, Standing, Verdict
from pipeline.language import NUMBERS, SAVED
from pipeline.metrics import CATALOGUE
from pipeline.model import SIDES, VIEWS, Aid, Level
from pipeline.quantities import QUANTITIES
from pipeline.report.consider import STANDINGS
from pipeline.report.corrections import SENTENCES as CORRECTION_SENTENCES
from pipeline.report.corrections import TEXTS as CORRECTION_TEXTS
from pipeline.report.layout import NOT_WORDS
from pipeline.report.pdf import said_in_typst
from pipeline.report.recorded import BETTER_WORDS
from pipeline.report.words import RATIO
from pipeline.review import State
from pipeline.saved_texts import ADVICE, LOOKED_AT, SAVED_SENTENCES, SAVED_TEXTS
from pipeline.tracking import ChangeVerdict

Text = tuple[str, str, str]
PACKAGE = Path(__file__).parent
TEMPLATE_TEXTS = "texts.pot"
# Keys of the settings files whose values are words for a reader.
WORDS_OF_FAULTS = frozenset({"title", "phase", "seen", "cannot_tell", "caution", "note"})
WORDS_OF_CAUSES = frozenset({"title", "examine", "caution", "text"})
WORDS_OF_RECORDED = frozenset({"title", "unit", "about"})
SIGNS_OF_CAUSES = ("explains", "against_if_present", "against_if_not_seen")
LIMB_WORDS = (*SIDES, "left and right", "right and left", "both", "prosthetic", "sound", "none")
LIMIT_WORDS = ("above", "below", RATIO)
# How clips, visits and runs end, and what a loss is of.
STATE_WORDS = ("done", "failed", "interrupted", "clip", "visit", "run")


def all_texts() -> list[Text]:
    """Return every English text once: context, text, plural form (empty for none), in a steady order."""
    found: dict[tuple[str, str], str] = {(NUMBERS, "."): ""}
    for context, text, plural in _everything():
        if text.strip():
            found.setdefault((context, text), plural)
    return [(context, text, plural) for (context, text), plural in found.items()]


def _everything() -> Iterator[Text]:
    """Texts from all places, some more than once."""
    for path in sorted([*(PACKAGE / "report").rglob("*.py"), *PACKAGE.glob("figures*.py")]):
        yield from _said_in_python(path.read_text(encoding="utf-8"))
    assets = PACKAGE / "report" / "assets"
    for path in sorted(assets.rglob("*.html")):
        yield from _said_in_template(path.read_text(encoding="utf-8"))
    for path in sorted(assets.rglob("*.typ")):
        yield from (("", text, "") for text in said_in_typst(path.read_text(encoding="utf-8")))
    folder = config_dir()
    layout = tomllib.loads((folder / "report.toml").read_text(encoding="utf-8"))
    yield from (("", text, "") for text in _texts_in(layout))
    for path in sorted((folder / "checks").glob("*.toml")):
        limits = tomllib.loads(path.read_text(encoding="utf-8"))
        yield from (("", text, "") for text in _words_of(limits, WORDS_OF_FAULTS))
    sources = tomllib.loads((folder / "sources.toml").read_text(encoding="utf-8"))
    yield from (("", source["reason"], "") for source in sources.values() if source.get("reason"))
    causes = tomllib.loads((folder / "causes.toml").read_text(encoding="utf-8"))
    yield from (("", text, "") for text in _words_of(causes, WORDS_OF_CAUSES))
    recorded = tomllib.loads((folder / "recorded.toml").read_text(encoding="utf-8"))
    yield from (("", text, "") for text in _words_of(recorded, WORDS_OF_RECORDED))
    faults = {path.stem for path in (folder / "checks").glob("*.toml")}
    signs = dict.fromkeys(one for cause in causes["cause"] for key in SIGNS_OF_CAUSES for one in cause[key])
    # A sign is a fault, which has a title, or one of its checks.
    yield from (("", sign.replace("_", " "), "") for sign in signs if sign not in faults)
    words: list[str] = [*VIEWS, *LIMB_WORDS, *LIMIT_WORDS, *STATE_WORDS, *STANDINGS, *SAVED_TEXTS, *LOOKED_AT, *ADVICE]
    words += [*BETTER_WORDS.values(), *CORRECTION_TEXTS]
    for choice in (State, Verdict, Severity, Standing, CauseGroup, Level, Aid, ChangeVerdict, GoalVerdict):
        words += get_args(choice)
    for entry in [*CATALOGUE.values(), *QUANTITIES]:
        words += [entry.title, entry.positive, entry.unit]
    yield from (("", word, "") for word in words if word != "1")
    yield from ((SAVED, sentence, "") for sentence in (*SAVED_SENTENCES, *CORRECTION_SENTENCES))


def _said_in_python(source: str) -> Iterator[Text]:
    """What a module gives to `say` and `say_count`."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            fixed = [one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)]
            if node.func.id == "say" and fixed:
                yield "", fixed[0], ""
            elif node.func.id == "say_count" and len(fixed) == 2:
                yield "", fixed[0], fixed[1]


def _said_in_template(source: str) -> Iterator[Text]:
    """What a template of a page gives to `say` and `say_count`."""
    for call in Environment().parse(source).find_all(Call):
        if isinstance(call.node, Name) and call.node.name in ("say", "say_count"):
            fixed = [one.value for one in call.args if isinstance(one, Const) and isinstance(one.value, str)]
            if fixed:
                yield "", fixed[0], fixed[1] if call.node.name == "say_count" else ""


def _words_of(settings: dict[str, Any], keys: Set[str]) -> Iterator[str]:
    """Texts under some keys of the tables of a settings file."""
    for table in settings.values():
        for entry in table if isinstance(table, list) else [table]:
            yield from (text for key in entry if key in keys for text in _texts_in(entry[key]))


def _texts_in(value: Any) -> Iterator[str]:
    """All texts of a value, of its lists and tables too, but names of sections, metrics and curves."""
    if isinstance(value, dict):
        value = [one for key, one in value.items() if key not in NOT_WORDS]
    if isinstance(value, list):
        for one in value:
            yield from _texts_in(one)
    elif isinstance(value, str) and not ("_" in value and value.isidentifier()):
        yield value


def write_catalogues(folder: Path) -> list[str]:
    """Write the list of texts, and bring every language's catalogue up to it; return what is left to translate.

    Translations are kept; entries whose English is gone are dropped; new ones stay empty, which shows them in English.
    """
    texts = all_texts()
    template = polib.POFile(wrapwidth=116)
    template.metadata = {"Content-Type": "text/plain; charset=utf-8", "Content-Transfer-Encoding": "8bit"}
    for context, text, plural in texts:
        forms = {"msgid_plural": plural, "msgstr_plural": {0: "", 1: ""}} if plural else {}
        template.append(polib.POEntry(msgid=text, msgctxt=context or None, **forms))
    template.save(str(folder / TEMPLATE_TEXTS))
    missing = []
    for path in sorted(folder.glob("*.po")):
        file = polib.pofile(str(path), encoding="utf-8", wrapwidth=116)
        file.merge(template)
        for entry in file.obsolete_entries():
            file.remove(entry)
        file.save()
        missing += [f"{path.name}: {entry.msgid!r}" for entry in file.untranslated_entries()]
    return missing


if __name__ == "__main__":
    try:
        left = write_catalogues(config_dir() / "languages")
    except PipelineError as error:
        sys.exit(str(error))
    print("\n".join(left) if left else "Every text is translated.")

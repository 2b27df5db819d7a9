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
from pipeline.outcomes import CHANCE_NOT_KNOWN, ERROR_NOT_KNOWN, NO_VALUE, NOT_RECORDED
from pipeline.quantities import QUANTITIES
from pipeline.report.consider import STANDINGS
from pipeline.report.layout import NOT_WORDS
from pipeline.report.pdf import said_in_typst
from pipeline.report.recorded import BETTER_WORDS
from pipeline.report.words import RATIO
from pipeline.tracking import ChangeVerdict

Text = tuple[str, str, str]
PACKAGE = Path(__file__).parent
TEMPLATE_TEXTS = "texts.pot"
# Keys of the settings files whose values are words for a reader.
WORDS_OF_FAULTS = frozenset({"title", "phase", "seen", "cannot_tell", "caution", "note"})
WORDS_OF_CAUSES = frozenset({"title", "examine", "caution", "text"})
WORDS_OF_RECORDED = frozenset({"title", "unit", "about"})
SIGNS_OF_CAUSES = ("explains", "against_if_present", "against_if_not_seen")
# Sentences that measuring saves, with places for what differs. Numbers and texts in the places are looked up in turn.
SAVED_SENTENCES = (
    "{n} whole strides {where} were found; at least {least} are needed",
    "only {n} whole strides {where} were found; at least {least} are needed",
    "no whole strides {where} were found; at least {least} are needed",
    "it was filmed at {rate} frames/s; at least {least} are needed",
    "no usable {views} clip was given",
    "{first} and {second} cannot be compared",
    "left limb: {reason}",
    "right limb: {reason}",
    "there is no usable signal for {names}",
    "the limit is for {levels}; this limb: {own}",
    "the limit is for walking with {aids} as an aid; here: {aid}",
    "the limit is for {low} to {high} leg lengths/s; the walking speed is not known",
    "the limit is for {low} to {high} leg lengths/s; this walk: {speed}",
    "the views disagree: {values}",
    "{view} {value} ({low} to {high}) {unit}",
    "{fault} ({check})",
    "both limbs are prosthetic: {reason}",
    "the manifest names no prosthetic limb: {reason}",
    "Walked at {list}.",
    "{speed} m/s",
    "{speed} leg lengths/s",
    "Froude number {number}",
    "{cadence} steps/min",
    "The clips were not walked at one pace (steps/min: {clips}). Sizes of faults change with speed: do not set values "
    "of one view against those of another.",
    "These clips came as landmark files, without pictures: {clips}.",
    "The landmark file of clip {clip} was made by older calculations (program {version}): measure the clip itself "
    "again, where it still exists.",
    "{sign}: {verdict}, which speaks against it",
    "{sign}: {verdict}, explained seldom or in part",
    "{sign}: present",
    "{sign}: borderline",
    "{sign}: not seen, though this would show it",
    "Change log: the word {word} stands there",
    "{percent} % of stride, {time} s",
    "{left_out} of {all} pictures, because the head was not found for sure in them, or somebody else is in view whose "
    "face would show.",
    "clip {clip} came as a landmark file, without pictures.",
    "{view} view of clip {clip} at {time} s, {percent} % of the stride of the {limb} limb: the walker, face made "
    "unrecognisable, with the tracked skeleton. {key}.",
    "visit {visit}: {reason}",
    "other pose model ({first}, then {second})",
    "other walking aid ({first}, then {second})",
    "other footwear ({first}, then {second})",
    "goals.csv names visit {visit} as the baseline; it does not lie before the latest visit",
    "other unit ({first}, then {second})",
    "other views ({first}, then {second})",
    "other camera angle ({view}: {first}, then {second} deg)",
    "other speed ({first}, then {second} {unit})",
    "prosthetic ({side})",
    "sound ({side})",
    "{side} (prosthetic)",
)
SAVED_TEXTS = (
    "with this limb",
    "with this limb towards the camera",
    "with this limb towards the camera and its leg followed without doubt",
    "with this limb towards the camera and its foot followed without doubt",
    "with this limb and its leg followed without doubt",
    "with this limb and its foot followed without doubt",
    "the manifest gives no height or known length",
    "there is no sound side to compare with",
    "the 95 % interval reaches past both limits",
    "the 95 % interval holds no deviation at all as well as a clear one",
    "the limit lies inside the 95 % interval",
    "it is a fault of a prosthetic limb; the manifest names none",
    "left leg seen",
    "right leg seen",
    "left leg seen, far side",
    "right leg seen, far side",
    "left leg lost and rebuilt",
    "right leg lost and rebuilt",
    "strides, left foot",
    "strides, right foot",
    "The clip also shows the walk away from the camera, which is not measured here: add a copy of the file, with the "
    "view posterior in its own row.",
    "The clip also shows the walk toward the camera, which is not measured here: add a copy of the file, with the "
    "view anterior in its own row.",
    "Sagittal",
    "Anterior",
    "Posterior",
    "no whole stride was measured in it.",
    "other prosthetic side",
    "the walking speed of a visit is not known",
    "measured by another version of the program: run the study again into the same folder",
    "it was not measured",
    "there is no interval",
    CHANCE_NOT_KNOWN,
    NOT_RECORDED,
    NO_VALUE,
    f"the value lies in the target, but {ERROR_NOT_KNOWN}",
    f"the value does not lie in the target, but {ERROR_NOT_KNOWN}",
    "P: prosthetic limb, S: sound limb",
    "L: left limb, R: right limb",
)
# What is looked at in a recording, with the units that no metric has; and what to do better next time.
LOOKED_AT = (
    "% body height",
    "1/s",
    "blur",
    "brightness",
    "camera angle to the walkway",
    "camera roll",
    "contrast",
    "deg",
    "dropped frames",
    "duration",
    "feet in the picture",
    "frame rate",
    "frame rate for quick movements",
    "frames",
    "frames lost in decoding",
    "frames of quiet standing",
    "height in the picture",
    "height of the walker",
    "irregular frame intervals",
    "knee angle noise",
    "legs confused and put right",
    "px",
    "resolution, shorter side",
    "rival to the walker",
    "s",
    "second person",
    "shoes",
    "shoes that stand out from the floor",
    "signs against the view",
    "walker seen",
    "walks the other way",
)
ADVICE = (
    "Camera on a stand, focused on the walking line; clean lens, more light, short exposure (1/250 s).",
    "Copy the clip again from the camera.",
    "Film a second clip in the other direction: there this leg is near the camera.",
    "Film at 60 frames a second if you can.",
    "Film closer, in more light, with a short exposure: the landmarks shake.",
    "Film in 1280 x 720 or more, and send the camera's own file: messengers shrink clips.",
    "Film in more light, and not towards a window.",
    "Film the walker alone; helpers stay out of the picture.",
    "Film the walker crossing the picture (sagittal), coming closer (anterior) or going away (posterior).",
    "Film three strides of each foot or more, from the side in both directions.",
    "Film three strides of each foot or more.",
    "Film where shoes and floor differ in lightness, in even light, with the camera on a stand.",
    "Film with a fixed frame rate and enough light, and keep other programs on the camera closed.",
    "Film with the limb's cosmetic cover on where there is one: a pylon is hard to tell from the other leg.",
    "Keep the whole body in view, well lit, against a plain wall.",
    "Let the camera look straight across the walkway: the walker is equally large at both ends of it.",
    "Let the walker stand out: plain wall of another brightness, light from the camera's side.",
    "Let the walker stand still for two seconds, seen from the side, before the first step.",
    "Lower the exposure, or film away from lamps and sunlit walls.",
    "Move the camera closer, zoom in, or film in more pixels.",
    "Put the camera on the walkway's middle line: the walker stays in the middle of the picture.",
    "Set the camera level. What was found was taken out of angles and heights.",
    "Short or tight trousers, light on the legs, nothing between them and the camera.",
    "Step back or tilt the camera until both feet stay in view.",
    "Terminal impact and foot slap need 60 frames a second or more.",
    "Film the walker alone, or point at the walker in the manifest's column walker_at.",
)
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
    words += BETTER_WORDS.values()
    for choice in (Verdict, Severity, Standing, CauseGroup, Level, Aid, ChangeVerdict, GoalVerdict):
        words += get_args(choice)
    for entry in [*CATALOGUE.values(), *QUANTITIES]:
        words += [entry.title, entry.positive, entry.unit]
    yield from (("", word, "") for word in words if word != "1")
    yield from ((SAVED, sentence, "") for sentence in SAVED_SENTENCES)


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

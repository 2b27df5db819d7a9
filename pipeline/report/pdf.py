"""The report of a visit as PDF: the words, numbers and pictures of its page, set by typst.

What a visit says reaches typst as data, never as part of the template, so that no text is read as markup. Typst
works in a folder of its own that holds the template, the data and the key frames; it reads nothing else.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import typst
from pydantic import BaseModel

from pipeline.config import Paper
from pipeline.errors import StageError
from pipeline.figure_style import font_files
from pipeline.judgement import VisitReport
from pipeline.language import say
from pipeline.pictures import smaller_picture
from pipeline.report.faults import FrameView
from pipeline.report.words import VERDICTS
from pipeline.tracking import ChangeVerdict

VISIT_PDF = "visit.pdf"
# Stands before the template of every document.
PARTS = "parts.typ"
TEMPLATE = "document.typ"
PAPERS: dict[Paper, str] = {"A4": "a4", "Letter": "us-letter"}
# A text that the template asks for in the language of the report.
SAID = re.compile(r'\bsay\(\s*("(?:[^"\\]|\\.)*")')
# A picture is 29 mm wide on paper: 240 dots an inch, and a visit with many frames still goes by mail. Own choice.
FRAME_WIDTH_PX = 280


@dataclass(frozen=True, slots=True)
class Sheet:
    """What stands around a document: its title, head and foot of its pages, when its content was made, its paper."""

    title: str
    running_head: str
    kind: str
    foot: str
    made: datetime
    paper: Paper = "A4"
    landscape: bool = False


@dataclass(frozen=True, slots=True)
class Document:
    """All that a PDF is made from: template, data as JSON, key frames by their name, and when the content was made."""

    template: str
    data: str
    frames: dict[str, bytes]
    made: datetime

    @property
    def sha256(self) -> str:
        """Equal documents have equal hashes."""
        digest = hashlib.sha256(self.template.encode("utf-8") + b"\0" + self.data.encode("utf-8"))
        for name in sorted(self.frames):
            digest.update(self.frames[name])
        return digest.hexdigest()


def visit_pdf(context: Mapping[str, Any], sections: Sequence[str], *, title: str, paper: Paper = "A4") -> bytes:
    """Return a visit's report as PDF; the same parts give the same bytes.

    Parameters
    ----------
    context : mapping
        What the templates of the page are filled with.
    sections : sequence of str
        Ids of the sections, from top to bottom.
    title : str
        Title of the document.
    paper : {"A4", "Letter"}

    Raises
    ------
    StageError
        A key frame is not a picture, or typst refused the report.
    """
    report: VisitReport = context["report"]
    visit = say("visit {visit}", visit=report.visit)
    sheet = Sheet(
        title=title,
        running_head=f"{report.subject}, {visit}, {report.visit_date.isoformat()}",
        kind=say("Gait report of one fitting visit"),
        foot=say("Run {run}", run=report.run.run_id),
        made=made_at(report.run.finished, report.visit_date),
        paper=paper,
    )
    shown = {name: value for name, value in context.items() if name not in ("report", "style")}
    return typeset(document("visit.typ", {**shown, "report": _head(report), "sections": sections}, sheet), VISIT_PDF)


def document(template: str, context: Mapping[str, Any], sheet: Sheet) -> Document:
    """Return what a PDF is made from.

    Parameters
    ----------
    template : str
        File of the assets; the shared parts are put before it.
    context : mapping
        Views, texts and numbers that the template shows.
    sheet : Sheet

    Raises
    ------
    StageError
        A key frame is not a picture.
    """
    assets = files(__package__) / "assets"
    text = "\n".join((assets / name).read_text(encoding="utf-8") for name in (PARTS, template))
    data = _Data()
    plain = data.plain(
        {
            **context,
            "said": {text: say(text) for text in said_in_typst(text)},
            "verdict_words": {verdict: say(verdict) for verdict in (*VERDICTS, *get_args(ChangeVerdict))},
            "page_title": sheet.title,
            "running_head": sheet.running_head,
            "kind": sheet.kind,
            "foot": sheet.foot,
            "paper": PAPERS[sheet.paper],
            "landscape": sheet.landscape,
            "made": {name: getattr(sheet.made, name) for name in ("year", "month", "day", "hour", "minute", "second")},
        }
    )
    return Document(text, json.dumps(plain, ensure_ascii=False, allow_nan=False), data.frames, sheet.made)


def said_in_typst(template: str) -> list[str]:
    """Return what a template gives to its function `say`."""
    return [json.loads(text) for text in SAID.findall(template)]


def typeset(content: Document, name: str) -> bytes:
    """Return a document as PDF, by its own fonts where they have every letter.

    Fonts of the machine are left out at first, so that every machine makes the same pages. They are asked for
    letters that the others lack, such as Chinese ones; what no font has shows as a box.

    Parameters
    ----------
    content : Document
    name : str
        Of the file that it becomes, for the message.

    Raises
    ------
    StageError
        Typst refused the document.
    """
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for file, picture in content.frames.items():
            (folder / file).write_bytes(picture)
        (folder / "data.json").write_text(content.data, encoding="utf-8")
        (folder / TEMPLATE).write_text(content.template, encoding="utf-8")
        (folder / "fonts").mkdir()
        for font in font_files():
            shutil.copyfile(font, folder / "fonts" / font.name)
        attempts: list[tuple[bool, list[typst.PDFStandard]]] = [(False, ["ua-1"]), (True, ["ua-1"]), (True, [])]
        problem = ""
        for with_machine, standards in attempts:
            fonts = typst.Fonts(include_system_fonts=with_machine, font_paths=[folder / "fonts"])
            try:
                return typst.compile(
                    folder / TEMPLATE,
                    root=folder,
                    font_paths=fonts,
                    format="pdf",
                    timestamp=content.made,
                    pdf_standards=standards,
                )
            except typst.TypstError as error:
                problem = error.message
            except BaseException as error:  # what stops typst itself is no Exception
                if type(error).__name__ != "PanicException":
                    raise
                problem = str(error)
    page = name.replace(".pdf", ".html")
    raise StageError(name, f"could not be set ({problem})", "", f"Read {page}, and report this as a bug.")


def made_at(finished: str, day: date) -> datetime:
    """When a run ended, by its record; a day's start where the record does not say."""
    try:
        ended = datetime.fromisoformat(finished)
        return ended.replace(tzinfo=UTC) if ended.tzinfo is None else ended.astimezone(UTC)
    except ValueError:
        return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _head(report: VisitReport) -> dict[str, Any]:
    """What the template takes from the record itself; the rest it takes from the views."""
    return {
        "subject": report.subject,
        "visit": report.visit,
        "visit_date": report.visit_date.isoformat(),
        "changes": report.changes,
        "n_clips": len(report.clips),
        "run": report.run,
    }


class _Data:
    """Turns views into what JSON can hold; key frames become files beside the template."""

    def __init__(self) -> None:
        self.frames: dict[str, bytes] = {}

    def plain(self, value: Any) -> Any:
        """A value of the context as dicts, lists, text and numbers."""
        if isinstance(value, FrameView):
            return {"file": self.frame(value), "caption": value.caption, "alt": value.alt}
        if isinstance(value, BaseModel):
            return value.model_dump(mode="json")
        if is_dataclass(value):
            return {field.name: self.plain(getattr(value, field.name)) for field in fields(value)}
        if isinstance(value, Mapping):
            return {name: self.plain(one) for name, one in value.items()}
        if isinstance(value, list | tuple):
            return [self.plain(one) for one in value]
        return value

    def frame(self, frame: FrameView) -> str:
        """Keep a key frame beside the template, no larger than paper shows; return its name there."""
        picture = smaller_picture(frame.content, FRAME_WIDTH_PX)
        if picture is None:
            raise StageError(
                f"key frame of {frame.alt!r}",
                "is not a picture",
                "expected a JPEG file in the folder frames",
                "Run the study again into the same folder; what is damaged is made anew.",
            )
        name = f"frame-{len(self.frames) + 1}.jpg"
        self.frames[name] = picture
        return name

"""The report of a visit as PDF: the words, numbers and pictures of its page, set by typst.

What a visit says reaches typst as data, never as part of the template, so that no text is read as markup. Typst
works in a folder of its own that holds the template, the data and the key frames; it reads nothing else.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

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

VISIT_PDF = "visit.pdf"
TEMPLATE = "visit.typ"
PAPERS: dict[Paper, str] = {"A4": "a4", "Letter": "us-letter"}
# A text that the template asks for in the language of the report.
SAID = re.compile(r'\bsay\(\s*("(?:[^"\\]|\\.)*")')
# A picture is 29 mm wide on paper: 240 dots an inch, and a visit with many frames still goes by mail. Own choice.
FRAME_WIDTH_PX = 280


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
    made = _made(report)
    template = (files(__package__) / "assets" / TEMPLATE).read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        data = _Data(folder).plain(
            {
                **{name: value for name, value in context.items() if name not in ("report", "style")},
                "report": _head(report),
                "said": {text: say(text) for text in said_in_typst(template)},
                "verdict_words": {verdict: say(verdict) for verdict in VERDICTS},
                "sections": sections,
                "page_title": title,
                "paper": PAPERS[paper],
                "made": {name: getattr(made, name) for name in ("year", "month", "day", "hour", "minute", "second")},
            }
        )
        (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False, allow_nan=False), encoding="utf-8")
        (folder / TEMPLATE).write_text(template, encoding="utf-8")
        return _typeset(folder, made)


def said_in_typst(template: str) -> list[str]:
    """Return what a template gives to its function `say`."""
    return [json.loads(text) for text in SAID.findall(template)]


def _typeset(folder: Path, made: datetime) -> bytes:
    """Set the template of a folder, by its own fonts where they have every letter.

    Fonts of the machine are left out at first, so that every machine makes the same pages. They are asked for
    letters that the others lack, such as Chinese ones; what no font has shows as a box.
    """
    (folder / "fonts").mkdir()
    for file in font_files():
        shutil.copyfile(file, folder / "fonts" / file.name)
    attempts: list[tuple[bool, list[typst.PDFStandard]]] = [(False, ["ua-1"]), (True, ["ua-1"]), (True, [])]
    problem = ""
    for with_machine, standards in attempts:
        fonts = typst.Fonts(include_system_fonts=with_machine, font_paths=[folder / "fonts"])
        try:
            return typst.compile(
                folder / TEMPLATE, root=folder, font_paths=fonts, format="pdf", timestamp=made, pdf_standards=standards
            )
        except typst.TypstError as error:
            problem = error.message
    raise StageError(VISIT_PDF, f"could not be set ({problem})", "", "Read visit.html, and report this as a bug.")


def _made(report: VisitReport) -> datetime:
    """When the run ended, by its record; the day of the visit where the record does not say."""
    try:
        ended = datetime.fromisoformat(report.run.finished)
        return ended.replace(tzinfo=UTC) if ended.tzinfo is None else ended.astimezone(UTC)
    except ValueError:
        day: date = report.visit_date
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
    """Turns views into what JSON can hold; key frames become files in the folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.n_frames = 0

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
        self.n_frames += 1
        name = f"frame-{self.n_frames}.jpg"
        (self.folder / name).write_bytes(picture)
        return name

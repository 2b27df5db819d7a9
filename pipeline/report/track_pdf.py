"""The page of one person as PDF: the same words, numbers and figures, set by typst."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.config import Paper
from pipeline.judgement import VisitReport
from pipeline.language import say
from pipeline.report.pdf import Sheet, document, made_at, typeset

TRACK_PDF = "track.pdf"


def track_pdf(context: Mapping[str, Any], latest: VisitReport, *, paper: Paper = "A4") -> bytes:
    """Return the page of a person as PDF; the same parts give the same bytes.

    Parameters
    ----------
    context : mapping
        What the template of the page is filled with.
    latest : VisitReport
        The latest visit: the document is as old as its report.
    paper : {"A4", "Letter"}

    Raises
    ------
    StageError
        Typst refused the document.
    """
    visits = say("visit {latest} against visit {baseline}", latest=context["latest"], baseline=context["baseline"])
    sheet = Sheet(
        title=context["page_title"],
        running_head=f"{context['subject']}, {visits}",
        kind=say("Change across the visits of one person"),
        foot=say("Run {run}", run=latest.run.run_id),
        made=made_at(latest.run.finished, latest.visit_date),
        paper=paper,
    )
    shown = {name: value for name, value in context.items() if name not in ("style", "page_title")}
    return typeset(document("track.typ", shown, sheet), TRACK_PDF)

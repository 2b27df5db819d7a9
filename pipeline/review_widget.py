"""A viewer for notebooks in which a person corrects events, legs, strides and verdicts of a visit.

    from pipeline.review_widget import Viewer
    Viewer(Path("results"), "P01", "01")

Every correction is a draft until Save is pressed. It needs the extra `notebook`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from html import escape
from importlib import import_module
from pathlib import Path
from typing import Any, get_args

import numpy as np

from pipeline.errors import ConfigError, PipelineError
from pipeline.kept import FRAMES_FOLDER
from pipeline.model import SIDES, LandmarkTrack, Side, Verdict
from pipeline.report.corrections import record_words
from pipeline.report.viewer_files import ViewerClip, load_viewer_clip, load_viewer_index
from pipeline.review import EVENT_KINDS, SHORT_ID, Correction, in_force
from pipeline.review_drawing import curve_svg, moment_svg, nearest_picture
from pipeline.review_files import read_corrections, save_corrections, stamped
from pipeline.review_requests import Request, checked
from pipeline.review_saved import SavedVisit
from pipeline.store import openable_path
from pipeline.strides import load as load_strides
from pipeline.track_file import load_track

KNEE = "knee_flexion_deg"


def package() -> Any:
    """Return ipywidgets, or say how to install it."""
    try:
        return import_module("ipywidgets")
    except ImportError:
        do = "Install it: python -m pip install 'strideledger[notebook]'"
        raise ConfigError("package ipywidgets", "is not installed", "it is part of the extra `notebook`", do) from None


class Viewer:
    """The viewer of one visit; show it as the last line of a notebook's cell.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `run_study` or `strideledger run --out`.
    subject, visit : str
        As the manifest names them.
    clip_id : str, optional
        The clip to begin with; by default the first.

    Attributes
    ----------
    drafts : list of Correction
        What is not saved yet.
    box : ipywidgets.VBox
        Everything that is shown.

    Raises
    ------
    ConfigError
        ipywidgets is not installed, there is no such visit, or none of its clips is measured.
    """

    def __init__(self, results: Path | str, subject: str, visit: str, clip_id: str | None = None) -> None:
        self._made = package()
        self.results, self.subject, self.visit = Path(results), subject, visit
        self.drafts: list[Correction] = []
        self.saved = SavedVisit(self.results, subject, visit)
        if not self.saved.clip_ids:
            raise ConfigError(f"visit {subject}-{visit}", "no clip of it is measured", "", "Run the study first.")
        self._make_controls(clip_id or self.saved.clip_ids[0])
        self._load_clip()
        self._load_lists()
        self.box = self._arranged()

    def _repr_mimebundle_(self, **options: Any) -> Any:
        return self.box._repr_mimebundle_(**options)

    @property
    def time_s(self) -> float:
        """The moment that is shown. [s]"""
        return float(self.track.time_s[self.frame.value])

    # --- controls

    def _make_controls(self, clip_id: str) -> None:
        """All controls, not yet filled."""
        made = self._made
        self.clip = made.Dropdown(options=self.saved.clip_ids, value=clip_id, description="Clip")
        self.frame = made.IntSlider(min=0, max=0, description="Picture", continuous_update=True)
        self.picture, self.curve = made.HTML(), made.HTML()
        self.message, self.pending = made.HTML(), made.HTML()
        self.event = made.Dropdown(options=[], description="Event")
        self.side = made.ToggleButtons(options=list(SIDES), description="Foot")
        self.kind = made.ToggleButtons(options=list(EVENT_KINDS), description="New event")
        self.stride = made.Dropdown(options=[], description="Stride")
        self.span_from = made.BoundedFloatText(description="From [s]", min=0, max=1e4, step=0.01)
        self.span_to = made.BoundedFloatText(description="To [s]", min=0, max=1e4, step=0.01)
        self.fault = made.Dropdown(options=[], description="Fault")
        self.verdict = made.Dropdown(options=list(get_args(Verdict)), description="Verdict")
        self.record = made.Dropdown(options=[], description="Record")
        self.initials = made.Text(description="Initials", placeholder="needed")
        self.reason = made.Text(description="Reason", placeholder="needed: why is it corrected?")
        self.buttons = {
            name: made.Button(description=name, layout=made.Layout(width="auto"))
            for name in (
                "Move event here", "Delete event", "Add event here", "From here", "To here", "Swap legs",
                "Exclude stride", "Overrule verdict", "Undo record", "Drop the last draft", "Save",
            )
        }  # fmt: skip
        actions: dict[str, Callable[[], None]] = {
            "Move event here": partial(self._on_event, "move event"),
            "Delete event": partial(self._on_event, "delete event"),
            "Add event here": self._add,
            "From here": lambda: setattr(self.span_from, "value", round(self.time_s, 3)),
            "To here": lambda: setattr(self.span_to, "value", round(self.time_s, 3)),
            "Swap legs": self._swap,
            "Exclude stride": self._exclude,
            "Overrule verdict": self._overrule,
            "Undo record": self._undo,
            "Drop the last draft": self._drop,
            "Save": self._save,
        }
        for name, action in actions.items():
            self.buttons[name].on_click(partial(self._pressed, action))
        self.clip.observe(lambda _: self._load_clip(), names="value")
        self.frame.observe(lambda _: self._draw(), names="value")
        self.event.observe(lambda _: self._go_to_event(), names="value")

    def _arranged(self) -> Any:
        """The controls in their order."""
        made, buttons = self._made, self.buttons
        note = made.HTML(
            "A screening aid, no diagnosis. Nothing is written before <b>Save</b>. Choose an event, move the slider to "
            "where it belongs, and press <b>Move event here</b>."
        )
        right = made.VBox(
            [
                self.curve,
                made.HBox([self.event, buttons["Move event here"], buttons["Delete event"]]),
                made.HBox([self.side, self.kind, buttons["Add event here"]]),
                made.HBox(
                    [self.span_from, buttons["From here"], self.span_to, buttons["To here"], buttons["Swap legs"]]
                ),
                made.HBox([self.stride, buttons["Exclude stride"]]),
                made.HBox([self.fault, self.verdict, buttons["Overrule verdict"]]),
                made.HBox([self.record, buttons["Undo record"]]),
            ]
        )
        self.frame.layout = made.Layout(width="100%")
        return made.VBox(
            [
                note,
                made.HBox([self.clip, self.initials, self.reason]),
                made.HBox([made.VBox([self.picture]), right]),
                self.frame,
                self.message,
                self.pending,
                made.HBox([buttons["Drop the last draft"], buttons["Save"]]),
            ]
        )

    # --- what is shown

    def _load_clip(self) -> None:
        """Pictures, landmarks, strides and events of the chosen clip."""
        folder = self.saved.folder / self.clip.value
        self.track: LandmarkTrack = load_track(folder / "landmarks.npz")
        self.strides = load_strides(folder)
        self.pictures: ViewerClip | None = None
        file = Path(load_viewer_index(self.saved.folder).files.get(self.clip.value, "")).name
        if file and (self.saved.folder / FRAMES_FOLDER / file).is_file():
            self.pictures = load_viewer_clip(self.saved.folder / FRAMES_FOLDER / file)
        self.frame.max = len(self.track.time_s) - 1
        self._load_events()

    def _load_events(self) -> None:
        """Events with all drafts, and strides as they were measured last."""
        rows = self.saved.clip(self.clip.value).events.to_dict("records")
        self.events = rows
        self.event.options = [("choose", None), *((_event_words(row), place) for place, row in enumerate(rows))]
        self.event.value = None
        table = self.strides.table
        used = [(place, row) for place, row in enumerate(table.to_dict("records")) if row["use"]]
        self.stride.options = [
            ("choose", None),
            *((f"{row['side']}, {row['start_s']:.2f} to {row['end_s']:.2f} s", place) for place, row in used),
        ]
        self._draw()

    def _load_lists(self) -> None:
        """Faults, records and drafts."""
        report = self.saved.report
        faults = report.faults if report else ()
        self.fault.options = [
            ("choose", None), *((f"{one.title}: {in_force(one.verdict, one.person)}", one.name) for one in faults)
        ]  # fmt: skip
        self.record.options = [
            ("choose", None),
            *(
                (f"{one.correction.id[-SHORT_ID:]} {record_words(one.correction)}: {one.state}", one.correction.id)
                for one in self.saved.reviewed
                if one.correction not in self.drafts
            ),
        ]
        lines = "".join(f"<li>{escape(f'{record_words(one)}: {one.reason}')}</li>" for one in self.drafts)
        self.pending.value = f"<b>Not saved: {len(self.drafts)}</b><ol>{lines}</ol>"
        self.buttons["Save"].disabled = self.buttons["Drop the last draft"].disabled = not self.drafts

    def _draw(self) -> None:
        """The picture and the curve at the chosen moment."""
        sides: tuple[Side, ...] = self.saved.report.prosthetic_sides if self.saved.report else ()
        kept = nearest_picture(self.pictures, self.time_s) is not None
        note = "" if kept else "<p>No picture is kept of this moment. Legs are named as the pose model named them.</p>"
        self.picture.value = moment_svg(self.track, self.frame.value, sides, self.pictures) + note
        missing = np.full((len(self.strides.table), 101), np.nan)
        self.curve.value = curve_svg(
            self.strides.table,
            self.strides.curves.get(KNEE, missing),
            self.events,
            time_s=self.time_s,
            last_s=float(self.track.time_s[-1]),
            prosthetic_sides=sides,
        )

    def _go_to_event(self) -> None:
        """Show the moment of the chosen event."""
        if self.event.value is not None:
            time_s = self.events[self.event.value]["time_s"]
            self.frame.value = int(np.argmin(np.abs(self.track.time_s - time_s)))

    # --- what the buttons do

    def _pressed(self, action: Callable[[], None], _: Any) -> None:
        """Do what a button says; a mistake is shown, not raised."""
        self.message.value = ""
        try:
            action()
        except PipelineError as error:
            self.message.value = f"<p role='alert'><b>{escape(str(error).removeprefix('column '))}</b></p>"

    def _draft(self, action: Any, **more: Any) -> None:
        """Add a draft, checked as if the earlier ones were saved."""
        request = Request(self.subject, self.visit, action, self.initials.value.strip(), self.reason.value, **more)
        self._with_drafts([*self.drafts, *stamped([checked(request, self.saved)])])

    def _with_drafts(self, drafts: list[Correction]) -> None:
        """Show everything as it is with these drafts."""
        self.drafts = drafts
        self.saved = SavedVisit(self.results, self.subject, self.visit, drafts)
        self._load_events()
        self._load_lists()

    def _on_event(self, action: str) -> None:
        """Move or delete the chosen event."""
        row = self.events[_chosen(self.event, "an event")]
        to_s = {"to_s": round(self.time_s, 4)} if action == "move event" else {}
        self._draft(
            action, clip_id=self.clip.value, side=row["side"], kind=row["kind"], time_s=float(row["time_s"]), **to_s
        )

    def _add(self) -> None:
        """Add an event at the moment that is shown."""
        side, kind = self.side.value, self.kind.value
        self._draft("add event", clip_id=self.clip.value, side=side, kind=kind, time_s=round(self.time_s, 4))

    def _swap(self) -> None:
        """Exchange the legs over the span."""
        self._draft("swap legs", clip_id=self.clip.value, time_s=self.span_from.value, to_s=self.span_to.value)
        self.message.value = "The skeleton shows it after the study was run again; correct events of this span then."

    def _exclude(self) -> None:
        """Leave the chosen stride out."""
        row = self.strides.table.iloc[_chosen(self.stride, "a stride")]
        self._draft("exclude stride", clip_id=self.clip.value, side=row["side"], time_s=float(row["start_s"]))

    def _overrule(self) -> None:
        """Overrule the verdict of the chosen fault."""
        self._draft("overrule verdict", fault=_chosen(self.fault, "a fault"), verdict=self.verdict.value)

    def _undo(self) -> None:
        """Undo the chosen record."""
        self._draft("undo", about=_chosen(self.record, "a record"))

    def _drop(self) -> None:
        """Forget the last draft."""
        self._with_drafts(self.drafts[:-1])

    def _save(self) -> None:
        """Write all drafts; where that fails, those that were written are drafts no more."""
        n_drafts = len(self.drafts)
        try:
            save_corrections(self.results, self.drafts)
        finally:
            there = {one.id for one in read_corrections(self.saved.folder).records}
            self._with_drafts([one for one in self.drafts if one.id not in there])
        apply = f"strideledger run STUDY --out {escape(openable_path(self.results))}"
        self.message.value = f"Saved: {n_drafts}. Apply with <code>{apply}</code>, or <code>run_study</code> in Python."


def _chosen(dropdown: Any, what: str) -> Any:
    """What is chosen in a list."""
    if dropdown.value is None:
        raise ConfigError(dropdown.description, "nothing is chosen", f"expected {what} of the list")
    return dropdown.value


def _event_words(row: Any) -> str:
    """An event in the list."""
    by_hand = f" ({row['method']})" if row["changed_by"] else ""
    return f"{row['time_s']:.2f} s {row['side']} {str(row['kind']).replace('_', '-')}{by_hand}"

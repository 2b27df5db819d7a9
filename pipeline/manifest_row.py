"""One row of the manifest: what each column is, and each cell read with its problems gathered."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path, PurePosixPath
from typing import get_args

from pipeline.filled_table import FilledColumn, FilledRow
from pipeline.model import SIDES, VIEWS, Aid, Clip, Level, Side, View
from pipeline.places import lies_inside, resolved

MANIFEST_NAME = "manifest.csv"

# Folders that a visit's results have beside the folders of its clips.
RESERVED_CLIP_IDS = frozenset({"corrections", "figures", "frames"})
VIEW_WORDS: dict[str, View] = {view: view for view in VIEWS}
PROSTHETIC_SIDES: dict[str, tuple[Side, ...]] = {
    "left": ("left",),
    "right": ("right",),
    "both": SIDES,
    "none": (),
}
LEVELS: dict[str, Level] = {level: level for level in get_args(Level)}
AIDS: dict[str, Aid] = {aid: aid for aid in get_args(Aid)}
# Wide enough for every adult and child who walks; outside, the unit is wrong. [m]
HEIGHT_RANGE_M = (0.5, 2.5)
# From a shoe to the width of a hall. [m]
KNOWN_LENGTH_RANGE_M = (0.05, 30.0)
# Words such as "own trainers", not a description. Own choice. [characters]
LONGEST_FOOTWEAR = 60
# From the shortest length worth measuring to more than the widest picture. [px]
KNOWN_LENGTH_RANGE_PX = (5.0, 10000.0)


COLUMNS: tuple[FilledColumn, ...] = (
    FilledColumn(
        "subject",
        True,
        "letters and digits",
        "P01",
        "pseudonym of the person; never a name, since it becomes the name of a folder",
    ),
    FilledColumn("visit", True, "letters and digits", "01", "which fitting visit of this person"),
    FilledColumn("date", True, "year-month-day", "2026-03-14", "day of the visit"),
    FilledColumn(
        "clip",
        True,
        "path inside the study folder",
        "clips/P01-01-side.mp4",
        "the video file, or its landmark file; its name without the ending is the clip's id and must be unique",
    ),
    FilledColumn(
        "view",
        True,
        ", ".join(VIEWS),
        "sagittal",
        "sagittal: filmed from the side; anterior: walks toward the camera; posterior: walks away from it",
    ),
    FilledColumn(
        "prosthetic_side",
        True,
        ", ".join(PROSTHETIC_SIDES),
        "left",
        "the person's own side with the prosthesis, not the side in the picture",
    ),
    FilledColumn("height_m", False, "0.5 to 2.5", "1.72", "body height, shoes on; gives a rough scale [m]"),
    FilledColumn(
        "known_length_m",
        False,
        "0.05 to 30",
        "2.00",
        "side view: a known length along the walking line in the middle of the picture, such as two marks [m]",
    ),
    FilledColumn(
        "known_length_px",
        False,
        "5 to 10000",
        "412",
        "the same length as measured in the picture [px]",
    ),
    FilledColumn(
        "level",
        False,
        ", ".join(LEVELS),
        "transfemoral",
        "level of the amputation; of two prostheses the left one first, as transfemoral / transtibial; empty counts as "
        "transfemoral",
        may_be_left_out=True,
    ),
    FilledColumn(
        "aid",
        False,
        ", ".join(AIDS),
        "stick",
        "what the person holds on to while walking; empty counts as none",
        may_be_left_out=True,
    ),
    FilledColumn(
        "footwear",
        False,
        f"any text of up to {LONGEST_FOOTWEAR} characters",
        "own trainers",
        "what the person walked in; write the same words for the same shoes, since visits with different ones are not "
        "compared; empty: not stated",
        may_be_left_out=True,
    ),
    FilledColumn(
        "walker_at",
        False,
        "seconds, x, y",
        "2.0 640 410",
        "only where somebody else is taken for the walker: a time [s] and the walker's place in the picture then, "
        "from its upper left corner [px]",
        may_be_left_out=True,
    ),
    FilledColumn(
        "changes",
        False,
        "any text",
        "heel cushion one grade softer",
        "what was changed on the prosthesis since the last visit",
    ),
)
COLUMN_NAMES = tuple(column.name for column in COLUMNS)
NEEDED_NAMES = tuple(column.name for column in COLUMNS if not column.may_be_left_out)


class ManifestRow(FilledRow):
    """One row of the manifest."""

    def clip(self, study: Path) -> Clip | None:
        """The row as a clip, or None when it has a problem."""
        subject, visit = self._name("subject"), self._name("visit")
        visit_date = self._day()
        relative, path = self._path(study)
        view = VIEW_WORDS.get(self._choice("view", VIEWS))
        sides = PROSTHETIC_SIDES.get(self._choice("prosthetic_side", tuple(PROSTHETIC_SIDES)))
        height_m = self._number("height_m", HEIGHT_RANGE_M, "m")
        length_m = self._number("known_length_m", KNOWN_LENGTH_RANGE_M, "m")
        length_px = self._number("known_length_px", KNOWN_LENGTH_RANGE_PX, "px")
        levels, aid, footwear = self._levels(sides), self._aid(), self._footwear()
        walker_at = self._place()
        for given, other in (("known_length_m", "known_length_px"), ("known_length_px", "known_length_m")):
            if self.cells[given] and not self.cells[other]:
                self._problem(other, f"{given} is given but this is empty; expected both or neither.")
        if self.problems or visit_date is None or view is None or sides is None or path is None:
            return None
        return Clip(
            clip_id=PurePosixPath(relative).stem,
            path=path,
            relative_path=relative,
            subject=subject,
            visit=visit,
            visit_date=visit_date,
            view=view,
            prosthetic_sides=sides,
            height_m=height_m,
            known_length_m=length_m,
            known_length_px=length_px,
            walker_at=walker_at,
            changes=self._text("changes"),
            levels=levels,
            aid=aid,
            footwear=footwear,
        )

    def _day(self) -> date | None:
        """The cell of the visit's date."""
        text = self.cells["date"]
        try:
            if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
                return date.fromisoformat(text)
        except ValueError:
            pass
        self._problem("date", f'found "{text}"; expected a day as 2026-03-14.')
        return None

    def _path(self, study: Path) -> tuple[str, Path | None]:
        """The cell of the clip's file, which must lie inside the study folder."""
        text = self.cells["clip"]
        pure = PurePosixPath(text)
        inside = "expected a path inside the study folder, as clips/P01-01-side.mp4."
        if "\\" in text:
            self._problem("clip", f'found "{text}"; expected / between folders.')
        elif not text or not text.isprintable():
            self._problem("clip", f'found "{text.encode("unicode_escape").decode()}"; {inside}')
        elif pure.is_absolute() or ".." in pure.parts or re.match(r"[A-Za-z]:", text):
            self._problem("clip", f'found "{text}"; {inside}')
        elif not lies_inside(study / text, study):
            self._problem("clip", f'"{text}" is a link that leads outside; {inside}')
        elif not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", pure.stem):
            self._problem("clip", f'found the name "{pure.name}"; expected letters, digits, - and _ only.')
        elif pure.stem.lower() in RESERVED_CLIP_IDS:
            self._problem("clip", f'found the name "{pure.name}"; it is taken by the results.')
        else:
            return pure.as_posix(), resolved(study) / pure
        return text, None

    def _levels(self, sides: tuple[Side, ...] | None) -> tuple[Level, ...]:
        """The cell with the level of each amputation: nothing, or as many words as there are prostheses."""
        text = self.cells.get("level", "")
        if not text or sides is None:
            return ()
        words = [word.strip() for word in text.split("/")]
        if len(words) != len(sides):
            expected = {0: "nothing without a prosthesis", 1: "one level", 2: "two, left / right"}[len(sides)]
            self._problem("level", f'found "{text}"; expected {expected}.')
            return ()
        return tuple(LEVELS[word] for word in words if self._is_one_of("level", word, tuple(LEVELS)))

    def _aid(self) -> Aid | None:
        """The cell with the walking aid, or nothing."""
        text = self.cells.get("aid", "")
        return AIDS[text] if text and self._is_one_of("aid", text, tuple(AIDS)) else None

    def _footwear(self) -> str:
        """The cell with what the person walked in, or nothing; spaces in a row count as one."""
        text = " ".join(self.cells.get("footwear", "").split())
        if len(text) > LONGEST_FOOTWEAR:
            self._problem("footwear", f"found {len(text)} characters; expected up to {LONGEST_FOOTWEAR}.")
        return text

    def _choice(self, column: str, allowed: tuple[str, ...]) -> str:
        """A cell with one of a few words."""
        self._is_one_of(column, self.cells[column], allowed)
        return self.cells[column]

    def _place(self) -> tuple[float, float, float] | None:
        """The cell that points at the walker: three numbers, or nothing."""
        text = self.cells.get("walker_at", "")
        if not text:
            return None
        found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s+(\d+)\s+(\d+)", text, re.ASCII)
        if found is None:
            self._problem(
                "walker_at", f'found "{text}"; expected seconds, x and y with spaces between, as 2.0 640 410.'
            )
            return None
        return float(found[1].replace(",", ".")), float(found[2]), float(found[3])

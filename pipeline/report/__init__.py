"""Pages for the clinician: made from the saved parts of a visit, self-contained, without network."""

from __future__ import annotations

from pipeline.report.frames import save_key_frames
from pipeline.report.page import build_visit
from pipeline.report.parts import load_parts, save_parts
from pipeline.report.viewer_clips import save_viewer_clips

__all__ = ["build_visit", "load_parts", "save_key_frames", "save_parts", "save_viewer_clips"]

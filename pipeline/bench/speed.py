"""How fast clips are measured: as ratios within one run, since machines differ and are shared."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Annotated

import pandas as pd
import typer

from pipeline.batch import run_study
from pipeline.bench.clips_alone import measure_clips
from pipeline.bench.tables import markdown
from pipeline.config import ModelChoice, load_settings, with_choices
from pipeline.landmark_file import is_landmark_file
from pipeline.manifest import clips_of, read_manifest
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.model import Clip
from pipeline.models import verify_model
from pipeline.stage_record import read_record
from pipeline.store import OutputTree

EXAMPLE = Path("example_data/study")


def speed(
    study: Annotated[Path, typer.Option(help="Study folder.")] = EXAMPLE,
    subject: Annotated[str, typer.Option(help="Person whose clips are measured.")] = "P01",
    visit: Annotated[str, typer.Option(help="Visit whose clips are measured.")] = "01",
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    repeats: Annotated[int, typer.Option(min=1, help="Times that a clip is read each way.")] = 3,
) -> None:
    """Print the speed of the landmark stage against a bare loop, of two workers against one, and what else takes time.

    The machine should do nothing else: of two workers only the clock tells.
    """
    clips = clips_of(read_manifest(study), subject, visit)
    filmed = [clip for clip in clips if not is_landmark_file(clip.path)]
    rows = [
        _against_bare_loop(next(clip for clip in filmed if clip.view == view), model.value, repeats)
        for view in ("sagittal", "anterior")
    ]
    typer.echo(f"### Reading the pictures, {model.value} model\n\n{markdown(pd.DataFrame(rows))}\n")
    typer.echo(f"### A visit of {len(filmed)} clips\n\n{markdown(_whole_visit(study, filmed, model))}")


def _against_bare_loop(clip: Clip, model: str, repeats: int) -> dict[str, object]:
    """Frames a second of processor time of the stage `landmarks` and of decoding and estimating alone, in turns."""
    from pipeline.landmarks import detect_landmarks
    from pipeline.video import probe_video

    info = probe_video(clip.path)
    ways: dict[str, Callable[[], object]] = {
        "bare loop": lambda: _bare_loop(clip.path, model),
        "stage landmarks": lambda: detect_landmarks(clip.path, model=model),
    }
    taken: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(repeats):
        for name, way in ways.items():
            started_s = time.process_time()
            way()
            taken[name].append(time.process_time() - started_s)
    rate = {name: info.n_frames / median(seconds) for name, seconds in taken.items()}
    return {
        "clip": clip.view,
        "frames a second": info.fps_measured,
        "bare loop": rate["bare loop"],
        "stage landmarks": rate["stage landmarks"],
        "ratio": rate["stage landmarks"] / rate["bare loop"],
        "goal": ">= 0.95",
    }


def _bare_loop(path: Path, model: str) -> None:
    """Decode each frame and look for people in the whole picture, once."""
    import cv2
    import mediapipe
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(verify_model(model).path)),
        running_mode=vision.RunningMode.IMAGE,
        num_poses=2,
    )
    capture = cv2.VideoCapture(str(path))
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        while True:
            read, image = capture.read()
            if not read:
                break
            picture = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
            landmarker.detect(mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=picture))
    capture.release()


def _whole_visit(study: Path, clips: list[Clip], model: ModelChoice) -> pd.DataFrame:
    """One visit with one and with two workers, and the shares of its stages."""
    settings = with_choices(load_settings(), model=model)
    took_s: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        take_clips(study, clips, folder / "study")
        # Pages are left out of the first figure: a visit's report is one job, which no second worker shares.
        for workers in (1, 2):
            started_s = time.perf_counter()
            measure_clips(folder / "study", folder / f"out-{workers}", settings, workers=workers)
            took_s[workers] = time.perf_counter() - started_s
        started_s = time.perf_counter()
        result = run_study(folder / "study", folder / "out-1", settings=settings, workers=1)
        pages_s = time.perf_counter() - started_s
        tree = OutputTree(folder / "out-1")
        stages: dict[str, float] = {}
        for clip in clips:
            for stage, entry in read_record(tree.clip_folder(clip.subject, clip.visit, clip.clip_id)).stages.items():
                stages[stage] = stages.get(stage, 0.0) + entry.seconds
        for visit in result.visits:
            stages["report"] = read_record(visit.folder).stages["report"].seconds
    landmarks_s = stages.pop("landmarks")
    rows: list[tuple[str, float, str, str]] = [
        ("two workers against one, by the clock", took_s[1] / took_s[2], "ratio", ">= 1.85"),
        ("landmarks", landmarks_s, "s", ""),
        *((f"{stage}, share of landmarks", seconds / landmarks_s, "ratio", "") for stage, seconds in stages.items()),
        ("everything after landmarks", sum(stages.values()) / landmarks_s, "ratio", "<= 0.10"),
        ("a run that makes the pages alone", pages_s, "s", ""),
    ]
    return pd.DataFrame(rows, columns=["figure", "value", "unit", "goal"])


def take_clips(study: Path, clips: list[Clip], folder: Path) -> None:
    """A study of some clips alone."""
    for clip in clips:
        (folder / clip.relative_path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(clip.path, folder / clip.relative_path)
    lines = (study / MANIFEST_NAME).read_text(encoding="utf-8").splitlines()
    wanted = [line for line in lines[1:] if any(clip.relative_path in line for clip in clips)]
    (folder / MANIFEST_NAME).write_text("\n".join([lines[0], *wanted]) + "\n", encoding="utf-8")

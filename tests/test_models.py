"""The shipped pose models are whole, and a file with other content is never used."""

from __future__ import annotations

import hashlib
import tomllib
import zipfile
from pathlib import Path

import flatbuffers
import pytest
from mediapipe.tasks.metadata import schema_py_generated as schema

from pipeline import models
from pipeline.errors import ModelError
from pipeline.models import build_models, model_names, model_path, verify_model, verify_models
from pipeline.models.cut_mask import FILE_MARK, MASK_SHAPE, SCORE_SHAPE, cut_mask

RECORDED = tomllib.loads(build_models.MODELS_TOML.read_text(encoding="utf-8"))
DO = "Install the package again; do not measure with this file."


@pytest.mark.parametrize("name", model_names())
def test_the_shipped_file_has_its_recorded_hash_and_size(name: str) -> None:
    content = model_path(name).read_bytes()
    checked = verify_model(name)
    recorded = RECORDED["bundles"][name]
    assert hashlib.sha256(content).hexdigest() == recorded["sha256"]
    assert checked.sha256 == recorded["sha256"]
    assert len(content) == recorded["size_bytes"]
    assert (checked.name, checked.path) == (name, model_path(name))


@pytest.mark.parametrize("name", model_names())
def test_a_bundle_is_a_stored_zip_with_aligned_models(name: str) -> None:
    content = model_path(name).read_bytes()
    with zipfile.ZipFile(model_path(name)) as bundle:
        entries = bundle.infolist()
        assert [entry.filename for entry in entries] == [
            "pose_detector.tflite",
            "pose_landmarks_detector.tflite",
        ]
        for entry in entries:
            assert entry.compress_type == zipfile.ZIP_STORED
            assert entry.date_time == (1980, 1, 1, 0, 0, 0)
            model = bundle.read(entry)
            # A TFLite file carries its mark at byte 4.
            assert model[4:8] == b"TFL3"
            assert content.find(model) % 64 == 0


@pytest.mark.parametrize("name", model_names())
def test_the_mask_is_cut_out_of_the_landmark_model(name: str) -> None:
    """The score stands in the mask's place, so that the loader finds as many outputs as it wants."""
    with zipfile.ZipFile(model_path(name)) as bundle:
        tflite = bundle.read(build_models.LANDMARKS_NAME)
    graph = schema.ModelT.InitFromObj(schema.Model.GetRootAs(tflite, 0)).subgraphs[0]
    shapes = [list(graph.tensors[number].shape) for number in graph.outputs]
    assert shapes == [[1, 195], SCORE_SHAPE, SCORE_SHAPE, [1, 64, 64, 39], [1, 117]]
    made = {int(tensor) for one in graph.operators for tensor in one.outputs}
    assert not any(list(graph.tensors[number].shape)[1:3] == MASK_SHAPE[1:3] for number in made)
    # Nothing that stays has lost what it reads: a tensor is made, or has weights, or is the picture.
    with_weights = {number for number, tensor in enumerate(graph.tensors) if tensor.buffer}
    for one in graph.operators:
        assert {int(tensor) for tensor in one.inputs} <= made | with_weights | {int(graph.inputs[0])}


def test_a_mask_is_cut_out_of_a_graph_made_by_hand() -> None:
    """picture -> a -> score, a -> mask: the operator that makes the mask goes, and its weights; the others stay."""
    whole = schema.ModelT.InitFromObj(schema.Model.GetRootAs(cut_mask(graph_by_hand()), 0))
    graph = whole.subgraphs[0]
    assert [list(one.outputs) for one in graph.operators] == [[1], [2]]
    assert list(graph.outputs) == [2, 2]
    assert [whole.buffers[number].data is not None and len(whole.buffers[number].data) for number in (1, 2)] == [4, 0]


def graph_by_hand() -> bytes:
    """A model of three operators, two of them with weights in a buffer of their own."""
    model, graph = schema.ModelT(), schema.SubGraphT()
    model.buffers = [schema.BufferT(), schema.BufferT(), schema.BufferT()]
    model.buffers[1].data, model.buffers[2].data = [1, 2, 3, 4], [5, 6, 7, 8]
    graph.tensors = []
    for shape, buffer in (([1, 256, 256, 3], 0), ([1, 8], 0), (SCORE_SHAPE, 0), (MASK_SHAPE, 0), ([4], 1), ([4], 2)):
        tensor = schema.TensorT()
        tensor.shape, tensor.buffer = shape, buffer
        graph.tensors.append(tensor)
    graph.operators = []
    for inputs, outputs in (([0], [1]), ([1, 5], [3]), ([1, 4], [2])):
        one = schema.OperatorT()
        one.inputs, one.outputs = inputs, outputs
        graph.operators.append(one)
    graph.inputs, graph.outputs = [0], [2, 3]
    model.subgraphs = [graph]
    builder = flatbuffers.Builder(0)
    builder.Finish(model.Pack(builder), file_identifier=FILE_MARK)
    return bytes(builder.Output())


def test_heavy_is_the_default() -> None:
    assert model_names() == ("heavy", "full")


def test_a_changed_file_is_refused(tmp_path: Path) -> None:
    content = bytearray(model_path("full").read_bytes())
    content[5_000_000] ^= 1
    changed = tmp_path / "pose_full.task"
    changed.write_bytes(content)
    found, expected = hashlib.sha256(content).hexdigest(), RECORDED["bundles"]["full"]["sha256"]
    with pytest.raises(ModelError) as caught:
        verify_model("full", path=changed)
    assert str(caught.value) == f"model file pose_full.task: SHA-256 is {found}; expected {expected}. {DO}"


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelError) as caught:
        verify_model("full", path=tmp_path / "pose_full.task")
    assert str(caught.value) == (
        "model file pose_full.task: cannot be read (No such file or directory); expected a file with SHA-256 "
        f"{RECORDED['bundles']['full']['sha256']}. {DO}"
    )


def test_an_unknown_name_is_refused() -> None:
    for look_up in (model_path, verify_model):
        with pytest.raises(ModelError) as caught:
            look_up("lite")
        assert str(caught.value) == (
            "model 'lite': no such model; expected one of: heavy, full. Correct the model's name in the settings."
        )


def test_equal_parts_give_equal_bundles(tmp_path: Path) -> None:
    for name in ("one.task", "two.task"):
        build_models.write_bundle(tmp_path / name, detector=b"TFL3" * 99, landmarks=b"other" * 33)
    one, two = (tmp_path / name for name in ("one.task", "two.task"))
    assert one.read_bytes() == two.read_bytes()


def test_licence_and_origin_ship_with_the_models() -> None:
    folder = Path(models.__file__).parent
    assert "Apache License" in (folder / "LICENSE").read_text(encoding="utf-8")
    origin = (folder / "PROVENANCE.md").read_text(encoding="utf-8")
    for part in RECORDED["parts"].values():
        assert part["package"] in origin and part["version"] in origin


def test_a_clip_is_not_read_without_the_model_of_the_first_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever chose the heavy model is told before any clip is begun."""
    assert [model.name for model in verify_models("heavy")] == ["full", "heavy"]
    monkeypatch.setattr(
        models, "model_path", lambda name: tmp_path / "gone.task" if name == "full" else model_path(name)
    )
    with pytest.raises(ModelError, match=r"model file gone\.task: cannot be read"):
        verify_models("heavy")

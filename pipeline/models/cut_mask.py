"""Take the branch that draws the person's mask out of a landmark model.

Nobody here asks for the mask, but the estimator computes it with every picture: 13 % of the whole estimator's time with
the heavy model, 23 % with the full one. All other operators, their weights and their order stay, so that the landmarks
are the same to the bit.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

# Shape of the two outputs concerned: the mask, and the score that a person is there. Batch of 1. [1, px, px, 1]
MASK_SHAPE = [1, 256, 256, 1]
SCORE_SHAPE = [1, 1]
# What marks a TFLite file.
FILE_MARK = b"TFL3"


def cut_mask(tflite: bytes) -> bytes:
    """The model without the operators that only the mask needs.

    The loader wants as many outputs as before, in their order: in the mask's place stands the score once more, which is
    not looked at as long as no mask is asked for.

    Raises
    ------
    ValueError
        The model does not have one mask and one score.
    """
    import flatbuffers
    from mediapipe.tasks.metadata import schema_py_generated as schema

    model = schema.ModelT.InitFromObj(schema.Model.GetRootAs(tflite, 0))
    (graph,) = model.subgraphs
    (mask,) = _outputs_of_shape(graph, MASK_SHAPE)
    (score,) = _outputs_of_shape(graph, SCORE_SHAPE)
    others = [int(tensor) for tensor in graph.outputs if int(tensor) != mask]
    graph.operators = [graph.operators[number] for number in sorted(_needed(graph, others))]
    graph.outputs = [score if int(tensor) == mask else int(tensor) for tensor in graph.outputs]
    used = {int(tensor) for one in graph.operators for tensor in (*one.inputs, *one.outputs)}
    for number, tensor in enumerate(graph.tensors):
        if number not in used and tensor.buffer:
            model.buffers[tensor.buffer].data = None
    builder = flatbuffers.Builder(len(tflite))
    builder.Finish(model.Pack(builder), file_identifier=FILE_MARK)
    return bytes(builder.Output())


def _outputs_of_shape(graph: Any, shape: list[int]) -> list[int]:
    """Numbers of the output tensors that have a shape."""
    return [int(number) for number in graph.outputs if list(graph.tensors[number].shape) == shape]


def _needed(graph: Any, tensors: Iterable[int]) -> set[int]:
    """Numbers of the operators without which these tensors cannot be computed."""
    maker = {int(tensor): number for number, one in enumerate(graph.operators) for tensor in one.outputs}
    found: set[int] = set()
    waiting = list(tensors)
    while waiting:
        number = maker.get(waiting.pop())
        if number is not None and number not in found:
            found.add(number)
            waiting += [int(tensor) for tensor in graph.operators[number].inputs]
    return found

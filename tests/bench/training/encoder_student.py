"""Moonshine in PyTorch, with the weights of the package's own files, and the places of these weights in the file.

`transformers` has the architecture; the files name their tensors as it does. Both, and flatbuffers (which onnxruntime
brings), are needed only to teach. A byte weighs (byte - zero point) x scale.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from transformers import MoonshineConfig, MoonshineForConditionalGeneration

from voicecoach.listen.engines.moonshine_network import folder

ENCODER, DECODER = "encoder_model.ort", "decoder_model_merged.ort"
_TYPES: dict[int, Any] = {1: np.float32, 2: np.uint8}
_GROUP_NORM = {"onnx::Mul_2080": "groupnorm.weight", "onnx::Add_2081": "groupnorm.bias"}
"""The two tensors of the encoder whose names do not say what they are."""
_BYTES = "_quantized"
_LOGITS, _EMBEDDING = "proj_out.weight", "model.decoder.embed_tokens.weight"


@dataclass
class OrtFile:
    """Tensors of a file by name, where each begins (bytes), and each weight's tensor by its name in PyTorch."""

    tensors: dict[str, NDArray[Any]] = field(default_factory=dict)
    begins: dict[str, int] = field(default_factory=dict)
    weights: dict[str, str] = field(default_factory=dict)

    def float32(self, weight: str) -> NDArray[np.float32]:
        """A weight as PyTorch has it: outputs first."""
        name = self.weights[weight]
        value = self.tensors[name]
        if not name.endswith(_BYTES):
            made: NDArray[np.float32] = value.reshape(-1) if weight.startswith("groupnorm") else value
            return made
        stem = name.removesuffix(_BYTES)
        plain = (value.astype(np.float32) - np.float32(self.tensors[f"{stem}_zero_point"])) * self.tensors[
            f"{stem}_scale"
        ]
        return np.ascontiguousarray(plain.T)

    def places(self, weight: str) -> list[int]:
        """Where it begins; of bytes, also where scale and zero point are."""
        name = self.weights[weight]
        if not name.endswith(_BYTES):
            return [self.begins[name]]
        stem = name.removesuffix(_BYTES)
        return [self.begins[one] for one in (name, f"{stem}_scale", f"{stem}_zero_point")]


def read(name: str) -> OrtFile:
    """One of the package's two files."""
    data = (folder() / name).read_bytes()
    session = import_module("onnxruntime.tools.ort_format_model.ort_flatbuffers_py.fbs.InferenceSession")
    base = np.frombuffer(data, np.uint8).__array_interface__["data"][0]
    file = OrtFile()
    for graph in _graphs(session.InferenceSession.GetRootAsInferenceSession(data, 0).Model().Graph()):
        for number in range(graph.InitializersLength()):
            tensor = graph.Initializers(number)
            if tensor.DataType() in _TYPES and tensor.RawDataLength():
                raw = tensor.RawDataAsNumpy()
                shape = [tensor.Dims(axis) for axis in range(tensor.DimsLength())]
                own = tensor.Name().decode()
                file.tensors[own] = raw.view(_TYPES[tensor.DataType()]).reshape(shape)
                file.begins[own] = raw.__array_interface__["data"][0] - base
                if named := _plain_name(own, file.tensors[own]):
                    file.weights[named] = own
        for number in range(graph.NodesLength()):
            node = graph.Nodes(number)
            given = [node.Inputs(place).decode() for place in range(node.InputsLength())]
            matrices = [one for one in given if one.endswith(_BYTES) and one in file.tensors]
            if matrices and node.OpType() != b"Gather":
                file.weights[_matrix_name(node.Outputs(0).decode())] = matrices[0]
    return file


def _graphs(graph: Any) -> Iterator[Any]:
    yield graph
    for number in range(graph.NodesLength()):
        node = graph.Nodes(number)
        for place in range(node.AttributesLength()):
            if (inner := node.Attributes(place).G()) is not None:
                yield from _graphs(inner)


def _plain_name(name: str, value: NDArray[Any]) -> str:
    """The name in PyTorch of a tensor of floats; '' for a constant of the graph."""
    if value.dtype != np.float32 or value.size < 10 or "Constant" in name:
        return ""
    plain = re.sub(r"_merged_\d+$", "", name.removesuffix("_add_tensor"))
    plain = _GROUP_NORM.get(plain, plain)
    return "" if plain.startswith("onnx::") else plain


def _matrix_name(output: str) -> str:
    """'/layers.0/mlp/fc1/Add_output_0' is the output of layers.0.mlp.fc1."""
    if output == "logits":
        return _LOGITS
    return re.sub(r"/(MatMul|Add)_output_0$", "", output.strip("/")).replace("/", ".") + ".weight"


def whole(device: torch.device) -> Any:
    """Encoder and decoder, all weights fixed.

    Raises:
        RuntimeError: a weight is missing, or of another shape.
    """
    config = MoonshineConfig(
        vocab_size=32_768, hidden_size=288, intermediate_size=1152, encoder_num_hidden_layers=6,
        decoder_num_hidden_layers=6, encoder_num_attention_heads=8, decoder_num_attention_heads=8,
        partial_rotary_factor=0.9, encoder_hidden_act="gelu", decoder_hidden_act="silu", attn_implementation="eager",
    )  # fmt: skip
    encoder, decoder = read(ENCODER), read(DECODER)
    named = {f"model.encoder.{weight}": encoder.float32(weight) for weight in encoder.weights}
    named |= {weight: decoder.float32(weight) for weight in decoder.weights}
    named[_EMBEDDING] = named[_LOGITS]
    model = MoonshineForConditionalGeneration(config)
    kept = {name: torch.from_numpy(np.array(named[name])) for name in model.state_dict()}
    model.load_state_dict(kept)
    return model.requires_grad_(False).to(device).eval()

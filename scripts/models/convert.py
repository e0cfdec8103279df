"""Convert the pose networks of the npm package @mediapipe/pose from TFLite to ONNX, without loss.

Weights stay float16 as in the source (a Cast to float32 follows each; the runtime folds it at load time). Activations
are kept channels-first inside; inputs stay channels-last as in the source. Only the operators that these two networks
use are handled, and any other is refused by name.

Usage (from the repository's root, after scripts/models/setup):
    folder="$(mktemp -d)" && npm pack @mediapipe/pose@0.5.1675469404 --pack-destination "$folder"
    .venv-models/bin/python scripts/models/convert.py "$folder"/mediapipe-pose-0.5.1675469404.tgz
"""

import argparse
import hashlib
import json
import os
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnx
from ai_edge_litert import schema_py_generated as schema
from onnx import TensorProto, helper, numpy_helper

from tflite_weights import constant

OPSET = 17
OPERATOR_NAMES = {v: k for k, v in vars(schema.BuiltinOperator).items() if isinstance(v, int)}
REPOSITORY = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Output:
    """One output to keep: its name in the ONNX file and the shape to give it (channels first for heatmaps)."""

    tflite_name: str
    name: str
    shape: tuple


@dataclass(frozen=True)
class Network:
    """One network of the package: where it lies, the SHA-256 it must have, and what to call its ends."""

    member: str
    sha256: str
    file: str
    role: str
    outputs: tuple


DETECTOR = Network(
    member="package/pose_solution_packed_assets.data",
    sha256="a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85",
    file="person_detector.onnx",
    role="person_detector",
    outputs=(Output("Identity", "boxes", (1, 2254, 12)), Output("Identity_1", "score_logits", (1, 2254, 1))),
)
LANDMARKS = Network(
    member="package/pose_landmark_heavy.tflite",
    sha256="59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
    file="body_landmarks_heavy.onnx",
    role="body_landmarks",
    outputs=(
        Output("Identity", "landmarks", (1, 39, 5)),
        Output("Identity_1", "presence", (1, 1)),
        Output("Identity_3", "heatmap_logits", (1, 39, 64, 64)),
        Output("Identity_4", "world_landmarks_m", (1, 39, 3)),
    ),
)
#: The package's middle-sized landmark network. The program does not use it; `scripts/train/start_from.py` can start from it.
FULL = Network(
    member="package/pose_landmark_full.tflite",
    sha256="e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
    file="body_landmarks_full.onnx",
    role="none",
    outputs=LANDMARKS.outputs,
)
MASK = Output("Identity_2", "mask_logits", (1, 1, 256, 256))
DETECTOR_BYTES = 2_962_288


class Converter:
    """Writes one TFLite graph as ONNX nodes. Four-dimensional activations are channels-first ("NCHW")."""

    def __init__(self, model):
        self.model = model
        self.graph = model.subgraphs[0]
        self.nodes = []
        self.initializers = {}
        self.values = {}
        self.constants = {}

    def tensor_shape(self, index):
        return tuple(int(n) for n in self.graph.tensors[index].shape)

    def const(self, index):
        """The constant behind a tensor, following DENSIFY and DEQUANTIZE; None where it is an activation."""
        if index not in self.constants:
            self.constants[index] = constant(self.model, self.graph.tensors[index])
        return self.constants[index]

    def add(self, kind, inputs, name, **attributes):
        self.nodes.append(helper.make_node(kind, inputs, [name], name=f"{kind}_{len(self.nodes)}", **attributes))
        return name

    def add_constant(self, name, array):
        self.initializers[name] = numpy_helper.from_array(np.ascontiguousarray(array), name)
        return name

    def add_weight(self, index, array):
        """A weight as float32 graph value: stored as float16 and cast where the source has float16."""
        name = f"weight_{index}"
        cast_name = f"{name}_f32"
        if name in self.initializers:
            return cast_name if array.dtype == np.float16 else name
        self.add_constant(name, array)
        if array.dtype == np.float32:
            return name
        return self.add("Cast", [name], cast_name, to=TensorProto.FLOAT)

    def value(self, index):
        """The ONNX name of an activation (or of a constant used as one, laid out channels-first)."""
        if index in self.values:
            return self.values[index]
        array = self.const(index)
        if array is None:
            raise ValueError(f"tensor {index} is used before it is computed; the graph's order is broken")
        if array.ndim == 4:
            array = array.transpose(0, 3, 1, 2)
        return self.add_weight(index, array)

    def activation(self, name, code, index):
        kinds = schema.ActivationFunctionType
        if code == kinds.NONE:
            return name
        if code == kinds.RELU:
            return self.add("Relu", [name], f"{name}_relu")
        if code == kinds.RELU6:
            low = self.add_constant("zero", np.float32(0))
            high = self.add_constant("six", np.float32(6))
            return self.add("Clip", [name, low, high], f"{name}_relu6")
        raise ValueError(f"operator {index}: activation function {code} is not handled; extend Converter.activation")

    def pads(self, padding, in_shape, out_shape, kernel, strides):
        """Explicit pads [top, left, bottom, right]: TensorFlow's SAME puts the odd pixel at the end."""
        if padding == schema.Padding.VALID:
            return [0, 0, 0, 0]
        total = [max((out_shape[1 + a] - 1) * strides[a] + kernel[a] - in_shape[1 + a], 0) for a in (0, 1)]
        return [total[0] // 2, total[1] // 2, total[0] - total[0] // 2, total[1] - total[1] // 2]

    def convolution(self, op, depthwise):
        options, out = op.builtinOptions, int(op.outputs[0])
        source, weight_index, bias_index = (int(i) for i in op.inputs)
        weight, bias = self.const(weight_index), self.const(bias_index)
        # TFLite keeps ordinary kernels as [out, h, w, in] and depthwise ones as [1, h, w, out].
        groups = self.tensor_shape(source)[3] if depthwise else 1
        weight = weight.transpose(3, 0, 1, 2) if depthwise else weight.transpose(0, 3, 1, 2)
        kernel, strides = weight.shape[2:], (options.strideH, options.strideW)
        name = self.add(
            "Conv",
            [self.value(source), self.add_weight(weight_index, weight), self.add_weight(bias_index, bias)],
            f"t{out}",
            kernel_shape=list(kernel),
            strides=list(strides),
            dilations=[options.dilationHFactor, options.dilationWFactor],
            pads=self.pads(options.padding, self.tensor_shape(source), self.tensor_shape(out), kernel, strides),
            group=groups,
        )
        self.values[out] = self.activation(name, options.fusedActivationFunction, out)

    def channels_last(self, index):
        """The value in TFLite's own order, for operators that reorder elements."""
        name = self.value(index)
        if len(self.tensor_shape(index)) != 4:
            return name
        return self.add("Transpose", [name], f"{name}_nhwc_{len(self.nodes)}", perm=[0, 2, 3, 1])

    def operator(self, op, kind):
        out = int(op.outputs[0])
        options = op.builtinOptions
        if kind in ("DENSIFY", "DEQUANTIZE"):
            # Weights only: the float16 value itself goes into the file, the cast is added where it is used.
            self.constants[out] = self.const(int(op.inputs[0]))
            if self.constants[out] is None:
                raise ValueError(f"{kind} of an activation is not handled")
        elif kind == "CONV_2D":
            self.convolution(op, depthwise=False)
        elif kind == "DEPTHWISE_CONV_2D":
            self.convolution(op, depthwise=True)
        elif kind == "PAD":
            pads = self.const(int(op.inputs[1]))[[0, 3, 1, 2]]
            pads_name = self.add_constant(f"pads_{out}", pads.T.reshape(-1).astype(np.int64))
            self.values[out] = self.add("Pad", [self.value(int(op.inputs[0])), pads_name], f"t{out}", mode="constant")
        elif kind == "ADD":
            name = self.add("Add", [self.value(int(i)) for i in op.inputs], f"t{out}")
            self.values[out] = self.activation(name, options.fusedActivationFunction, out)
        elif kind == "MAX_POOL_2D":
            kernel, strides = (options.filterHeight, options.filterWidth), (options.strideH, options.strideW)
            source = int(op.inputs[0])
            pads = self.pads(options.padding, self.tensor_shape(source), self.tensor_shape(out), kernel, strides)
            name = self.add("MaxPool", [self.value(source)], f"t{out}", kernel_shape=list(kernel), strides=list(strides), pads=pads)
            self.values[out] = self.activation(name, options.fusedActivationFunction, out)
        elif kind == "RESIZE_BILINEAR":
            if options.alignCorners or not options.halfPixelCenters:
                raise ValueError("RESIZE_BILINEAR: only half-pixel centres are handled")
            n, h, w, c = self.tensor_shape(out)
            size = self.add_constant(f"size_{out}", np.array([n, c, h, w], dtype=np.int64))
            self.values[out] = self.add(
                "Resize",
                [self.value(int(op.inputs[0])), "", "", size],
                f"t{out}",
                mode="linear",
                coordinate_transformation_mode="half_pixel",
            )
        elif kind == "DEPTH_TO_SPACE":
            self.values[out] = self.add(
                "DepthToSpace", [self.value(int(op.inputs[0]))], f"t{out}", blocksize=options.blockSize, mode="DCR"
            )
        elif kind == "RESHAPE":
            shape = self.tensor_shape(out)
            if len(shape) == 4:
                raise ValueError("RESHAPE to four dimensions is not handled")
            shape_name = self.add_constant(f"shape_{out}", np.array(shape, dtype=np.int64))
            self.values[out] = self.add("Reshape", [self.channels_last(int(op.inputs[0])), shape_name], f"t{out}")
        elif kind == "CONCATENATION":
            if len(self.tensor_shape(out)) == 4:
                raise ValueError("CONCATENATION of four-dimensional tensors is not handled")
            self.values[out] = self.add("Concat", [self.value(int(i)) for i in op.inputs], f"t{out}", axis=options.axis)
        elif kind == "LOGISTIC":
            self.values[out] = self.add("Sigmoid", [self.value(int(op.inputs[0]))], f"t{out}")
        else:
            raise ValueError(f"operator {kind} is not handled; extend Converter.operator")

    def convert(self, outputs):
        source = int(self.graph.inputs[0])
        in_shape = self.tensor_shape(source)
        self.values[source] = self.add("Transpose", ["image"], "image_nchw", perm=[0, 3, 1, 2])
        for op in self.graph.operators:
            code = self.model.operatorCodes[op.opcodeIndex]
            self.operator(op, OPERATOR_NAMES[max(code.builtinCode, code.deprecatedBuiltinCode)])
        by_name = {self.graph.tensors[int(i)].name.decode(): int(i) for i in self.graph.outputs}
        infos = []
        for output in outputs:
            index = by_name[output.tflite_name]
            name = self.value(index)
            # Four-dimensional outputs stay channels-first (one plane a point); the rest are plain reshapes.
            if len(self.tensor_shape(index)) == 4 and len(output.shape) != 4:
                name = self.channels_last(index)
            shape_name = self.add_constant(f"shape_of_{output.name}", np.array(output.shape, dtype=np.int64))
            self.add("Reshape", [name, shape_name], output.name)
            infos.append(helper.make_tensor_value_info(output.name, TensorProto.FLOAT, output.shape))
        nodes, used = self.needed([o.name for o in outputs])
        graph = helper.make_graph(
            nodes,
            "network",
            [helper.make_tensor_value_info("image", TensorProto.FLOAT, in_shape)],
            infos,
            [tensor for name, tensor in self.initializers.items() if name in used],
        )
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)], producer_name="shankline scripts/models/convert.py")
        model.ir_version = 8
        onnx.checker.check_model(model, full_check=True)
        return model

    def needed(self, wanted):
        """The nodes that the wanted outputs depend on, in order, and every name they use."""
        used, kept = set(wanted), []
        for node in reversed(self.nodes):
            if node.output[0] in used:
                kept.append(node)
                used.update(node.input)
        return kept[::-1], used


def read_member(package, network):
    """The bytes of one network in the package archive, checked against its SHA-256."""
    with tarfile.open(package) as archive:
        data = archive.extractfile(network.member).read()
    if network is DETECTOR:
        data = data[:DETECTOR_BYTES]
    found = hashlib.sha256(data).hexdigest()
    if found != network.sha256:
        raise ValueError(f"{network.member}: SHA-256 is {found}, expected {network.sha256}; use @mediapipe/pose 0.5.1675469404")
    return data


def convert(package, network, with_mask=False):
    """One network of the package archive as an ONNX model."""
    model = schema.ModelT.InitFromPackedBuf(read_member(package, network), 0)
    outputs = network.outputs + ((MASK,) if with_mask and network is LANDMARKS else ())
    return Converter(model).convert(outputs)


def write_whole(path, data):
    """Write to a temporary name, then rename, so that no half-written file is left under the real name."""
    temporary = path.with_name(path.name + ".tmp")
    temporary.write_bytes(data)
    os.replace(temporary, path)


def main():
    parser = argparse.ArgumentParser(description="Convert the pose networks of @mediapipe/pose to ONNX.")
    parser.add_argument("package", type=Path, help="mediapipe-pose-0.5.1675469404.tgz, as written by `npm pack`")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "models", help="folder to write to (default: models/)")
    parser.add_argument("--full", type=Path, metavar="FILE", help="write only the package's middle-sized landmark network, to FILE")
    parser.add_argument("--with-mask", action="store_true", help="keep the landmark network's person mask (slower)")
    arguments = parser.parse_args()
    if arguments.full:
        write_whole(arguments.full, convert(arguments.package, FULL).SerializeToString(deterministic=True))
        return
    # Rows of other networks in the manifest are kept: other scripts write those.
    manifest_path = arguments.out / "manifest.json"
    networks = json.loads(manifest_path.read_text())["networks"] if manifest_path.exists() else []
    for network in (DETECTOR, LANDMARKS):
        data = convert(arguments.package, network, arguments.with_mask).SerializeToString(deterministic=True)
        write_whole(arguments.out / network.file, data)
        digest = hashlib.sha256(data).hexdigest()
        row = {"file": network.file, "sha256": digest, "role": network.role, "bytes": len(data)}
        networks = [n for n in networks if n["file"] != network.file] + [row]
        print(f"{network.file}: {len(data)} bytes, SHA-256 {digest}")
    write_whole(manifest_path, (json.dumps({"networks": networks}, indent=2) + "\n").encode())


if __name__ == "__main__":
    try:
        main()
    except (OSError, ValueError, KeyError, tarfile.TarError) as error:
        sys.exit(f"convert: {error}")

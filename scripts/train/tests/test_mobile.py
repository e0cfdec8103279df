"""The resumed backbone against the network it comes from (onnxruntime), its norms, its export, and a step of training."""

from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
import torch

import augment
import export
import mobile
import network
import standin
import start_from
from pool import Pool
from step import Step
from train import optimiser_of

HEAVY = Path(__file__).resolve().parents[3] / "models" / "body_landmarks_heavy.onnx"


@pytest.fixture(scope="module")
def heavy():
    torch.manual_seed(0)
    backbone = mobile.Backbone("heavy").eval()
    return backbone, mobile.take_weights(backbone, HEAVY)


def test_backbone_computes_what_the_general_network_computes(heavy):
    backbone, names = heavy
    model = onnx.load(str(HEAVY))
    for name in names:
        model.graph.output.append(onnx.helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, None))
    session = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    picture = np.random.default_rng(1).random((1, 256, 256, 3), dtype=np.float32)
    want = session.run(names, {"image": picture})
    with torch.no_grad():
        got = backbone(torch.from_numpy(picture).permute(0, 3, 1, 2))
    assert [g.shape[2] for g in got] == [64, 32, 16, 8]
    for a, b in zip(want, got):
        assert np.abs(a - b.numpy()).max() < 1e-5 * np.abs(a).max()


def test_norms_taken_from_pictures_leave_the_function_as_it_was(heavy):
    backbone, _ = heavy
    pictures = torch.rand(3, 3, 256, 256, generator=torch.Generator().manual_seed(2))
    with torch.no_grad():
        before = backbone(pictures)
        mobile.set_norms(backbone, backbone, pictures)
        after = backbone(pictures)
        # and in training mode on the same pictures they hardly matter, which is what they are set for
        training = backbone.train()(pictures)
        backbone.eval()
    for a, b, c in zip(before, after, training):
        assert (a - b).abs().max() < 1e-5 * a.abs().max()
        assert (a - c).abs().max() < 1e-2 * a.abs().max()


def test_another_network_is_refused():
    with pytest.raises(ValueError, match="another network"):
        mobile.take_weights(mobile.Backbone("full"), HEAVY.parent / "person_detector.onnx")


def test_a_shipped_network_is_taken_up_again(tmp_path):
    """Exported, read back and exported once more: the same outputs."""
    torch.manual_seed(3)
    net = network.LowerLegNetwork("full").eval()
    for norm in net.modules():
        if isinstance(norm, (torch.nn.BatchNorm2d, torch.nn.BatchNorm1d)):
            norm.running_mean.normal_(0, 0.1)
            norm.running_var.uniform_(0.5, 2)
            norm.bias.data.normal_(0, 0.1)
    crop, camera = torch.rand(2, 3, 256, 256), torch.tensor([[0.3, 1.0], [0.0, 0.0]])
    with torch.no_grad():
        want = net(crop, camera)
        export.write(export.fold_norms(net), tmp_path / "net.onnx")
        again = network.LowerLegNetwork("full")
        start_from.take_trained(again, tmp_path / "net.onnx")
        got = again.eval()(crop, camera)
    for name in want:
        assert (want[name] - got[name]).abs().max() < 5e-3 * max(float(want[name].abs().max()), 1), name
    with pytest.raises(ValueError, match="another size"):
        start_from.take_trained(network.LowerLegNetwork("heavy"), tmp_path / "net.onnx")


def test_a_channel_that_never_woke_is_made_constant():
    net = network.LowerLegNetwork("full").eval()
    norm = net.backbone.stages[3][1].body[1][1]
    norm.running_var[5] = 1e-9
    norm.weight.data[5] = 1.0
    crop, camera = torch.rand(1, 3, 256, 256), torch.zeros(1, 2)
    assert export.quieten(net) == 1
    x = torch.rand(2, norm.num_features, 8, 8) * 50
    with torch.no_grad():
        assert float(norm(x)[:, 5].std()) == 0.0
        assert np.isfinite(net(crop, camera)["gap"].numpy()).all()


def test_small_rows_keep_their_digits_in_the_file(tmp_path):
    """Weights far below float16's smallest normal number come back to three digits."""
    weight = np.random.default_rng(3).normal(0, 1, (8, 64, 1, 1)).astype(np.float32) * np.logspace(-9, 2, 8, dtype=np.float32).reshape(-1, 1, 1, 1)
    graph = onnx.helper.make_graph(
        [onnx.helper.make_node("Conv", ["x", "w"], ["y"])], "g",
        [onnx.helper.make_tensor_value_info("x", onnx.TensorProto.FLOAT, [1, 64, 1, 1])],
        [onnx.helper.make_tensor_value_info("y", onnx.TensorProto.FLOAT, [1, 8, 1, 1])],
        [onnx.numpy_helper.from_array(weight, "w")])
    model = onnx.helper.make_model(graph, opset_imports=[onnx.helper.make_opsetid("", 17)], ir_version=8)
    assert export.half_weights(model) == 1
    x = np.random.default_rng(4).random((1, 64, 1, 1), dtype=np.float32)
    got = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"]).run(None, {"x": x})[0].ravel()
    want = weight.reshape(8, 64) @ x.ravel()
    assert np.abs(got / want - 1).max() < 2e-2
    assert np.abs(got - want).max() < 2e-3 * np.abs(want).max()


def test_a_step_at_rate_zero_changes_no_weight_and_a_step_with_a_rate_does():
    torch.manual_seed(1)
    net = network.LowerLegNetwork("tiny")
    pool = Pool(8, torch.device("cpu"))
    pool.add(standin.draw(8, np.random.default_rng(5)))
    step = Step(net, optimiser_of(net, 1e-3, 0.04, 0.5), pool, augment.Plan(), torch.Generator().manual_seed(6), 8, torch.float32, torch.contiguous_format)
    before = [p.detach().clone() for p in net.parameters()]
    loss, parts, norm = step.run(torch.arange(8), 1.0, 0.0)
    assert torch.isfinite(loss) and torch.isfinite(norm) and all(torch.isfinite(v) for v in parts.values())
    assert all(torch.equal(a, b) for a, b in zip(before, net.parameters()))
    step.run(torch.arange(8), 1.0, 1e-3)
    assert any(not torch.equal(a, b) for a, b in zip(before, net.parameters()))
    rates = {round(g["lr"] / 1e-3, 6) for g in step.optimiser.param_groups}
    assert rates == {0.5, 1.0}

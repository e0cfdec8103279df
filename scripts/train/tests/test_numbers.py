"""Losses, bins, calibration and export against reference implementations and known answers."""

import math

import numpy as np
import pytest
import torch
from sklearn.metrics import brier_score_loss

import calibrate
import contract
import evaluate
import export
import losses
import mean
import network
import predict
import shards
import standin
import train
from pool import Pool


def test_gaussian_loss_is_torch_distributions():
    """With beta 0 the loss is torch.distributions' negative log-density less its constant."""
    r, s = torch.tensor([0.3, -2.0, 1.0]), torch.tensor([0.5, 1.5, 2.0])
    want = -torch.distributions.Normal(0.0, s).log_prob(r) - 0.5 * math.log(2 * math.pi)
    assert torch.allclose(losses.beta_nll(r, s.log(), 0.0), want, atol=1e-6)


def test_mahalanobis_is_torch_distributions():
    rng = np.random.default_rng(0)
    d, c = rng.normal(0, 3, (20, 2)), np.stack([rng.uniform(0.5, 3, 20), rng.normal(0, 1, 20), rng.uniform(0.5, 3, 20)], 1)
    lower = torch.zeros(20, 2, 2, dtype=torch.float64)
    lower[:, 0, 0], lower[:, 1, 0], lower[:, 1, 1] = (torch.from_numpy(c[:, i]) for i in range(3))
    log_p = torch.distributions.MultivariateNormal(torch.zeros(20, 2, dtype=torch.float64), scale_tril=lower).log_prob(torch.from_numpy(d))
    m2 = -2 * (log_p.numpy() + math.log(2 * math.pi) + np.log(c[:, 0] * c[:, 2]))
    assert np.allclose(calibrate.mahalanobis2(d, np.zeros_like(d), c), m2)


def test_soft_bins_sum_to_one_and_sit_where_the_gap_is():
    gap = torch.tensor([-0.01, 0.0, 0.05, 0.11, 0.3, 0.7])
    p = losses.soft_bins(gap)
    assert torch.allclose(p.sum(-1), torch.ones(6), atol=1e-5)
    assert np.abs(p.argmax(-1).numpy() - calibrate.bin_index(gap.numpy())).max() <= 1


def test_probability_over_at_an_edge_is_the_tail():
    logits = np.random.default_rng(1).normal(0, 1, (5, contract.GAP_BINS))
    p = np.exp(logits) / np.exp(logits).sum(-1, keepdims=True)
    k = 7
    assert np.allclose(contract.probability_over(logits, contract.GAP_BIN_EDGES[k]), p[:, k + 1:].sum(-1))
    assert np.allclose(contract.probability_over(logits, -0.03), 1.0)


def test_calibration_finds_a_planted_overconfidence():
    """Errors drawn with twice the stated spread: the factor is 2 and coverage becomes 95 %."""
    rng = np.random.default_rng(2)
    z = rng.normal(0, 2.0, 20000)
    factor = calibrate.spread_scale(z)["scale"]
    assert factor == pytest.approx(2.0, rel=0.03)
    assert (np.abs(z / factor) < 1.96).mean() == pytest.approx(0.95, abs=0.005)
    m2 = (rng.normal(0, 3.0, (20000, 2)) ** 2).sum(1)
    assert calibrate.ellipse_scale(m2)["scale"] == pytest.approx(3.0, rel=0.03)


def test_temperature_mends_logits_that_are_three_times_too_sharp():
    """The reference is scikit-learn's Brier score: the mended probabilities must score as the true ones do."""
    rng = np.random.default_rng(3)
    logit = rng.normal(0, 1.5, 20000)
    truth = 1 / (1 + np.exp(-logit))
    yes = rng.random(20000) < truth
    t = calibrate.temperature_yes_no(3 * logit, yes)
    assert t == pytest.approx(3.0, rel=0.08)
    assert brier_score_loss(yes, 1 / (1 + np.exp(-3 * logit / t))) == pytest.approx(brier_score_loss(yes, truth), abs=5e-4)
    gap = np.exp(rng.normal(-3, 0.8, 20000))
    p = losses.soft_bins(torch.from_numpy(gap), 0.02).numpy()
    drawn = np.array([rng.choice(contract.GAP_BINS, p=q / q.sum()) for q in p[:4000]])
    mid = (contract.bin_bounds()[:-1] + contract.bin_bounds()[1:]) / 2
    assert calibrate.temperature_bins(2.5 * np.log(p[:4000] + 1e-9), mid[drawn]) == pytest.approx(2.5, rel=0.1)


def test_export_gives_what_torch_gives(tmp_path):
    torch.manual_seed(0)
    net = network.LowerLegNetwork("tiny").eval()
    with torch.no_grad():  # an untrained network is too quiet to tell anything
        for p in net.parameters():
            p.add_(torch.randn_like(p) * 0.05 * p.abs().mean())
        net.maps_out.weight.mul_(20)
    net = export.fold_norms(net)
    path = tmp_path / "net.onnx"
    export.write(net, path)
    difference = export.compare(net, path)
    assert difference["points"] < 0.5 and difference["gap"] < 5e-3
    out = predict.Model(path)(torch.rand(3, 3, 256, 256), torch.zeros(3, 2))
    for name, shape in contract.OUTPUTS.items():
        assert out[name].shape == (3, *shape), name


def test_shards_come_back_and_bad_ones_are_refused(tmp_path):
    a = standin.draw(3, np.random.default_rng(0))
    shards.write(tmp_path / "a.npz", a)
    b = shards.read(tmp_path / "a.npz")
    assert all(np.array_equal(a[k], b[k], equal_nan=a[k].dtype.kind == "f") for k in a)
    shards.write(tmp_path / "d.npz", a, quality=95)
    coded = shards.read(tmp_path / "d.npz")
    assert (tmp_path / "d.npz").stat().st_size < 0.5 * (tmp_path / "a.npz").stat().st_size
    assert all(np.array_equal(a[k], coded[k], equal_nan=a[k].dtype.kind == "f") for k in a if k != "image")
    assert np.abs(coded["image"].astype(int) - a["image"]).mean() < 4 and coded["image"].shape == a["image"].shape
    with pytest.raises(ValueError, match="shape"):
        shards.write(tmp_path / "b.npz", {**a, "gap_mm": a["gap_mm"][:2]})
    (tmp_path / "c.npz").write_bytes(b"PK nonsense")
    with pytest.raises(ValueError, match="cannot be read"):
        shards.read(tmp_path / "c.npz")


def test_an_epoch_holds_each_crop_as_often_as_it_is_to_be_drawn():
    a = standin.draw(40, np.random.default_rng(0))
    a["present"][:] = 1
    a["elevation_rad"][:20], a["elevation_rad"][20:] = math.radians(5), math.radians(40)
    pool = Pool(60, torch.device("cpu"))
    assert pool.add(a, spare=30) == 30  # the rest of the room is kept for another kind
    assert pool.add(a, times=3.0) == 30
    generator = torch.Generator().manual_seed(1)
    count = torch.bincount(pool.order(generator), minlength=60)
    assert (count[:30] == 1).all() and (count[30:] == 3).all()
    many = sum(torch.bincount(pool.order(generator, high_times=1.5), minlength=60) for _ in range(400)) / 400
    for rows, wanted in ((range(20), 1.0), (range(20, 30), 1.5), (range(30, 50), 3.0), (range(50, 60), 4.5)):
        assert abs(many[list(rows)].mean() - wanted) < 0.03


def test_report_of_a_perfect_and_of_a_blind_network(tmp_path):
    """Truth fed back as prediction must score 1; a prediction without information must score 0.5."""
    a = standin.draw(120, np.random.default_rng(5))

    def told(crop, camera):
        return {n: np.zeros((len(crop), *s), np.float32) for n, s in contract.OUTPUTS.items()}

    p = predict.predict(_Call(told), a, predict.plan(), 1)
    perfect = dict(p)
    on = p["true_present"] > 0.5
    perfect["gap"], perfect["points"] = p["true_gap"], np.nan_to_num(p["true_points"])
    perfect["gap_bins"] = np.log(losses.soft_bins(torch.from_numpy(p["true_gap"])).numpy() + 1e-9)
    perfect["points_cholesky"] = np.ones_like(p["points_cholesky"])
    perfect["present"] = np.where(on, 5.0, -5.0)
    s = evaluate.summary(perfect, on)
    assert s["any20"]["auc"] == 1.0 and s["any20"]["caught2"] == 1.0
    assert all(v["mae"] == 0 for v in s["gap"].values())
    assert all(v["median"] == 0 for v in s["points"].values())
    blind = dict(perfect)
    blind["gap_bins"] = np.zeros_like(p["gap_bins"])
    blind["true_shank_m"] = np.full_like(p["true_shank_m"], 0.36)
    assert evaluate.summary(blind, on)["any20"]["auc"] == pytest.approx(0.5, abs=0.01)


class _Call:
    """A stand-in for a model: a function with a device."""

    device = torch.device("cpu")

    def __init__(self, f):
        self.f = f

    def __call__(self, crop, camera):
        return self.f(crop, camera)


def test_mean_of_two_networks_is_half_way_between_their_weights(tmp_path):
    paths, nets = [], [network.LowerLegNetwork("tiny") for _ in range(2)]
    for k, net in enumerate(nets):
        paths.append(tmp_path / f"{k}.pt")
        train.save(paths[-1], net)
    middle = mean.mean(paths).state_dict()
    a, b = (net.state_dict() for net in nets)
    for name, v in middle.items():
        assert torch.allclose(v.float(), (a[name].float() + b[name].float()) / 2, atol=1e-6), name

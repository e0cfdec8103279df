"""Puts lower_leg.onnx and lower_leg.json of the models folder into its manifest with size and SHA-256."""

import hashlib
import json
import os
from pathlib import Path

folder = Path(__file__).resolve().parents[2] / "models"
manifest = folder / "manifest.json"
listed = json.loads(manifest.read_text())
files = {"lower_leg.onnx": "lower_leg", "lower_leg.json": "lower_leg_description"}
listed["networks"] = [n for n in listed["networks"] if n["file"] not in files]
for name, role in files.items():
    data = (folder / name).read_bytes()
    listed["networks"].append({"file": name, "role": role, "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)})
temporary = manifest.with_suffix(".tmp")
temporary.write_text(json.dumps(listed, indent=2) + "\n")
os.replace(temporary, manifest)

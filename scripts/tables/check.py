"""Reads an export folder back with outside readers and holds it against the data dictionary and against itself.

Usage: .venv-tables/bin/python scripts/tables/check.py FOLDER [--self-test]

Readers: pandas with pyarrow, polars, DuckDB (CSV and Parquet); frictionless (data dictionary, hashes, primary keys, constraints); ezc3d and c3d (marker files).
--self-test also damages copies of the folder and demands that this script notices every damage, so that no check here is one that cannot fail.
"""

import json
import shutil
import sys
import tempfile
from pathlib import Path

import c3d
import duckdb
import ezc3d
import frictionless
import numpy as np
import pandas as pd
import polars as pl


class Wrong(Exception):
    """Something that was read back is not what it should be."""


def demand(truth, sentence):
    if not truth:
        raise Wrong(sentence)


PANDAS = {"string": "str", "number": "float64", "integer": "int64", "boolean": "bool"}
POLARS = {"string": pl.String, "number": pl.Float64, "integer": pl.Int64, "boolean": pl.Boolean}
DUCKDB = {"string": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "boolean": "BOOLEAN"}


def same(name, a, b, what):
    """Equal values, missing in the same places."""
    demand(len(a) == len(b), f"{name}: {what}: {len(a)} and {len(b)} rows")
    missing_a, missing_b = pd.isna(pd.Series(a)).to_numpy(), pd.isna(pd.Series(b)).to_numpy()
    demand((missing_a == missing_b).all(), f"{name}: {what}: missing in different rows")
    there = ~missing_a
    demand((np.asarray(a, dtype=object)[there] == np.asarray(b, dtype=object)[there]).all(), f"{name}: {what}: values differ")


def one_table(folder, resource):
    name = resource["name"]
    fields = resource["schema"]["fields"]
    csv, parquet = folder / resource["path"], folder / resource["same_table_as_parquet"]
    panda = pd.read_parquet(parquet, engine="pyarrow")
    polar = pl.read_parquet(parquet)
    schema = {f["name"]: POLARS[f["type"]] for f in fields}
    polar_csv = pl.read_csv(csv, schema=schema)
    duck = duckdb.connect().execute("SELECT * FROM read_parquet(?)", [str(parquet)])
    duck_types = {d[0]: str(d[1]) for d in duck.description}
    duck = duck.df()
    kinds = {f["name"]: DUCKDB[f["type"]] for f in fields}
    duck_csv = duckdb.connect().execute("SELECT * FROM read_csv(?, header = true, columns = ?)", [str(csv), kinds]).df()
    names = [f["name"] for f in fields]
    for reader, columns in [("pandas", list(panda.columns)), ("polars", polar.columns), ("DuckDB", list(duck.columns)), ("CSV", polar_csv.columns)]:
        demand(columns == names, f"{name}: {reader} sees the columns {columns}")
    for f in fields:
        column, kind = f["name"], f["type"]
        whole = kind in ("string", "number") or not panda[column].isna().any()
        demand(not whole or str(panda[column].dtype) in (PANDAS[kind], "object", "string"), f"{name}.{column}: pandas reads {panda[column].dtype}")
        demand(polar[column].dtype == POLARS[kind], f"{name}.{column}: polars reads {polar[column].dtype}")
        demand(duck_types[column] in (DUCKDB[kind], "STRING", "NUMBER", "bool"), f"{name}.{column}: DuckDB reads {duck_types[column]}")
        values = panda[column].to_numpy()
        same(f"{name}.{column}", values, polar[column].to_pandas().to_numpy(), "pandas and polars")
        same(f"{name}.{column}", values, duck[column].to_numpy(), "pandas and DuckDB")
        same(f"{name}.{column}", values, polar_csv[column].to_pandas().to_numpy(), "Parquet and CSV by polars")
        same(f"{name}.{column}", values, duck_csv[column].to_numpy(), "Parquet and CSV by DuckDB")
    return panda


def covariance(tables):
    """The covariance along the leg is symmetric, has no negative eigenvalue and goes with the standard deviations of its own table."""
    for table, of, keys in [("hold_covariance", "holds", ["recording", "hold"]), ("frame_covariance", "frames", ["recording", "hold", "frame"])]:
        if table not in tables:
            continue
        sds = tables[of].set_index(keys + ["station"])["gap_sd_mm"]
        groups = 0
        for key, part in tables[table].groupby(keys):
            stations = part["station"].drop_duplicates().tolist()
            m = part.pivot(index="station", columns="other_station", values="covariance_mm2").loc[stations, stations].to_numpy()
            demand(np.allclose(m, m.T, rtol=1e-9, atol=1e-9), f"{table} {key}: not symmetric")
            demand(np.linalg.eigvalsh(m).min() > -1e-6 * np.abs(m).max(), f"{table} {key}: a negative eigenvalue")
            sd = np.array([sds[tuple(key) + (s,)] for s in stations])
            demand(np.allclose(np.sqrt(np.diag(m)), sd, rtol=1e-6), f"{table} {key}: its diagonal is not the square of gap_sd_mm")
            groups += 1
        demand(groups > 0, f"{table} is empty")


def keypoints(tables):
    if "keypoints" not in tables:
        return
    k = tables["keypoints"]
    demand((k.uu_px2 * k.vv_px2 - k.uv_px2**2 > -1e-9).all(), "keypoints: a covariance that is no covariance")
    body = k[k.network == "body"].groupby(["recording", "frame"]).size()
    demand((body == 33).all(), "keypoints: a frame without its 33 landmarks")
    # A station's surface in the table of frames is the lower-leg network's point of that name.
    points = {"knee": "knee_floor", "calf25": "calf25_floor", "calf50": "calf50_floor", "calf75": "calf75_floor", "ankle": "ankle_inner", "heel": "heel_floor"}
    frames = tables["frames"].dropna(subset=["surface_u_px"]).copy()
    frames["keypoint"] = frames.station.map(points)
    joined = frames.merge(k[k.network == "lower_leg"], on=["recording", "frame", "keypoint"])
    demand(len(joined) == len(frames) and len(frames) > 0, "keypoints: a station's surface point is missing")
    demand((joined.surface_u_px == joined.u_px).all() and (joined.surface_v_px == joined.v_px).all(), "keypoints and frames name different points")


def markers(folder, tables):
    """Both readers see the same trajectories, and they are the carpet points of the table of frames."""
    files = sorted((folder / "markers").glob("*.c3d"))
    for path in files:
        e = ezc3d.c3d(str(path))
        labels = e["parameters"]["POINT"]["LABELS"]["value"]
        by_ezc3d = e["data"]["points"][:3]
        rate = e["parameters"]["POINT"]["RATE"]["value"][0]
        start = e["parameters"]["SHANKLINE"]["FIRST_FRAME_TIME_S"]["value"][0]
        demand(e["parameters"]["POINT"]["UNITS"]["value"] == ["mm"], f"{path.name}: the unit is not mm")
        with open(path, "rb") as handle:
            reader = c3d.Reader(handle)
            demand([s.strip() for s in reader.point_labels] == labels, f"{path.name}: the readers see different labels")
            frames = [points for _, points, _ in reader.read_frames()]
        by_c3d = np.stack(frames, axis=2).transpose(1, 0, 2)
        valid = by_c3d[3] >= 0
        demand(valid.any(), f"{path.name}: no marker is ever seen")
        demand((valid == ~np.isnan(by_ezc3d[0])).all(), f"{path.name}: the readers disagree on which markers are seen")
        demand(np.allclose(by_c3d[:3][:, valid], by_ezc3d[:, valid]), f"{path.name}: the readers see different places")
        number, hold = (int(path.stem.split("-")[1]), int(path.stem.split("-")[3]))
        table = tables["frames"]
        recording = list(dict.fromkeys(tables["holds"].recording))[number - 1]
        table = table[(table.recording == recording) & (table.hold == hold) & table.leg_fitted.eq(True)]
        for station, label in [("knee", "KNEE_FLOOR"), ("heel", "HEEL_FLOOR")]:
            rows = table[table.station == station]
            at = np.round((rows.time_s.to_numpy() - start) * rate).astype(int)
            expected = 1000.0 * rows[["carpet_x_m", "carpet_y_m", "carpet_z_m"]].to_numpy().T
            demand(np.allclose(by_ezc3d[:, labels.index(label), at], expected, atol=1e-2), f"{path.name}: {label} is not where the table has it")
    return len(files)


def check(folder):
    package = json.loads((folder / "datapackage.json").read_text())
    report = frictionless.validate(str(folder / "datapackage.json"))
    demand(report.valid, f"frictionless: {report.flatten(['rowNumber', 'fieldName', 'message'])[:5]}")
    tables = {r["name"]: one_table(folder, r) for r in package["resources"]}
    demand(len(tables["holds"]) > 0 and len(tables["frames"]) > 0, "no rows")
    covariance(tables)
    keypoints(tables)
    count = markers(folder, tables)
    rows = ", ".join(f"{name} {len(table)}" for name, table in tables.items())
    print(f"read back alike by pandas, polars, DuckDB, frictionless, ezc3d, c3d: {rows} rows; {count} marker files")


def damage_csv(folder):
    path = folder / "frames.csv"
    lines = path.read_bytes().split(b"\r\n")
    cells = lines[5].split(b",")
    cells[7] = b"123.5"
    lines[5] = b",".join(cells)
    path.write_bytes(b"\r\n".join(lines))


def damage_parquet(folder):
    path = folder / "holds.parquet"
    table = pd.read_parquet(path)
    table.loc[0, "gap_mm"] += 0.25
    table.to_parquet(path)


def damage_covariance(folder):
    for name in ["frame_covariance", "hold_covariance"]:
        table = pd.read_parquet(folder / f"{name}.parquet")
        table.loc[1, "covariance_mm2"] += 1.0
        table.to_parquet(folder / f"{name}.parquet")
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\r\n")
    rehash(folder)


def damage_markers(folder):
    path = next((folder / "markers").glob("*.c3d"))
    data = bytearray(path.read_bytes())
    at = 512 * (int.from_bytes(data[16:18], "little") - 1)
    # Every x of the file is moved by 50 mm.
    values = np.frombuffer(bytes(data[at:]), dtype="<f4").copy()
    values[::4] += 50.0
    path.write_bytes(bytes(data[:at]) + values.tobytes())


def damage_dictionary(folder):
    path = folder / "datapackage.json"
    path.write_text(path.read_text().replace('"gap_sd_mm"', '"gap_sd"'))


def rehash(folder):
    """Without the hashes, so that the damage must be noticed by what the values say."""
    path = folder / "datapackage.json"
    package = json.loads(path.read_text())
    for resource in package["resources"]:
        del resource["hash"], resource["bytes"]
    path.write_text(json.dumps(package))


def self_test(folder):
    for damage in [damage_csv, damage_parquet, damage_covariance, damage_markers, damage_dictionary]:
        with tempfile.TemporaryDirectory() as scratch:
            copy = Path(scratch) / "export"
            shutil.copytree(folder, copy)
            damage(copy)
            try:
                check(copy)
            except Exception as error:  # whatever a reader raises is a notice
                print(f"{damage.__name__}: noticed ({type(error).__name__}: {str(error).splitlines()[0][:120]})")
            else:
                raise SystemExit(f"{damage.__name__} went unnoticed")


if __name__ == "__main__":
    target = Path(sys.argv[1])
    check(target)
    if "--self-test" in sys.argv:
        self_test(target)

#!/usr/bin/env bash
# Everything in one command of SECONDS on a machine with a card: poses, crops and training side by side, the last weights to $OUT.
# Held-out crops, calibration and export are made elsewhere from the weights: a short loan is best spent on training.
#
#   short_run.sh SECONDS
set -u
here=$(cd "$(dirname "$0")" && pwd); root=$(cd "$here/../.." && pwd)
seconds=${1:?give the seconds it may take}
begin=$(date +%s)
WORK=/dev/shm/shankline-short; rm -rf "$WORK"; mkdir -p "$WORK"/{log,train,poses,crops}
export OMP_NUM_THREADS=1 PYTHONUNBUFFERED=1 SHANKLINE_BODY_MODEL=$root/.data/body_model.npz
for f in "$root"/.gl/*.deb; do [ -e "$f" ] && dpkg -x "$f" /; done; ldconfig
if ! ls /usr/share/glvnd/egl_vendor.d/*nvidia* >/dev/null 2>&1 && [ -e /usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json ]; then
  export __EGL_VENDOR_LIBRARY_FILENAMES=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
fi
python3 -m pip install -q --no-index --no-deps --no-compile --no-cache-dir --upgrade --target "$WORK/site" "$root"/.whl/*.whl && export PYTHONPATH=$WORK/site
cd "$here" || exit 1
left() { echo $(( begin + seconds - $(date +%s) )); }
python3 produce.py poses --split train --out "$WORK/poses" --count 20000 --chunk 1024 --file 16 --device cuda --seed 3 >"$WORK/log/poses.log" 2>&1 &
for w in $(seq 0 13); do
  python3 produce.py crops --split train --poses "$WORK/poses" --out "$WORK/crops" --worker "$w" --per-pose 4 --per-mesh 4 --seed 3 --seconds $(( seconds * 45 / 100 )) >"$WORK/log/crops_$w.log" 2>&1 &
done
python3 train.py --data "$WORK/crops" --out "$WORK/train" --seconds $(( $(left) - 14 )) --size "${SIZE:-base}" --batch 256 --rate 1.5e-3 --average 0.998 --capacity 60000 --least 1500 \
  --full-file "$WORK/poses/STOP" --render-share 0.42 --checkpoint-s 40 >"$WORK/log/train.log" 2>&1 &
trainer=$!
while kill -0 $trainer 2>/dev/null && [ "$(left)" -gt 3 ]; do
  sleep 5
  [ -e "$WORK/train/final_half.pt" ] && break
  [ -e "$WORK/train/checkpoint_half.pt" ] && cp "$WORK/train/checkpoint_half.pt" "$OUT/checkpoint.pt"
  echo "$(left) s left; $(tail -n 1 "$WORK/log/train.log" | cut -c1-300)"
done
[ -e "$WORK/train/final_half.pt" ] && cp "$WORK/train/final_half.pt" "$OUT/lower_leg.pt"
cp "$WORK/train/train.jsonl" "$OUT/" 2>/dev/null
tail -n 2 "$WORK"/log/crops_0.log "$WORK/log/poses.log"; tail -n 5 "$WORK/log/train.log" | cut -c1-500; grep -h -i traceback -A5 "$WORK"/log/*.log | tail -20
pkill -f produce.py; pkill -f train.py
ls -la "$OUT"

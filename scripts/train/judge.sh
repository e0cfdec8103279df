#!/usr/bin/env bash
# Calibrates and judges trained networks on freshly rendered held-out crops, on a machine with cards, in one command: results in $OUT.
#
#   judge.sh NETWORK.pt...     POSES=500 poses a split, WORKERS renderers, CARDS cards
set -u
here=$(cd "$(dirname "$0")" && pwd); root=$(cd "$here/../.." && pwd)
POSES=${POSES:-500} WORKERS=${WORKERS:-28} CARDS=${CARDS:-2} PYTHON=${PYTHON:-python3} DEVICE=${DEVICE:-cuda} LIGHT=${LIGHT:-} RENDER=${RENDER:-120}
WORK=${WORK:-/tmp/shankline-judge}; rm -rf "$WORK"; mkdir -p "$WORK"/{log,held_calibration,held_test}
models=(); for m in "$@"; do models+=("$(realpath "$m")"); done
export OMP_NUM_THREADS=1 PYTHONUNBUFFERED=1 SHANKLINE_BODY_MODEL=$root/.data/body_model.npz
if [ "$DEVICE" = cuda ]; then
  for f in "$root"/.gl/*.deb; do dpkg -x "$f" /; done; ldconfig
  $PYTHON -m pip install -q --no-index --no-deps --no-compile --no-cache-dir --upgrade --target "$WORK/site" "$root"/.whl/*.whl && export PYTHONPATH=$WORK/site
  if ! ls /usr/share/glvnd/egl_vendor.d/*nvidia* >/dev/null 2>&1 && [ -e /usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json ]; then
    export __EGL_VENDOR_LIBRARY_FILENAMES=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
  fi
fi
cd "$here" || exit 1
card=0
for s in calibration test; do
  CUDA_VISIBLE_DEVICES=$(( card % CARDS )) $PYTHON produce.py poses --split $s --out "$WORK/poses_$s" --count "$POSES" --chunk 250 --file 12 --device "$DEVICE" --seed 31 >"$WORK/log/poses_$s.log" 2>&1 &
  card=$(( card + 1 ))
done
workers=()
for w in $(seq 0 $(( WORKERS - 1 ))); do
  s=calibration; [ $(( w % 4 / 2 )) = 1 ] && s=test
  if [ "$DEVICE" = cuda ]; then export SHANKLINE_EGL_DEVICE=$(( w % CARDS )); fi
  $PYTHON produce.py crops --split $s --poses "$WORK/poses_$s" --out "$WORK/held_$s" --worker "$w" --per-pose 6 --per-mesh 2 --seed 31 --seconds "$RENDER" $LIGHT >"$WORK/log/crops_$w.log" 2>&1 & workers+=($!)
done
wait "${workers[@]}"; echo "rendered after $SECONDS s: $(ls "$WORK"/held_*/ | grep -c npz) shards"; tail -qn 1 "$WORK"/log/*.log | head -n 4
judges=(); i=0
for m in "${models[@]}"; do
  ( name=$(basename "$m" .pt); export CUDA_VISIBLE_DEVICES=$(( i % CARDS ))
    made=$($PYTHON -c 'import json,sys,time,torch,numpy;print(json.dumps({"command":"scripts/train/cards.sh, then judge.sh","crops_for_calibration":"bodies, carpets and lights never trained on","torch":torch.__version__,"numpy":numpy.__version__,"date":time.strftime("%Y-%m-%d")}))')
    $PYTHON -W ignore calibrate.py --model "$m" --data "$WORK/held_calibration" --json "$WORK/$name.json" --made "$made" >"$WORK/log/calibrate_$name.log" 2>&1
    for how in "" --unknown --damaged; do
      echo "==== test split $how"; timeout 60 $PYTHON -W ignore evaluate.py --model "$m" --json "$WORK/$name.json" --data "$WORK/held_test" --out "$WORK/figures_$name${how/--/_}.json" $how 2>&1
    done >"$WORK/evaluation_$name.txt" ) & judges+=($!); i=$(( i + 1 ))
done
wait "${judges[@]}"
tar czf "$OUT/judged.tar.gz" -C "$WORK" log $(cd "$WORK" && ls | grep -E 'json$|txt$')
cat "$WORK"/log/calibrate*.log | tail -n 5; echo "judged after $SECONDS s"

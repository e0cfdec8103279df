#!/usr/bin/env bash
# Path-traced crops for training, one process: poses, jobs, the leg's window traced, crops, again and again until SECONDS are over or OUT/STOP appears.
#
#   produce.sh OUT WORKER SECONDS       OUT/crops fills with shards; WORKER (a number) tells processes apart that work side by side
#
# DEVICE: CPU, or CUDA or OPTIX where a card traces (card 0 of CUDA_VISIBLE_DEVICES); VIEWS: cameras for each of COUNT scenes a round.
# OTHERS: poses that are no stance, as a share of the stances (produce.py poses --others).
# PYTHON: the scene generator's environment; BPY: the path tracer's. SEED: other scenes than the last time.
set -u
out=$1 worker=$2; end=$(( $(date +%s) + $3 ))
here=$(cd "$(dirname "$0")" && pwd); root=$(cd "$here/../.." && pwd)
PYTHON=${PYTHON:-$root/.venv-scenes/bin/python} BPY=${BPY:-$root/.venv-bpy/bin/python} SEED=${SEED:-1} COUNT=${COUNT:-24} VIEWS=${VIEWS:-1} DEVICE=${DEVICE:-CPU}
export OMP_NUM_THREADS=1
video=(); command -v ffmpeg >/dev/null || { video=(--no-video); echo "produce.sh: no ffmpeg; JPEG stands for H.264"; }
work=$(mktemp -d "${TMPDIR:-/tmp}/pathtrace.XXXXXX"); trap 'rm -rf "$work"' EXIT
mkdir -p "$out/crops"; round=0; failed=0
while [ ! -e "$out/STOP" ] && [ "$(date +%s)" -lt "$end" ] && [ $failed -lt 3 ]; do
  seed=$(( (SEED * 1000 + worker) * 1000 + round )); name=traced_$(printf %02d_%03d "$worker" "$round"); round=$(( round + 1 ))
  rm -rf "$work"/*
  "$PYTHON" "$here/../train/produce.py" poses --split train --device cpu --count "$COUNT" --chunk "$COUNT" --file "$COUNT" --others "${OTHERS:-0.12}" --seed $seed --out "$work/poses" &&
    "$PYTHON" "$here/make_jobs.py" --poses "$work/poses" --split train --count "$COUNT" --views "$VIEWS" --seed $seed --out "$work/jobs" &&
    "$BPY" "$here/render.py" --jobs "$work/jobs" --out "$work/linear" --samples 0 10 --device "$DEVICE" --seconds $(( end - $(date +%s) )) | grep -E 'build|shank|Error|Traceback' &&
    "$PYTHON" "$here/finish.py" --linear "$work/linear" --out "$work/set" --for-training "${video[@]}" --name "$name" &&
    mv "$work"/set/crops/*.npz "$out/crops/" || { failed=$(( failed + 1 )); [ "$DEVICE" = CPU ] || { echo "produce.sh: $DEVICE failed; the processor traces from here on"; DEVICE=CPU; }; }
done
[ $failed -lt 3 ] || { echo "produce.sh: three rounds failed; see above" >&2; exit 1; }

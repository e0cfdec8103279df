#!/usr/bin/env bash
# The whole training on a machine with a graphics card, or a rehearsal of it on a processor (TINY=1).
#
#   device_run.sh start SECONDS   unpack, start the job in the background, then watch for SECONDS
#   device_run.sh watch SECONDS   watch a job started before; copies results to $OUT when it ends or the time is up
#   device_run.sh job             the job itself (started by `start`)
#
# The job survives the command that started it (own process session). Everything lies in $WORK; what shall come back is copied to
# $OUT: the network (ONNX and checkpoint), its JSON, figures, sheets of crops, logs. The job is over DEADLINE seconds
# after its start, whatever happened: rendering stops early, training ends by the clock, the last checkpoint is exported.
set -u
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
# a memory disk if it is large enough for what waits between the processes
[ -n "${WORK:-}" ] || { if [ "$(df -m --output=avail /dev/shm | tail -n 1)" -gt 16000 ]; then WORK=/dev/shm/shankline; else WORK=/tmp/shankline; fi; }
OUT=${OUT:-$WORK/out}
PYTHON=${PYTHON:-python3}
DEADLINE=${DEADLINE:-1500}
FINISH=${FINISH:-170}          # seconds kept at the end for calibration, figures and export
SEED=${SEED:-1}
SIZE=${SIZE:-base}
if [ "${TINY:-0}" = 1 ]; then
  DEVICE=${DEVICE:-cpu}; WORKERS=${WORKERS:-1}; POSES=${POSES:-24}; HELD_POSES=${HELD_POSES:-8}; CHUNK=${CHUNK:-8}; FILE=${FILE:-4}
  PER_POSE=${PER_POSE:-2}; CAPACITY=${CAPACITY:-64}; CHECK=${CHECK:-16}; BATCH=${BATCH:-8}; LEAST=${LEAST:-8}; SIZE=tiny
  CROPS_EXTRA=--light; TRAIN_EXTRA=; EVALUATE_LIMIT=64
else
  DEVICE=${DEVICE:-cuda}; WORKERS=${WORKERS:-8}; POSES=${POSES:-29000}; HELD_POSES=${HELD_POSES:-800}; CHUNK=${CHUNK:-2048}; FILE=${FILE:-32}
  PER_POSE=${PER_POSE:-4}; CAPACITY=${CAPACITY:-112000}; CHECK=${CHECK:-2000}; BATCH=${BATCH:-512}; LEAST=${LEAST:-8000}
  CROPS_EXTRA=${CROPS_EXTRA:-}; TRAIN_EXTRA=${TRAIN_EXTRA:-}; EVALUATE_LIMIT=4000
fi
export OMP_NUM_THREADS=1 PYTHONUNBUFFERED=1 SHANKLINE_BODY_MODEL=${SHANKLINE_BODY_MODEL:-$root/.data/body_model.npz}
say() { echo "[$(date +%H:%M:%S)] $*"; }

unpack() {
  for f in "$root"/.gl/*.deb; do [ -e "$f" ] && dpkg -x "$f" /; done
  ldconfig
  if ! ls /usr/share/glvnd/egl_vendor.d/*nvidia* >/dev/null 2>&1 && [ -e /usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json ]; then
    export __EGL_VENDOR_LIBRARY_FILENAMES=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
  fi
  if ls "$root"/.whl/*.whl >/dev/null 2>&1; then
    $PYTHON -m pip install -q --no-index --no-deps --no-compile --no-cache-dir --upgrade --target "$WORK/site" "$root"/.whl/*.whl && export PYTHONPATH=$WORK/site
  fi
}

# one line on where things stand
status() {
  say "poses $(ls "$WORK"/poses_train 2>/dev/null | grep -c 'pose$') waiting, held-out shards $(ls "$WORK"/crops_calibration "$WORK"/crops_test 2>/dev/null | grep -c npz); $(tail -n 1 "$WORK"/log/train.log 2>/dev/null | cut -c1-420)"
}

collect() {
  mkdir -p "$OUT"
  for f in lower_leg.onnx lower_leg.json evaluation.txt figures.tar.gz sheets.jpg stills.tar; do
    [ -e "$WORK/$f" ] && cp "$WORK/$f" "$OUT/"
    [ -e "$WORK/result/$f" ] && cp "$WORK/result/$f" "$OUT/"
  done
  # what comes back has a limit of 16 MiB a file
  if [ -e "$WORK/train/final_half.pt" ]; then cp "$WORK/train/final_half.pt" "$OUT/lower_leg.pt"
  elif [ -e "$WORK/train/checkpoint_half.pt" ]; then cp "$WORK/train/checkpoint_half.pt" "$OUT/checkpoint.pt"; fi
  tar czf "$OUT/logs.tar.gz" -C "$WORK" log train/train.jsonl 2>/dev/null
  ls -la "$OUT"
}

# whole-frame stills for measuring the whole program, once, beside the training (held-out poses must be there)
stills() {
  [ -e "$WORK/stills.started" ] && return
  mkdir -p "$WORK/log"; touch "$WORK/stills.started"
  if [ -e /usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json ] && ! ls /usr/share/glvnd/egl_vendor.d/*nvidia* >/dev/null 2>&1; then
    export __EGL_VENDOR_LIBRARY_FILENAMES=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
  fi
  [ -d "$WORK/site" ] && export PYTHONPATH=$WORK/site
  export WORK PYTHON root DEVICE
  setsid nohup bash -c '
    for split in test calibration; do
      (cd "$root/scripts/train" && $PYTHON produce.py poses --split $split --out "$WORK/stills_$split" --count 260 --chunk 260 --file 64 --others 0 --device $DEVICE --seed 9)
      $PYTHON "$root/scripts/bench/make_stills.py" --poses "$WORK/stills_$split" --split $split --count 110 --out "$WORK/stills"
    done
    tar cf "$WORK/stills.tar.tmp" -C "$WORK" stills && mv "$WORK/stills.tar.tmp" "$WORK/stills.tar"' > "$WORK/log/stills.log" 2>&1 < /dev/null &
}

watch() {
  stills
  local until=$(( $(date +%s) + $1 )) last=0
  while [ "$(date +%s)" -lt "$until" ] && [ ! -e "$WORK/OVER" ]; do
    if [ $(( $(date +%s) - last )) -ge "${EVERY:-25}" ]; then status; last=$(date +%s); fi
    sleep 1
  done
  status
  [ -e "$WORK/OVER" ] && say "the job is over: $(cat "$WORK/OVER")"
  grep -h -i -A6 "traceback\|error\|badly" "$WORK"/log/*.log 2>/dev/null | tail -n 24 | cut -c1-200
  for f in job export poses_train crops_0 calibrate train; do
    [ -e "$WORK/log/$f.log" ] && { echo "-- $f"; tail -n 4 "$WORK/log/$f.log" | cut -c1-400; }
  done
  [ -e "$WORK/OVER" ] && cut -c1-260 "$WORK/result/evaluation.txt" 2>/dev/null | head -n 60
  collect
}

job() {
  local begin end
  begin=$(date +%s); end=$(( begin + DEADLINE ))
  left() { echo $(( end - $(date +%s) )); }
  cd "$here" || exit 1
  mkdir -p "$WORK"/{log,train,result,poses_train,crops_train}
  say "job starts: device $DEVICE, $WORKERS workers, deadline $DEADLINE s"
  command -v nvidia-smi >/dev/null && nvidia-smi --query-gpu=name,memory.total --format=csv,noheader
  # shards stay on the disk if it holds them all, so that a second trainer could read them again
  local keep waiting
  if [ "$(df -m --output=avail "$WORK" | tail -n 1)" -gt $(( CAPACITY * 4 / 10 + 8000 )) ]; then keep=; waiting=0; else keep=--delete; waiting=60; fi
  # the trainer starts first: it compiles while poses are solved
  train() { # size of the batch, further arguments
    local batch=$1; shift
    $PYTHON train.py --data "$WORK/crops_train" --check "$WORK/crops_check" --out "$WORK/train" --seconds $(( $(left) - FINISH )) --size "$SIZE" \
      --batch "$batch" --capacity "$CAPACITY" --check-capacity "$CHECK" --least "$LEAST" --full-file "$WORK/poses_train/STOP" $keep "$@"
  }
  ( train "$BATCH" $TRAIN_EXTRA || { say "the trainer ended badly: again, plainly and with half the batch"; nvidia-smi 2>/dev/null | tail -n 25; train $(( BATCH / 2 )); } ) >"$WORK/log/train.log" 2>&1 &
  trainer=$!
  # held-out splits: few poses, quickly made, so that the log has something to check on
  ( for split in calibration test; do
      $PYTHON produce.py poses --split $split --out "$WORK/poses_$split" --count "$HELD_POSES" --chunk "$CHUNK" --file "$FILE" --device "$DEVICE" --seed "$SEED" >"$WORK/log/poses_$split.log" 2>&1
    done
    $PYTHON produce.py poses --split train --out "$WORK/poses_train" --count "$POSES" --chunk "$CHUNK" --file "$FILE" --device "$DEVICE" --seed "$SEED" >"$WORK/log/poses_train.log" 2>&1
    touch "$WORK/poses_train/DONE" ) &
  posing=$!
  pids=()
  for w in $(seq 0 $(( WORKERS - 1 ))); do
    ( # each worker helps with the held-out splits first, then renders for training until told to stop; a crash starts it again
      for split in calibration test; do
        $PYTHON produce.py crops --split $split --poses "$WORK/poses_$split" --out "$WORK/crops_$split" --worker "$w" --per-pose "$PER_POSE" --per-mesh "$PER_POSE" --seed "$SEED" --seconds $(( DEADLINE / 4 )) $CROPS_EXTRA
      done
      for try in 1 2 3; do
        $PYTHON produce.py crops --split train --poses "$WORK/poses_train" --out "$WORK/crops_train" --worker "$w" --per-pose "$PER_POSE" --per-mesh "$PER_POSE" --seed $(( SEED + try - 1 )) \
          --waiting $waiting --seconds $(( $(left) - FINISH - 20 )) $CROPS_EXTRA && break
        say "worker $w: try $try ended badly"
      done ) >"$WORK/log/crops_$w.log" 2>&1 &
    pids+=($!)
  done
  # the log's check set is the head of the calibration set
  ( mkdir -p "$WORK/crops_check"
    for i in $(seq 1 $(( DEADLINE / 5 ))); do
      for f in $(ls "$WORK"/crops_calibration/*.npz 2>/dev/null | head -n 12); do ln -sf "$f" "$WORK/crops_check/"; done
      [ "$(ls "$WORK/crops_check" | wc -l)" -ge 12 ] && break
      sleep 5
    done ) &
  linker=$!
  wait $trainer
  say "trainer ended with $?; $(left) s left"
  touch "$WORK/poses_train/STOP"
  kill $posing $linker 2>/dev/null
  final=$WORK/train/final.pt; [ -e "$final" ] || final=$WORK/train/checkpoint.pt
  if [ ! -e "$final" ]; then echo "nothing was trained" >"$WORK/OVER"; return 1; fi
  cp "$final" "$WORK/result/lower_leg.pt"
  # the network file first: calibration can be repeated elsewhere
  timeout $(( $(left) > 30 ? $(left) - 5 : 25 )) $PYTHON -W ignore export.py --model "$final" --onnx "$WORK/result/lower_leg.onnx" >"$WORK/log/export.log" 2>&1
  cat "$WORK/log/export.log"
  made=$($PYTHON -c 'import json,sys,time,torch,numpy;print(json.dumps({"command":"scripts/train/device_run.sh","seed":int(sys.argv[1]),"size":sys.argv[2],"torch":torch.__version__,"numpy":numpy.__version__,"device":torch.cuda.get_device_name() if torch.cuda.is_available() else "cpu","date":time.strftime("%Y-%m-%d"),"last":json.loads(open(sys.argv[3]).read().splitlines()[-1])}))' "$SEED" "$SIZE" "$WORK/train/train.jsonl")
  timeout $(( $(left) > 40 ? $(left) - 10 : 30 )) $PYTHON -W ignore calibrate.py --model "$final" --data "$WORK/crops_calibration" --json "$WORK/result/lower_leg.json" --limit "$EVALUATE_LIMIT" --made "$made" >"$WORK/log/calibrate.log" 2>&1
  ( timeout $(( $(left) > 40 ? $(left) - 10 : 30 )) $PYTHON -W ignore look.py --data "$WORK/crops_test" --out "$WORK/result/sheets.jpg" --count 48 --columns 8 --model "$final" >"$WORK/log/look.log" 2>&1 ) &
  for how in "" "--unknown" "--damaged"; do
    [ "$(left)" -gt 15 ] || break
    echo "==== test split $how"
    timeout $(( $(left) - 5 )) $PYTHON -W ignore evaluate.py --model "$final" --json "$WORK/result/lower_leg.json" --data "$WORK/crops_test" --limit "$EVALUATE_LIMIT" --out "$WORK/result/figures${how/--/_}.json" $how 2>&1
  done >"$WORK/result/evaluation.txt"
  wait $! 2>/dev/null
  tar czf "$WORK/result/figures.tar.gz" -C "$WORK/result" $(cd "$WORK/result" && ls | grep '^figures.*json$') 2>/dev/null
  for p in "${pids[@]}"; do kill "$p" 2>/dev/null; done
  say "job ends, $(left) s left"
  echo "trained and exported" >"$WORK/OVER"
}

case "${1:-}" in
  start)
    mkdir -p "$WORK/log"
    [ "${TINY:-0}" = 1 ] || unpack
    export WORK PYTHON DEADLINE SEED
    # the job runs from a copy: the tree may be sent anew with every command
    mkdir -p "$WORK/code/scripts" "$WORK/code/.data"
    cp -r "$root/scripts/train" "$root/scripts/scenes" "$WORK/code/scripts/"
    cp "$SHANKLINE_BODY_MODEL" "$WORK/code/.data/body_model.npz"
    export SHANKLINE_BODY_MODEL=$WORK/code/.data/body_model.npz
    setsid nohup bash "$WORK/code/scripts/train/device_run.sh" job >"$WORK/log/job.log" 2>&1 </dev/null &
    watch "${2:-560}" ;;
  watch) watch "${2:-560}" ;;
  job) job ;;
  *) sed -n 2,12p "$0"; exit 2 ;;
esac

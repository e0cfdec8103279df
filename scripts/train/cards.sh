#!/usr/bin/env bash
# One or two networks (SIZES, at most two) trained side by side on the same rendered crops, on a machine with one graphics card or more.
#
#   cards.sh start SECONDS   unpack, start the job in the background, watch it for SECONDS
#   cards.sh watch SECONDS   watch it on; what is there comes back in $OUT
#   cards.sh send            path-traced crops that have not come back yet, for other trainings (start and watch bring some back, too), as parts of a tar to be put together with cat
#   cards.sh bring           takes what was carried in .traced/ (shards of path-traced crops) and .bundle/ (parts of a packed path tracer, see BUNDLE_PARTS) to the job
#
# The job outlives the command that started it (own process session): render first (all processors), then train (all cards), then calibrate
# and judge both on bodies, carpets and lights never trained on, with whole-frame stills drawn beside it. It is over DEADLINE seconds after its start.
# Path-traced crops join as they come: what `bring` brings, and, once the rasteriser has ended and all BUNDLE_PARTS parts (an xz'd tar holding pt/python3.11, split)
# are there, what TRACERS processes trace until the training ends, and CARD_TRACERS more on the last card (VIEWS cameras a scene; give that card no training).
# RESUME0, RESUME1: checkpoints (in the tree or carried) that the trainings start from: start_from.py's, or earlier ones with RATE lower than the usual 2e-3 (or RATES, one for each); POSE_SEED: other bodies and crops than the last time.
# TINY=1: a rehearsal on a processor.
set -u
here=$(cd "$(dirname "$0")" && pwd); root=$(cd "$here/../.." && pwd)
DEADLINE=${DEADLINE:-1500} RENDER=${RENDER:-420} FINISH=${FINISH:-110} WORKERS=${WORKERS:-14} CARDS=${CARDS:-1} ENOUGH=${ENOUGH:-108000}
CAPACITY=${CAPACITY:-110000} HELD=${HELD:-520} STILLS=${STILLS:-85} PER_POSE=${PER_POSE:-6} CHUNK=${CHUNK:-1024} FILE=${FILE:-32} BATCH=${BATCH:-256} SIZES=${SIZES:-"full heavy"} POSERS=${POSERS:-1} TRACERS=${TRACERS:-15} CARD_TRACERS=${CARD_TRACERS:-0} BUNDLE_PARTS=${BUNDLE_PARTS:-0} TRACED_ROOM=${TRACED_ROOM:-0} TRACED_TIMES=${TRACED_TIMES:-4} VIEWS=${VIEWS:-1} HIGH_TIMES=${HIGH_TIMES:-1} DEVICE=cuda LIGHT= COMPILE="--compile --compile-limit-s 180"
PYTHON=${PYTHON:-python3}
if [ "${TINY:-0}" = 1 ]; then
  DEADLINE=${TINY_DEADLINE:-420} RENDER=230 FINISH=110 WORKERS=2 ENOUGH=60 CAPACITY=80 HELD=6 STILLS=2 PER_POSE=2 CHUNK=6 FILE=3 BATCH=8 SIZES=${TINY_SIZES:-"tiny tiny"} TRACERS=1 DEVICE=cpu LIGHT=--light COMPILE=
fi
if [ -z "${WORK:-}" ]; then
  WORK=/tmp/shankline-two; { [ -d /dev/shm/shankline-two ] || [ "$(df -m --output=avail /dev/shm | tail -n 1)" -gt $(( CAPACITY * 45 / 100 )) ]; } && WORK=/dev/shm/shankline-two
fi
export OMP_NUM_THREADS=1 PYTHONUNBUFFERED=1 SHANKLINE_BODY_MODEL=${SHANKLINE_BODY_MODEL:-$root/.data/body_model.npz} WORK
[ -d "$WORK/site" ] && export PYTHONPATH=$WORK/site
if ! ls /usr/share/glvnd/egl_vendor.d/*nvidia* >/dev/null 2>&1 && [ -e /usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json ]; then
  export __EGL_VENDOR_LIBRARY_FILENAMES=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
fi
say() { echo "[$(date +%H:%M:%S)] $*"; }
# runs a command on card $1 of CARDS (drawing and computing), its words into log/$2
on() { local card=$(( $1 % CARDS )) log=$WORK/log/$2.log; shift 2
  if [ "$DEVICE" = cuda ]; then CUDA_VISIBLE_DEVICES=$card SHANKLINE_EGL_DEVICE=$card "$@" >>"$log" 2>&1; else "$@" >>"$log" 2>&1; fi; }

collect() {
  [ -e "$WORK/results.tar.gz" ] && cp "$WORK/results.tar.gz" "$OUT/" || (cd "$WORK" && tar czf "$OUT/results.tar.gz" log train?/train.jsonl 2>/dev/null)
  for i in 0 1; do
    # a file of more than 16 MiB would not come back: in two parts, to be put together with cat
    for f in final checkpoint; do [ -e "$WORK/train$i/${f}_half.pt" ] && split -b 14M "$WORK/train$i/${f}_half.pt" "$OUT/train$i.pt." && break; done
    for s in test calibration; do [ -e "$WORK/stills_${s}_$i.tar" ] && cp "$WORK/stills_${s}_$i.tar" "$OUT/"; done
  done
  [ -e "$WORK/OVER" ] || pack_traced 2
  ls -la "$OUT"
}

# path-traced crops that were made here and not sent yet, as many as go into $1 parts of at most 15 MiB of one tar
pack_traced() {
  touch "$WORK/sent"
  (cd "$WORK/traced/crops" && ls | grep '^traced_.*npz$' | grep -vxFf "$WORK/sent" | xargs -r stat -c '%s %n' | awk -v room=$(( $1 * 15 * 1048576 - 10240 )) '(room -= $1 + 1024) > 0 { print $2 }') >"$WORK/sending"
  [ -s "$WORK/sending" ] && tar c -C "$WORK/traced/crops" -T "$WORK/sending" | split -b 15M - "$OUT/traced_$(wc -l <"$WORK/sent").tar." && cat "$WORK/sending" >>"$WORK/sent"
  say "path-traced shards sent so far: $(wc -l <"$WORK/sent") of $(ls "$WORK/traced/crops" | grep -c '^traced_')"
}

watch() {
  local until=$(( $(date +%s) + $1 )) last=0
  while [ "$(date +%s)" -lt "$until" ] && [ ! -e "$WORK/OVER" ]; do
    if [ $(( $(date +%s) - last )) -ge "${EVERY:-20}" ]; then
      last=$(date +%s)
      say "poses $(ls "$WORK"/poses | grep -c 'pose$') shards $(ls "$WORK"/crops | grep -c npz) held-out $(ls "$WORK"/held_*/ | grep -c npz) traced $(ls "$WORK"/traced/crops | grep -c npz) stills $(ls "$WORK"/stills_*/ 2>/dev/null | grep -c jpg)" \
        "| $(tail -qn 1 "$WORK"/log/train0.log 2>/dev/null | cut -c1-230) | $(tail -qn 1 "$WORK"/log/train1.log 2>/dev/null | cut -c1-230)"
    fi
    sleep 1
  done
  tail -n 3 "$WORK"/log/{job,crops_0,crops_1,poses_0,poses_1,stills_test_0,trace_0}.log 2>/dev/null | cut -c1-300
  grep -h -i -A4 "traceback\|Error" "$WORK"/log/*.log 2>/dev/null | head -n 30 | cut -c1-200
  [ -e "$WORK/OVER" ] && { say "over: $(cat "$WORK/OVER")"; cut -c1-200 "$WORK"/result/evaluation0.txt 2>/dev/null | head -n 45; }
  collect
}

job() {
  local begin end pids=() trainers=() judges=() sizes=($SIZES) i w
  begin=$(date +%s); end=$(( begin + DEADLINE )); left() { echo $(( end - $(date +%s) )); }
  cd "$here" || exit 1
  say "job starts, $DEADLINE s; $(nproc) processors; $(df -h --output=avail "$WORK" | tail -n 1) free"; nvidia-smi --query-gpu=name,memory.total --format=csv,noheader 2>/dev/null
  i=0
  for s in calibration test; do
    ( on $i poses_$s $PYTHON produce.py poses --split $s --out "$WORK/poses_$s" --count "$HELD" --chunk "$HELD" --file "$FILE" --device $DEVICE --seed 5
      [ "$STILLS" -gt 0 ] && for k in 0 1; do
        on $i stillposes_$s $PYTHON produce.py poses --split $s --out "$WORK/still_poses_${s}_$k" --count $(( STILLS * 2 )) --chunk $(( STILLS * 2 )) --file 64 --others 0 --device $DEVICE --seed $(( 20 + k ))
      done ) &
    i=$(( i + 1 ))
  done
  for i in $(seq 0 $(( CARDS * POSERS - 1 ))); do
    on $i poses_$i $PYTHON produce.py poses --split train --out "$WORK/poses" --first $(( i * 50000 )) --count 10000000 --chunk "$CHUNK" --file "$FILE" --device $DEVICE --seed $(( ${POSE_SEED:-3} + i )) & pids+=($!)
  done
  for w in $(seq 0 $(( WORKERS - 1 ))); do
    ( s=calibration; [ $(( w % 4 / 2 )) = 1 ] && s=test
      on $w crops_$w nice $PYTHON produce.py crops --split $s --poses "$WORK/poses_$s" --out "$WORK/held_$s" --worker $w --per-pose $PER_POSE --per-mesh $PER_POSE --seed 5 --seconds $(( RENDER / 2 )) $LIGHT
      on $w crops_$w nice $PYTHON produce.py crops --split train --poses "$WORK/poses" --out "$WORK/crops" --worker $w --per-pose $PER_POSE --per-mesh $PER_POSE --seed "${POSE_SEED:-3}" --seconds $(( RENDER )) $LIGHT ) & pids+=($!)
  done
  rates=(${RATES:-})
  for i in "${!sizes[@]}"; do
    resume=(); [ -e "$WORK/resume$i.pt" ] && resume=(--resume "$WORK/resume$i.pt")
    on $i train$i $PYTHON train.py --data "$WORK/crops" --check "$WORK/held_calibration" --out "$WORK/train$i" --seconds $(( $(left) - FINISH )) --size "${sizes[$i]}" --batch $BATCH --rate "${rates[$i]:-${RATE:-2e-3}}" --traced "$WORK/traced/crops" --traced-room "$TRACED_ROOM" --traced-times "$TRACED_TIMES" --high-times "$HIGH_TIMES" \
      --average 0.999 --capacity $CAPACITY --check-capacity 1500 --least $(( CAPACITY / 8 )) --wait-for "$WORK/poses/STOP" --checkpoint-s 60 --seed $(( ${SEED:-7} + i )) $COMPILE "${resume[@]}" & trainers+=($!)
  done
  while [ $(( $(date +%s) - begin )) -lt "$RENDER" ]; do
    sleep 2
    [ $(( $(ls "$WORK/crops" | grep -c npz) * FILE * PER_POSE )) -ge "$ENOUGH" ] && break
    [ "$(df -m --output=avail "$WORK" | tail -n 1)" -lt 9000 ] && { say "the disk is nearly full"; break; }
  done
  touch "$WORK/poses/STOP"; say "rendering ends: $(ls "$WORK/crops" | grep -c npz) shards, $(left) s left"
  sleep 4; for w in "${pids[@]}"; do pkill -P "$w" 2>/dev/null; kill "$w" 2>/dev/null; done
  [ "$BUNDLE_PARTS" -gt 0 ] && for w in $(seq 0 $(( TRACERS + CARD_TRACERS - 1 ))); do
    ( until [ -x "$WORK/pt/python3.11" ] || [ "$(left)" -lt $(( FINISH + 120 )) ]; do sleep 1; done
      mkdir -p "$WORK/tmp"; export TMPDIR=$WORK/tmp BPY=$WORK/pt/python3.11 SEED=${POSE_SEED:-3} PYTHON VIEWS DEVICE=CPU
      [ "$w" -ge "$TRACERS" ] && export DEVICE=CUDA CUDA_VISIBLE_DEVICES=$(( CARDS - 1 ))
      nice -n 15 bash "$root/scripts/pathtrace/produce.sh" "$WORK/traced" "$w" $(( $(left) - FINISH - 60 )) >"$WORK/log/trace_$w.log" 2>&1 ) &
  done
  [ "$STILLS" -gt 0 ] && for i in 0 1; do for s in test calibration; do
    ( on $i stills_${s}_$i nice $PYTHON "$root/scripts/bench/make_stills.py" --poses "$WORK/still_poses_${s}_$i" --split $s --count "$STILLS" --out "$WORK/stills_${s}_$i" --seed $(( 40 + i )) --limit-mb 9.4
      tar cf "$WORK/$s$i.tmp" -C "$WORK" "stills_${s}_$i" && mv "$WORK/$s$i.tmp" "$WORK/stills_${s}_$i.tar" ) &
  done; done
  wait "${trainers[@]}"; touch "$WORK/traced/STOP"; say "training ends, $(left) s left"
  for i in "${!sizes[@]}"; do
    ( m=$WORK/train$i/final.pt; [ -e "$m" ] || m=$WORK/train$i/checkpoint.pt
      made=$($PYTHON -c 'import json,sys,time,torch,numpy;print(json.dumps({"command":"scripts/train/cards.sh","size":sys.argv[1],"torch":torch.__version__,"numpy":numpy.__version__,"device":torch.cuda.get_device_name() if torch.cuda.is_available() else "cpu","date":time.strftime("%Y-%m-%d"),"last":json.loads(open(sys.argv[2]).read().splitlines()[-1])}))' "${sizes[$i]}" "$WORK/train$i/train.jsonl")
      on $i calibrate$i timeout 60 $PYTHON -W ignore calibrate.py --model "$m" --data "$WORK/held_calibration" --json "$WORK/result/lower_leg$i.json" --made "$made"
      for how in "" --unknown --damaged; do
        echo "==== test split $how"
        CUDA_VISIBLE_DEVICES=$(( i % CARDS )) timeout 40 $PYTHON -W ignore evaluate.py --model "$m" --json "$WORK/result/lower_leg$i.json" --data "$WORK/held_test" --out "$WORK/result/figures$i${how/--/_}.json" $how 2>&1
      done >"$WORK/result/evaluation$i.txt" ) &
    judges[$i]=$!
  done
  wait "${judges[@]}"
  (cd "$WORK" && tar czf results.tmp log result train?/train.jsonl && mv results.tmp results.tar.gz)
  say "job ends, $(left) s left"; echo "done" >"$WORK/OVER"
}

case "${1:-}" in
  start)
    rm -rf "$WORK"; mkdir -p "$WORK"/{log,result,crops,poses,held_calibration,held_test,train0,train1,traced/crops,bundle,code/scripts,code/.data}
    if [ "$DEVICE" = cuda ]; then
      for f in "$root"/.gl/*.deb; do dpkg -x "$f" /; done; ldconfig
      $PYTHON -m pip install -q --no-index --no-deps --no-compile --no-cache-dir --upgrade --target "$WORK/site" "$root"/.whl/*.whl
    fi
    [ -n "${RESUME0:-}" ] && cp "$root/$RESUME0" "$WORK/resume0.pt"
    [ -n "${RESUME1:-}" ] && cp "$root/$RESUME1" "$WORK/resume1.pt"
    # from a copy: the tree is sent anew with every command
    cp -r "$root"/scripts/{train,scenes,bench,pathtrace} "$WORK/code/scripts/"; cp "$SHANKLINE_BODY_MODEL" "$WORK/code/.data/body_model.npz"
    SHANKLINE_BODY_MODEL=$WORK/code/.data/body_model.npz setsid nohup bash "$WORK/code/scripts/train/cards.sh" job >"$WORK/log/job.log" 2>&1 </dev/null &
    watch "${2:-560}" ;;
  watch) watch "${2:-560}" ;;
  bring)
    for f in "$root"/.traced/*.npz; do
      [ -e "$f" ] && { cp "$f" "$WORK/traced/crops/.part"; mv "$WORK/traced/crops/.part" "$WORK/traced/crops/$(basename "$f")"; }
    done
    for f in "$root"/.bundle/part_*; do [ -e "$f" ] && cp "$f" "$WORK/bundle/"; done
    say "traced shards $(ls "$WORK/traced/crops" | grep -c npz), parts of the path tracer $(ls "$WORK/bundle" | grep -c part_) of $BUNDLE_PARTS"
    if [ "$BUNDLE_PARTS" -gt 0 ] && [ "$(ls "$WORK/bundle" | grep -c part_)" = "$BUNDLE_PARTS" ] && [ ! -e "$WORK/pt" ]; then
      cat "$WORK"/bundle/part_* | xz -dc -T0 | tar x -C "$WORK/bundle" && mv "$WORK/bundle/pt" "$WORK/pt" && rm "$WORK"/bundle/part_*
      "$WORK/pt/python3.11" -c 'import bpy; print("bpy", bpy.app.version_string)' && say "the path tracer is there"
    fi ;;
  send) pack_traced 4; ls -la "$OUT" ;;
  job) job ;;
  *) sed -n 2,14p "$0"; exit 2 ;;
esac

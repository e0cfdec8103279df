#!/usr/bin/env bash
# Clips an hour and peak memory of `shankline screen` over a folder of short clips, against the same number of separate `shankline check` runs.
#
# Usage: [JOBS="1 2"] benches/screen_folder.sh PROGRAM [CLIPS=200] [SECONDS_A_CLIP=1.5]
#
# The clips are cut from a shipped clip, from 0.8 s on (the stance is still from 0.93 s), each with other content at its end. Peak memory of a tree of processes is sampled four times a second.
set -euo pipefail
program=$(realpath "$1"); clips=${2:-200}; seconds=${3:-1.5}
here=$(cd "$(dirname "$0")/.." && pwd)
scratch=$(mktemp -d); trap 'rm -rf "$scratch"' EXIT
mkdir "$scratch/clips"
ffmpeg -v error -y -ss 0.8 -i "$here/fixtures/clips/calf60-low.mp4" -t "$seconds" -c:v libx264 -crf 20 -pix_fmt yuv420p "$scratch/base.mp4"
for k in $(seq -w 1 "$clips"); do
  # A box of free space at the end (ISO/IEC 14496-12, 8.1.2) makes each file another content.
  { cat "$scratch/base.mp4"; printf '\0\0\0\014free%04d' "$((10#$k))"; } > "$scratch/clips/$k.mp4"
done

tree() { # the process and all below it
  echo "$1"; for c in $(cat /proc/"$1"/task/*/children 2>/dev/null); do tree "$c"; done
}
peak_of() { # runs a command, prints seconds and the largest sum of resident memory of its tree, MiB
  local peak=0 start end pid rss
  start=$(date +%s.%N)
  "$@" > "$scratch/said" 2>&1 & pid=$!
  while kill -0 "$pid" 2>/dev/null; do
    rss=0; for p in $(tree "$pid"); do r=$(awk '/^VmRSS/{print $2}' /proc/"$p"/status 2>/dev/null || true); rss=$((rss + ${r:-0})); done
    [ "$rss" -gt "$peak" ] && peak=$rss
    sleep 0.25
  done
  wait "$pid"; end=$(date +%s.%N)
  awk -v s="$start" -v e="$end" -v p="$peak" -v n="$clips" 'BEGIN { t = e - s; printf "%.0f s, %.0f clips an hour, peak %.0f MiB\n", t, 3600 * n / t, p / 1024 }'
}
one_by_one() { for f in "$scratch"/clips/*.mp4; do "$program" check "$f" --out "$scratch/checks/$(basename "$f" .mp4)" > /dev/null || return 1; done; }

echo "$clips clips of $seconds s, $(nproc --all) cores, load before: $(cut -d' ' -f1-3 /proc/loadavg)"
for jobs in ${JOBS:-1 2}; do
  rm -rf "$scratch/out"
  printf 'screen --jobs %s: ' "$jobs"; peak_of "$program" screen "$scratch/clips" --jobs "$jobs" --out "$scratch/out"
  rows=$(grep -c '' "$scratch/out/screen.csv"); [ "$rows" -gt "$clips" ] || { echo "only $rows lines in the table" >&2; exit 1; }
done
printf 'screen again, nothing to do: '; peak_of "$program" screen "$scratch/clips" --out "$scratch/out"
printf 'check, one by one: '; peak_of one_by_one

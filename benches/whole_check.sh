#!/usr/bin/env bash
# Speed and memory of the whole check beside ffmpeg's decode alone, on 1080p clips of growing length made from a shipped clip.
#
#   benches/whole_check.sh PROGRAM CLIP [SECONDS...]      default 5 20
#
# Prints for each length: frames, decode alone (wall s), whole check (wall s, processor s, peak resident MiB).
set -euo pipefail
program=$(realpath "$1"); clip=$(realpath "$2"); shift 2
lengths=("$@"); [ ${#lengths[@]} -gt 0 ] || lengths=(5 20)
work=$(mktemp -d); trap 'rm -rf "$work"' EXIT
echo "seconds frames decode_wall_s check_wall_s check_processor_s peak_mib"
for seconds in "${lengths[@]}"; do
  ffmpeg -v error -stream_loop -1 -i "$clip" -t "$seconds" -vf scale=1920:1080 -c:v libx264 -preset ultrafast -crf 20 -an "$work/$seconds.mp4"
  python3 - "$program" "$work/$seconds.mp4" "$work/out" "$seconds" <<'P'
import json, os, resource, subprocess, sys, time
program, clip, out, seconds = sys.argv[1:]
a = time.time(); subprocess.run(["ffmpeg", "-v", "error", "-i", clip, "-f", "null", "-"], check=True); decode = time.time() - a
before = resource.getrusage(resource.RUSAGE_CHILDREN)
a = time.time(); subprocess.run([program, "check", clip, "--out", out, "--json", out + ".json"], check=True, stdout=subprocess.DEVNULL); wall = time.time() - a
after = resource.getrusage(resource.RUSAGE_CHILDREN)
answer = json.load(open(out + ".json"))
answer = answer[0] if isinstance(answer, list) else answer
print(seconds, answer["input"]["frames_read"], f"{decode:.1f} {wall:.1f} {after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime:.1f} {after.ru_maxrss / 1024:.0f}", flush=True)
P
done

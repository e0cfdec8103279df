#!/usr/bin/env bash
# Speed and memory of the whole check beside ffmpeg's decode alone and the networks alone, on 1080p clips of growing length made from a shipped clip.
#
#   cargo build --release --bin shankline --example networks_alone
#   benches/whole_check.sh TARGET/release CLIP [SECONDS...]      default 5 20 60
#
# Prints for each length: frames, wall seconds of decoding alone, of the networks alone (up to 20 s of clip, one thread; beyond that nothing), of the whole check with its
# report; the check's processor seconds and peak resident MiB.
set -euo pipefail
built=$(realpath "$1"); clip=$(realpath "$2"); shift 2
lengths=("$@"); [ ${#lengths[@]} -gt 0 ] || lengths=(5 20 60)
work=$(mktemp -d); trap 'rm -rf "$work"' EXIT
echo "seconds frames decode_s networks_s check_s check_processor_s peak_mib load"
for seconds in "${lengths[@]}"; do
  ffmpeg -v error -stream_loop -1 -i "$clip" -t "$seconds" -vf scale=1920:1080 -c:v libx264 -preset ultrafast -crf 20 -an "$work/$seconds.mp4"
  python3 - "$built" "$work/$seconds.mp4" "$work/out" "$seconds" <<'P'
import json, os, resource, subprocess, sys, time
built, clip, out, seconds = sys.argv[1:]
load = os.getloadavg()[0]
a = time.time(); subprocess.run(["ffmpeg", "-v", "error", "-i", clip, "-f", "rawvideo", "-pix_fmt", "rgb24", "-y", "/dev/null"], check=True); decode = time.time() - a
networks = "-"
if float(seconds) <= 20:
    networks = subprocess.run([built + "/examples/networks_alone", clip], check=True, capture_output=True, text=True).stdout.split()[1]
before = resource.getrusage(resource.RUSAGE_CHILDREN)
a = time.time()
check = subprocess.Popen([built + "/shankline", "check", clip, "--out", out, "--json", out + ".json"], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(check.pid, 0)
wall = time.time() - a
assert status == 0, "the check failed"
answer = json.load(open(out + ".json"))
answer = answer[0] if isinstance(answer, list) else answer
print(seconds, answer["input"]["frames_read"], f"{decode:.1f} {networks} {wall:.1f} {used.ru_utime + used.ru_stime:.1f} {used.ru_maxrss / 1024:.0f} {load:.1f}", flush=True)
P
done

#!/usr/bin/env bash
# Runs `shankline screen` as a batch system's array would: every task with its own number, all at once, then joined twice; the second joining must change nothing.
#
# Usage: scripts/screen_array.sh PROGRAM FOLDER OUT [TASKS=4]
#
# With GNU parallel where it is installed; else as a Slurm array's tasks see it (SLURM_ARRAY_TASK_ID). On Slurm the same line is
#   sbatch --array=1-4 --wrap 'shankline screen FOLDER --shard "$SLURM_ARRAY_TASK_ID/4" --out OUT'
# and in a Kubernetes Job of completion mode Indexed the shard is "$((JOB_COMPLETION_INDEX + 1))/N".
set -euo pipefail
program=$(realpath "$1"); folder=$2; out=$3; tasks=${4:-4}
if command -v parallel > /dev/null; then
  echo "GNU parallel, $tasks tasks"
  parallel --will-cite "$program" screen "$folder" --jobs 1 --shard "{}/$tasks" --out "$out" ::: $(seq "$tasks")
else
  echo "$tasks tasks with SLURM_ARRAY_TASK_ID"
  for id in $(seq "$tasks"); do
    SLURM_ARRAY_TASK_ID=$id bash -c '"$0" screen "$1" --jobs 1 --shard "$SLURM_ARRAY_TASK_ID/$3" --out "$2"' "$program" "$folder" "$out" "$tasks" &
  done
  wait
fi
"$program" screen --merge --out "$out"
sum() { sha256sum "$out"/screen.csv "$out"/screen.parquet "$out"/index.html; }
once=$(sum)
"$program" screen --merge --out "$out"
[ "$once" = "$(sum)" ] || { echo "joining again changed the tables" >&2; exit 1; }
echo "joined twice, the same files"

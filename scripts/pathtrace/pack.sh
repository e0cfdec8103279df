#!/usr/bin/env bash
# Packs the path tracer (.venv-bpy) for a machine that nothing can be fetched on: FOLDER/part_aa, part_ab, ... to be put together with cat, an xz'd tar of a folder
# `pt` whose pt/python3.11 runs render.py. Needs gcc. About 180 MB; what is not wanted for tracing on processors (kernels of graphics cards, add-ons) stays behind.
#
#   [PTXAS=PROGRAM CARD=sm_90] pack.sh FOLDER [PARTS=3]
#
# With PTXAS (of PyPI's nvidia-cuda-nvcc-cu12) the kernels for one kind of card come along, made from the PTX that bpy ships: bpy has none for newer cards,
# and the driver would take minutes on each machine. Takes some minutes here, too.
set -euo pipefail
out=$1 parts=${2:-3}
here=$(cd "$(dirname "$0")" && pwd); root=$(cd "$here/../.." && pwd)
work=$(mktemp -d); trap 'rm -rf "$work"' EXIT
pt=$work/pt; mkdir -p "$out" "$pt/sys" "$pt/python/bin" "$pt/python/lib" "$pt/site/bpy/4.2/scripts/addons_core" "$pt/site/bpy/4.2/datafiles"
# every library that is in memory once a picture has been traced, and where Python and its packages lie
"$root/.venv-bpy/bin/python" - "$work" >"$work/said" 2>&1 <<'EOF'
import os, sys, sysconfig
import bpy, numpy
bpy.context.scene.render.engine = "CYCLES"
bpy.context.scene.cycles.samples, bpy.context.scene.cycles.use_denoising = 1, True
bpy.context.scene.render.resolution_x = bpy.context.scene.render.resolution_y = 16
bpy.context.scene.render.filepath = sys.argv[1] + "/picture.png"
bpy.ops.render.render(write_still=True)
libraries = {line.split()[-1] for line in open("/proc/self/maps") if ".so" in line}
open(sys.argv[1] + "/libraries", "w").write("\n".join(sorted(libraries)))
open(sys.argv[1] + "/places", "w").write("\n".join([os.path.dirname(os.path.dirname(numpy.__file__)), sysconfig.get_paths()["stdlib"], os.path.realpath(sys.executable)]))
EOF
{ read -r site; read -r standard; read -r python; } <"$work/places" || true
cp -L "$python" "$pt/python/bin/python3.11"
cp -r "$standard" "$pt/python/lib/"; (cd "$pt/python/lib/python3.11" && rm -rf site-packages test idlelib tkinter lib2to3 ensurepip turtledemo pydoc_data config-3.11*)
cp -r "$site/numpy" "$site/numpy.libs" "$pt/site/"; rm -rf "$pt"/site/numpy/*/tests "$pt/site/numpy/f2py"
cp -r "$site"/bpy/4.2/scripts/{modules,startup} "$pt/site/bpy/4.2/scripts/"; cp -r "$site/bpy/4.2/scripts/addons_core/cycles" "$pt/site/bpy/4.2/scripts/addons_core/"
cp -r "$site"/bpy/4.2/datafiles/{studiolights,fonts,colormanagement} "$pt/site/bpy/4.2/datafiles/"
kernels=$pt/site/bpy/4.2/scripts/addons_core/cycles/lib
rm -rf "$kernels"
if [ -n "${PTXAS:-}" ]; then
  mkdir "$kernels"; zstd -qdc "$site/bpy/4.2/scripts/addons_core/cycles/lib/kernel_compute_75.ptx.zst" >"$work/kernels.ptx"
  "$PTXAS" -arch="${CARD:-sm_90}" -O3 "$work/kernels.ptx" -o "$work/kernels.cubin"
  zstd -q -19 "$work/kernels.cubin" -o "$kernels/kernel_${CARD:-sm_90}.cubin.zst"; cp "$site"/bpy/4.2/scripts/addons_core/cycles/lib/kernel_optix.ptx.zst "$kernels/"
fi
rm -rf "$pt"/site/bpy/4.2/datafiles/fonts/Noto*CJK*; find "$pt" -name __pycache__ -prune -exec rm -rf {} +
while read -r library; do
  case $library in
    "$site"/*) to=$pt/site/${library#"$site"/}; mkdir -p "$(dirname "$to")"; cp -L "$library" "$to" ;;
    */ld-linux*|*/libc.so*|*/libm.so*|*/libdl.so*|*/libpthread.so*|*/librt.so*|*/libutil.so*|"$standard"/*) ;;
    *) cp -L "$library" "$pt/sys/$(basename "$library")" ;;
  esac
done <"$work/libraries"
# libraries go by the name that others ask for
for library in "$pt"/sys/*; do name=$(objdump -p "$library" | awk '/SONAME/ {print $2}'); [ -z "$name" ] || [ -e "$pt/sys/$name" ] || mv "$library" "$pt/sys/$name"; done
# the kernels for one maker's cards are 137 MB that are linked but never called here: a library with the same names stands for them
stub=$pt/site/bpy/lib/libcycles_kernel_oneapi_aot.so
if [ -e "$stub" ]; then
  nm -D --defined-only "$stub" | awk '$2 == "T" && $3 ~ /^oneapi_/ {print "long " $3 "(void) { return 0; }"}' >"$work/stub.c"
  gcc -shared -fPIC -Wl,-soname,"$(basename "$stub")" -o "$stub" "$work/stub.c"
fi
strip --strip-unneeded "$pt"/site/bpy/lib/*.so* "$pt/site/bpy/__init__.so"
cat >"$pt/python3.11" <<'EOF'
#!/bin/sh
here=$(cd "$(dirname "$0")" && pwd)
export PYTHONHOME=$here/python PYTHONPATH=$here/site LD_LIBRARY_PATH=$here/sys${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}
exec "$here/python/bin/python3.11" "$@"
EOF
chmod +x "$pt/python3.11"
tar c -C "$work" pt | xz -7 -T0 >"$work/packed"
rm -f "$out"/part_*; split -n "$parts" "$work/packed" "$out/part_"
ls -l "$out"

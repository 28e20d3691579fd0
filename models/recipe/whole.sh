#!/bin/sh
# From texts to trained networks on all GPUs of a machine, in one go:
#
#   sh whole.sh KOKORO tokens.json OUT [SAYING TRAINING [PACK...]]
#
# KOKORO holds network.onnx and voices.npz; tokens.json comes from `kokoro.py tokens`. SAYING: seconds in
# which clips are said (600), TRAINING: minutes of training (9), PACK: clips said before, such as
# Festival's and Pico's. eSpeak NG and Flite must be in PATH.
# OUT gets own.pt and shared.pt, each of the whole of a training, and their logs; `export.py` stands
# them side by side. QUICK=1 for a trial without a GPU.
set -eu
kokoro=$1 tokens=$2 out=$3 saying=${4:-600} training=${5:-9}
shift "$(($# < 5 ? $# : 5))"
cores=$(nproc)
export KOKORO_HOME="$kokoro" OMP_NUM_THREADS=1 # after nproc, which heeds it
gpus=$(python -c 'import torch; print(max(torch.cuda.device_count(), 1))')
packs=$(mktemp -d)
mkdir -p "$out"

python - "$tokens" "$packs" "$gpus" <<'DEAL'
import json, sys
from pathlib import Path
source, packs, gpus = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
pairs = json.loads(source.read_text())
for k in range(gpus):
    (packs / f"tokens-{k}").write_text(json.dumps(pairs[k::gpus]))
DEAL
python speakers.py espeak $((saying * cores / 2 + 8)) 61 "$packs/espeak" $((cores / 4 + 1)) &
python speakers.py flite $((saying * cores / 8 + 8)) 62 "$packs/flite" $((cores / 8 + 1)) &
for gpu in $(seq 0 $((gpus - 1))); do
    CUDA_VISIBLE_DEVICES=$gpu python kokoro.py say "$packs/tokens-$gpu" "$packs/kokoro$gpu" \
        $((cores / 2 / gpus + 1)) "$saying" &
done
wait

for sounds in own shared; do
    case $sounds in own) gpu=0 ;; *) gpu=$((gpus - 1)) ;; esac
    SOUNDS=$sounds CUDA_VISIBLE_DEVICES=$gpu python train.py --packs "$packs"/*.ogg "$@" --seed 4$gpu \
        --minutes "$training" --workers $((cores / 3)) ${QUICK:+--quick} \
        --out "$out/$sounds.pt" > "$out/$sounds.log" 2>&1 &
done
wait
ls -l "$out/own.pt" "$out/shared.pt"

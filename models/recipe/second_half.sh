#!/bin/sh
# Go on with a half trained network on one large GPU, by two seeds, in one call of ten minutes:
#
#   sh second_half.sh earlier.pt KOKORO tokens.json OUT [SAYING TRAINING]
#
# KOKORO holds network.onnx and voices.npz, tokens.json comes from `kokoro.py tokens`. SAYING: seconds
# in which new clips are said (180), TRAINING: minutes of training (4.5). With SOUNDS=shared in the
# environment for a network of shared phones. OUT gets a-5.pt, a-6.pt and their logs.
set -eu
earlier=$1 tokens=$3 out=$4 saying=${5:-180} training=${6:-4.5}
export KOKORO_HOME=$2 OMP_NUM_THREADS=1
packs=$(mktemp -d)
cores=$(nproc)
python speakers.py espeak $((saying * cores / 2)) 51 "$packs/espeak" $((cores / 4 + 1)) &
speakers=$!
python kokoro.py say "$tokens" "$packs/kokoro" $((cores / 2 + 1)) "$saying"
wait $speakers
for seed in 5 6; do
    python train.py --packs "$packs"/*.ogg --from "$earlier" --span 0.5 1 --seed 4$seed \
        --minutes "$training" --workers $((cores / 3)) ${QUICK:+--quick} \
        --out "$out/a-$seed.pt" > "$out/a-$seed.log" 2>&1 &
done
wait
ls -l "$out"

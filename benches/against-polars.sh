#!/usr/bin/env bash
# loopwork and polars' CSV reader in turn on one file: ratios of time and of processor seconds.
# usage: benches/against-polars.sh FOLDER-OF-LOOPWORK POLARS-READER FILE.csv [PAIRS]   (GNU time, taskset)
# In the folder (target/release) are loopwork and examples/read_only.
set -eu
loopwork=$1 polars=$2 file=$3 pairs=${4:-5}
clock=$(mktemp)
trap 'rm -f "$clock"' EXIT

# one COMMAND…: "seconds processor-seconds megabytes" of a call
one() {
    /usr/bin/time -f '%e %U %S %M' -o "$clock" "$@" >/dev/null 2>&1
    awk '{ printf "%.3f %.3f %.0f", $1, $2 + $3, $4 / 1024 }' "$clock"
}

# Intake alone, then the whole analysis, each held against polars' reading.
compare() {
    local what=$1 threads=$2 i
    shift 2
    for ((i = 0; i < pairs; i++)); do
        if [ "$threads" = 1 ]; then
            # polars keeps a pool as large as it is told here, whatever the reader asks for.
            echo "$(RAYON_NUM_THREADS=1 one taskset -c 0 "$@") $(POLARS_MAX_THREADS=1 one taskset -c 0 "$polars" "$file" 1)"
        else
            echo "$(one "$@") $(one "$polars" "$file")"
        fi
    done | awk -v what="$what, $threads" '
        { t[NR] = $1 / $4; c[NR] = $2 / ($5 ? $5 : 0.01); if (!a || $2 < a) a = $2; if (!b || $5 < b) b = $5; m = $3 > m ? $3 : m; q = $6 > q ? $6 : q }
        function middle(v, n,    i, j, x) {
            for (i = 2; i <= n; i++) for (j = i; j > 1 && v[j] < v[j - 1]; j--) { x = v[j]; v[j] = v[j - 1]; v[j - 1] = x }
            return v[int((n + 1) / 2)]
        }
        END {
            printf "%-28s time %.2f, processor seconds %.2f of polars; least processor s %.2f and %.2f; peak MB %d and %d\n",
                what, middle(t, NR), middle(c, NR), a, b, m, q
        }'
}

cat "$file" >/dev/null
for threads in 1 all; do
    compare 'intake alone' "$threads" "$loopwork/examples/read_only" "$file"
    compare analyze "$threads" "$loopwork/loopwork" analyze --no-report --quiet --json - "$file"
done

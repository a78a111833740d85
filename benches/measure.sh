#!/usr/bin/env bash
# Times and peak memory of whole commands on made files, several times each, the median told.
# usage: benches/measure.sh PATH-OF-LOOPWORK PATH-OF-LONG_LOG FOLDER-FOR-1.2-GB-OF-FILES
# long_log: cargo build --release --no-default-features --example long_log
set -eu
loopwork=$1 long_log=$2 place=$3
mkdir -p "$place"

# median "seconds kilobytes cpu" of N calls
measure() {
    local n=$1 i
    shift
    for ((i = 0; i < n; i++)); do
        /usr/bin/time -f "%e %M %U %S" -o "$place/time" "$@" >/dev/null 2>&1
        cat "$place/time"
    done | sort -n | awk -v n="$n" 'NR == int((n + 1) / 2) { printf "%8.3f s  %7.1f MB  cpu %7.3f s\n", $1, $2 / 1024, $3 + $4 }'
}

for rows in 10000 100000 1000000 20000000; do
    file=$place/$rows.csv
    # Five speeds in every file, whatever its length.
    [ -e "$file" ] || "$long_log" "$rows" "$file" 1000 "$((rows < 300000 ? rows / 5000 : 60))"
    n=$((rows > 5000000 ? 3 : 7))
    printf '%9d rows, all cores   ' "$rows"
    measure "$n" "$loopwork" analyze --no-report --json - "$file"
    printf '%9d rows, one thread  ' "$rows"
    RAYON_NUM_THREADS=1 measure "$n" taskset -c 0 "$loopwork" analyze --no-report --json - "$file"
done
printf '   100000 rows, report      '
measure 5 "$loopwork" analyze --overwrite --report "$place/report" "$place/100000.csv"

if [ ! -d "$place/many" ]; then
    mkdir "$place/many"
    for ((i = 0; i < 1000; i++)); do
        # A different rate makes every file's content its own.
        "$long_log" 20000 "$(printf '%s/many/%04d.csv' "$place" "$i")" "$((900 + i % 200))" 4
    done
fi
for files in 250 500 1000; do
    printf '%9d files of 20000   ' "$files"
    rm -rf "$place/batch"
    find "$place/many" -name '*.csv' | sort | head -n "$files" >"$place/list"
    measure 1 "$loopwork" batch --quiet --paths-from "$place/list" --report "$place/batch"
done

#!/usr/bin/env bash
# Time and peak memory of `loopwork inspect` on files that mean harm or make no sense: each must
# end with exit code 3 and a message, or a correct reading, within 2 s and 256 MB.
# usage: benches/hostile.sh PATH-OF-LOOPWORK FOLDER-FOR-1-GB-OF-FILES   (GNU time, awk, gzip)
set -u
loopwork=$1 place=$2
most_s=2 most_mb=256 failed=0
mkdir -p "$place"
cd "$place" || exit 1

rows() { # rows N [HEADER]: travel and force of a slow sine at 200 Hz
    awk -v n="$1" -v header="${2-time (s),travel (mm),force (N)}" 'BEGIN {
        print header
        for (i = 0; i < n; i++) {
            p = 6.283185307 * i / 200
            printf "%.4f,%.4f,%.3f\n", i / 200, 25 * sin(p), 150 + 300 * cos(p)
        }
    }'
}

# try NAME [ARGUMENT…]: measures one call on NAME.csv, or on what the arguments name.
try() {
    local name=$1 code seconds kilobytes user system said verdict cpu
    shift
    [ $# -gt 0 ] || set -- "$name.csv"
    /usr/bin/time -f '%e %M %U %S' -o time.txt timeout 60 "$loopwork" inspect --json - "$@" >out.txt 2>said.txt
    code=$?
    read -r seconds kilobytes user system < <(tail -n 1 time.txt)
    said=$(grep -m 1 '^error' said.txt | cut -c 1-90)
        [ "$code" = 0 ] && said=$(grep -o '"rows_used": *[0-9]*' out.txt | head -n 1 | tr -d '"')
    cpu=$(awk -v u="$user" -v s="$system" 'BEGIN { printf "%.2f", u + s }')
    # On a machine that others use, the clock says more than the program needs.
    verdict=$(awk -v s="$cpu" -v k="$kilobytes" -v c="$code" -v ms=$most_s -v mm=$most_mb 'BEGIN {
        print (s <= ms && k / 1024 <= mm && (c == 0 || c == 3)) ? "" : "TOO MUCH" }')
    [ -z "$verdict" ] || failed=1
    printf '| %s | %s | %s | %s | %d | %s |%s\n' "$name" "$code" "$seconds" "$cpu" "$((kilobytes / 1024))" "$said" "$verdict"
    rm -f "$name.csv"
}

echo '| file | exit code | s | processor s | peak MB | what is said |'
echo '|---|---|---|---|---|---|'
: >empty.csv; try empty
printf x >one-byte.csv; try one-byte
head -c 3145728 /dev/zero | tr '\0' '\n' >blank-lines.csv; try blank-lines
seq 1 400000 | gzip -1 | tail -c +20 | head -c 1000000 >binary.csv; try binary
head -c 50000000 /dev/zero >zero-bytes.csv; try zero-bytes
rows 2000 | sed '20s/,/\x00\x00,/' >zero-bytes-in-a-row.csv; try zero-bytes-in-a-row
head -c 52428800 /dev/zero | tr '\0' 7 >one-line-of-50-MB.csv; try one-line-of-50-MB
yes 1.5, | head -n 12500000 | tr -d '\n' >one-row-of-50-MB.csv; try one-row-of-50-MB
yes 1.5, | head -n 1900000 | tr -d '\n' >one-row-of-7-MB.csv; try one-row-of-7-MB
awk 'BEGIN { for (r = 0; r < 200; r++) { for (i = 0; i < 10000; i++) printf "%s%s", i ? "," : "", r ? i + r / 10 : "c" i; print "" } }' >ten-thousand-columns.csv
try ten-thousand-columns
awk 'BEGIN { for (r = 0; r < 200; r++) { for (i = 0; i < 10000; i++) printf "%s%s", i ? "," : "", r ? sin(r + i) : "force " i " (N)"; print "" } }' >ten-thousand-forces.csv
try ten-thousand-forces
{ head -c 400000 /dev/zero | tr '\0' '"'; echo; rows 2000; } >deep-quotes.csv; try deep-quotes
rows 200000 | sed '20s/,/,"/' >quote-never-closed.csv; try quote-never-closed
rows 2000 | sed 's/,25\./,1e308/' >numbers-of-1e308.csv; try numbers-of-1e308
rows 2000 | sed 's/,25\./,inf/' >infinities.csv; try infinities
rows 2000 | sed 's/,450/,1e999999999/' >exponents-without-end.csv; try exponents-without-end
rows 2000 'time (s),travel (mm),force (N),=cmd|calc!A0,<script>alert(1)</script>' >formula-and-script.csv; try formula-and-script
{ rows 0; rows 100000 | tail -n +2 | tac; } >time-backward.csv; try time-backward
head -c 1073741824 /dev/zero | tr '\0' '\n' | gzip -9 >gzip-of-1-GB-of-lines.csv; try gzip-of-1-GB-of-lines
{ rows 0; yes 0.1,0.2,0.3 | head -c 1073741824; } | gzip -9 >gzip-of-1-GB-of-rows.csv; try gzip-of-1-GB-of-rows
rows 20000 | gzip | head -c 50000 >gzip-cut-short.csv; try gzip-cut-short
printf '\x28\xb5\x2f\xfd' >zstd-without-content.csv; try zstd-without-content
yes 'Once upon a time, in 1987, there were 3 dampers, 4 springs, and 12 bolts.' | head -n 300000 >prose.csv; try prose
awk 'BEGIN { print "time (s),travel (mm),force (N)"; for (i = 0; i < 400000; i++) printf "Run %d\n%.3f,%d,%d\n", i, i / 100, i % 50, i % 7 }' >a-name-before-every-row.csv
try a-name-before-every-row
awk 'BEGIN { print "time (s),travel (mm),force (N)"; for (i = 0; i < 500000; i++) printf "%.3f,x%d,%d\n", i / 100, i % 50, i % 7 }' >no-row-usable.csv
try no-row-usable
awk 'BEGIN { print "time,travel,force"; for (i = 0; i < 300000; i++) printf "%.3f s,%.4f mm,%.2f N\n", i / 1000, 25 * sin(i / 100), 300 * cos(i / 100) }' >unit-in-every-cell.csv
try unit-in-every-cell
mkdir -p folder; try folder folder
try missing missing-file
rm -f pipe; mkfifo pipe; try pipe-without-a-writer pipe
{ rows 20000 >pipe & }; try pipe pipe; rm -f pipe
rows 20000 >growing.csv
{ for ((i = 0; i < 40; i++)); do rows 2000 | tail -n +2 >>growing.csv; sleep 0.05; done 2>/dev/null & }
try growing
rm -rf folder out.txt said.txt time.txt
exit $failed

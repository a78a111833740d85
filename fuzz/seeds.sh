#!/usr/bin/env bash
# Makes the seeds: small files of every layout, into corpus/intake and corpus/run.
set -eu
cd "$(dirname "$0")"
mkdir -p corpus/intake corpus/run

# rows HEADER FORMAT [SEPARATOR-OF-THOUSANDS…]: 90 samples of three cycles; FORMAT has time,
# travel, force and velocity in that order ($1..$4 of printf).
rows() {
    printf '%b' "$1"
    awk -v format="$2" 'BEGIN {
        for (i = 0; i < 90; i++) {
            p = 6.283185307 * i / 30
            v = 157 * sin(p)
            printf format, i / 100, -25 * cos(p), 200 + 2 * v, v
        }
    }'
}
plain='%.3f,%.3f,%.2f,%.2f\n'
head='time (s),travel (mm),force (N),velocity (mm/s)\n'
put() { tee "corpus/intake/$1" >"corpus/run/$1"; }

rows "$head" "$plain" | put series
rows "$head" "$plain" | tr '.,' ',;' | put decimal-comma
rows 'Zeit\tWeg\tKraft\tGeschwindigkeit\ns\tmm\tN\tmm/s\n' '%.3f\t%.3f\t%.2f\t%.2f\r\n' | put units-row
rows '"Time\n(s)","Travel\n(mm)","Force\n(lbf)",v\n' '"%.3f","%.3f","%.2f","%.2f"\n' | put quoted
rows 'Damper: A\nSample rate: 100 Hz\nStroke: 50 mm\n\nsample,travel (mm),force (N),v\n' "$plain" | put preamble
{ rows "Speed 1: 100 mm/s\n$head" "$plain"; echo; rows "Speed 2: 200 mm/s\n$head" "$plain"; } | put blocks
rows '50 mm/s,,100 mm/s,\nx1 (mm),F1 (N),x2 (mm),F2 (N)\n' '%.3f,%.2f,%.3f,%.2f\n' | put wide
printf 'velocity (mm/s),compression (N),rebound (N)\n25,60,-90\n50,100,-150\n100,150,-240\n' | put sweep
rows 'Time Travel Force v\n' '%8.3f %9.3f %9.2f %9.2f\n' | put blanks
rows "time,travel,force,v\n" '10:59:%06.3f,%.3f mm,%.2f N,%.2f\n' | put clock-and-units
rows 'date,travel,force,v\n' '2026-11-25T10:59:%06.3fZ,(%.3f),%.2f-,- %.2f\n' | put signs
rows 'Stroke: 50 mm\nRod ratio: 0.2\ntime (s),angle (deg),force (N),v\n' "$plain" | put crank
rows "$head" "$plain" | tr '\n' '\r' | put carriage-returns
rows "$head" "$plain" | gzip | put gzip
rows "$head" "$plain" | iconv -f UTF-8 -t UTF-16 | put utf-16 || true
rows '時間,変位,荷重,速度\n' "$plain" | put japanese
rows "$head" "$plain" | sed '20s/,.*/,OVER,,/; 30s/^.*$/#/; 40s/^/"/; 50,52s/,.*/,0,0,0/' | put damaged
rows '' "$plain" | put bare

#!/usr/bin/env bash
# Time and memory of `hingewise measure` beside bare decoding of the same clip by ffmpeg, in one
# run, both on the same two processor cores.
#
#     cargo build --release
#     bash tests/benches/beside_ffmpeg.sh make /tmp/clips         # test clips from the sample clip
#     bash tests/benches/beside_ffmpeg.sh run /tmp/clips/*.mp4    # a table on standard output
#     bash tests/benches/beside_ffmpeg.sh run --model M.toml --camera C.toml clip.mp4
#
# Needs ffmpeg with libx264 and libx265, GNU time, and taskset. `ROUNDS` (3 if not set) rounds are
# made of each clip, decoding and measuring in turn, and the best of each counts: other work on the
# machine only ever adds. It adds less to processor time, whose ratio is given as well. Kept sightings are not used.
set -euo pipefail
cd "$(dirname "$0")/../.."

sample=sample-frames
model=$sample/model.toml
camera=$sample/camera.toml
rounds=${ROUNDS:-3}
program=${HINGEWISE:-target/release/hingewise}
cores=0,1

# Encoder settings like a phone's: H.264 or HEVC, a key frame a second, 17 or 45 Mbit/s at most.
encode() { # codec loops width height out
    local codec=$1 loops=$2 width=$3 height=$4 out=$5
    [ -e "$out" ] && return
    local rate=17M
    [ "$width" -gt 2000 ] && rate=45M
    ffmpeg -nostdin -v error -y -stream_loop "$loops" -i $sample/cards.mp4 \
        -vf "scale=$width:$height:flags=bicubic" -an -c:v "$codec" -preset veryfast -crf 20 \
        -maxrate $rate -bufsize $rate -g 30 -x265-params log-level=error \
        -movflags +faststart -f mp4 "$out.part"
    mv "$out.part" "$out"
    echo "$out" >&2
}

# The same frames over and over, without coding them again.
repeat() { # clip loops out
    [ -e "$3" ] && return
    ffmpeg -nostdin -v error -y -stream_loop "$2" -i "$1" -c copy -f mp4 "$3.part"
    mv "$3.part" "$3"
    echo "$3" >&2
}

# The sample lasts 11.8 s: 5 times are a minute, and 10 times that are ten minutes.
make_clips() {
    local folder=$1 codec size
    mkdir -p "$folder"
    for codec in libx264 libx265; do
        for size in 1920x1080 3840x2160; do
            local name=$folder/${codec#lib}-${size#*x}p
            encode $codec 0 ${size%x*} ${size#*x} "$name-12s.mp4"
            repeat "$name-12s.mp4" 4 "$name-1min.mp4"
            repeat "$name-12s.mp4" 49 "$name-10min.mp4"
        done
    done
}

# Seconds, seconds of processor time, and megabytes of a command, e.g. "3.21 5.9 84".
timed() {
    local note
    note=$(mktemp)
    if ! /usr/bin/time -v -o "$note" taskset -c $cores "$@" >/dev/null 2>"$note.err"; then
        cat "$note.err" >&2
        exit 1
    fi
    awk -F': ' '/Elapsed/ { n = split($2, t, ":"); for (i = 1; i <= n; i++) s = s * 60 + t[i] }
                /(User|System) time/ { cpu += $2 }
                /Maximum resident/ { mb = $2 / 1024 }
                END { printf "%.2f %.2f %.0f\n", s, cpu, mb }' "$note"
    rm -f "$note" "$note.err"
}

# Shortest times and largest memory of all rounds.
best() {
    awk 'NR == 1 || $1 < s { s = $1 } NR == 1 || $2 < cpu { cpu = $2 } $3 > mb { mb = $3 }
         END { print s, cpu, mb }'
}

ratio() { awk "BEGIN { printf \"%.2f\", $1 / $2 }"; }

run() {
    folder=$(mktemp -d)
    trap 'rm -rf "$folder"' EXIT
    export HINGEWISE_CACHE_DIR=$folder/kept
    printf '| clip | ffmpeg, s | measure, s | ratio | ratio of processor time | measure, MB | load before |\n'
    printf '| --- | --- | --- | --- | --- | --- | --- |\n'
    for clip in "$@"; do
        local load bare="" whole=""
        load=$(cut -d' ' -f1 /proc/loadavg)
        for _ in $(seq "$rounds"); do
            bare+=$(timed ffmpeg -nostdin -threads 2 -i "$clip" -f null -)$'\n'
            whole+=$(timed "$program" measure "$clip" --model "$model" --camera "$camera" \
                --out "$folder/out" --force --fresh --quiet)$'\n'
        done
        read -r bare_s bare_cpu_s _ < <(printf %s "$bare" | best)
        read -r whole_s whole_cpu_s whole_mb < <(printf %s "$whole" | best)
        printf '| %s | %s | %s | %s | %s | %s | %s |\n' "$(basename "$clip")" "$bare_s" "$whole_s" \
            "$(ratio "$whole_s" "$bare_s")" "$(ratio "$whole_cpu_s" "$bare_cpu_s")" \
            "$whole_mb" "$load"
    done
}

case "${1:-}" in
make)
    make_clips "${2:?a folder for the clips}"
    ;;
run)
    shift
    while [ "${1:-}" = --model ] || [ "${1:-}" = --camera ]; do
        declare "${1#--}=$2"
        shift 2
    done
    run "$@"
    ;;
*)
    sed -n '2,/^set/{/^#/s/^# \{0,1\}//p}' "$0"
    exit 2
    ;;
esac

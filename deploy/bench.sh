#!/usr/bin/env bash
# Measures and prints one table with the facts of the machine: an assessment beside
# the same findings by hand, beside general engines for rules, and over loopback
# beside a handler that does nothing; records beside a commit each; audits beside
# COPY; the start beside that of an empty server; what comes of too many requests;
# what an hour's worth of them leaves in memory. Below it stand the ratios that the
# service is held to, all of this one run.
#
# Of several runs the quickest stands, for whatever else uses the machine only ever
# takes time; what is told in medians and shares is measured once.
#
#   deploy/bench.sh                  # all of it, six minutes where nothing else runs
#   deploy/bench.sh rules http       # some parts of it
#   RUNS=3 SOAK=20000 deploy/bench.sh
set -euo pipefail
cd "$(dirname "$0")/.."
parts=${*:-rules peers http records start overload audits soak}
runs=${RUNS:-5}
told=$(mktemp)
trap 'rm -f "$told"' EXIT

# figures prints the lines of benchmarks, of those of one name the one with the least time.
figures() {
  awk '/^Benchmark/ {
    name = $1; sub(/-[0-9]+$/, "", name); sub(/^Benchmark/, "", name); gsub(/_/, " ", name)
    if (!(name in least)) order[++n] = name
    if (!(name in least) || $3 + 0 < least[name]) {
      least[name] = $3 + 0; rest = ""
      for (i = 5; i < NF; i += 2) rest = rest (rest == "" ? "" : ", ") $i " " $(i + 1)
      line[name] = rest
    }
  }
  END { for (i = 1; i <= n; i++) printf "| %s | %.1f | %s |\n", order[i], least[order[i]] / 1000, line[order[i]] }' | tee -a "$told"
}
# As little of the time goes to collecting garbage as in the service, whose cushion
# has main.go; those that start the service leave that to it.
bench() { # directory, benchmarks, time of each
  for _ in $(seq "$runs"); do # one after the other, so that a bad moment is one for all
    (cd "$1" && GOGC=${GOGC:-400} go test -run '^$' -bench "$2" -benchtime "$3" -benchmem .)
  done | figures
}
once() { # directory, benchmarks, times
  (cd "$1" && go test -run '^$' -bench "$2" -benchtime "$3" .) | figures
}

rules() {
  bench rules '^BenchmarkAssess$' 300ms
  bench rules/expr '^BenchmarkEvaluate$' 200ms
  bench rules/rig '^BenchmarkDecode$' 200ms
  bench rules '^BenchmarkEncode$' 300ms
  bench rules/loads '^BenchmarkOf$' 200ms
  bench rules/library '^(BenchmarkLimits|BenchmarkCompile)$' 300ms
}
# A module of its own; what it needs may not be to be had here.
peers() {
  if (cd rules/peers && go mod download && go test .) >/dev/null 2>&1; then
    bench rules/peers . 200ms
  else
    echo '| NOT RUN: the engines of rules/peers cannot be fetched, or do not agree with ours. | | |'
  fi
}
http() { bench api '^BenchmarkLoad$' 700ms; }
records() { once db/postgres '^BenchmarkCommit$' 2000x; }
start() { once . '^BenchmarkStart$/^memory$' 20x; }
overload() { once . '^BenchmarkOverload$' 20000x; }
audits() { deploy/measure.sh audits; }
soak() { printf '\n' && deploy/soak.sh ${SOAK:+"$SOAK"}; }

# held prints what the service is held to: a ratio of two lines, by a figure of theirs.
held() {
  awk -F ' \\| ' 'function of(name, unit,   i, n, f, w) {
    if (!(name in time)) return 0
    if (unit == "") return time[name]
    n = split(rest[name], f, ", ")
    for (i = 1; i <= n; i++) { split(f[i], w, " "); if (w[2] == unit) return w[1] }
    return 0
  }
  function row(what, a, b, least) { if (a && b) printf "| %s | %.2f | %s |\n", what, a / b, least }
  { sub(/^\| /, ""); sub(/ \|$/, ""); time[$1] = $2 + 0; rest[$1] = $3 }
  END {
    row("findings over the same by hand", of("Assess/by the book, findings only"), of("Assess/by hand, findings only"), "at most 1.5")
    row("all of an answer over its findings by hand", of("Assess/by the book"), of("Assess/by hand, findings only"), "")
    row("Open Policy Agent over an assessment, both with words", of("Thresholds/Open Policy Agent"), of("Thresholds/ours, the whole answer"), "")
    row("Open Policy Agent over ours, decisions alone", of("Decisions/Open Policy Agent"), of("Decisions/ours"), "at least 100")
    row("assessments in little a second, over an echo of 3 kB", of("Load/assessment in little", "req/s"), of("Load/bare echo of 3 kB", "req/s"), "at least 0.75")
    row("the same, over an echo of 3 kB behind a schema validator", of("Load/assessment in little", "req/s"), of("Load/echo of 3 kB behind a schema validator", "req/s"), "")
    row("whole assessments a second, over an echo of 80 kB", of("Load/assessment, not recorded", "req/s"), of("Load/bare echo of 80 kB", "req/s"), "")
    split("1 8 32", callers, " ")
    for (i = 1; i <= 3; i++) {
      at = "/callers=" callers[i]
      row("records a second over a commit each, " callers[i] " at once", of("Commit/record" at, "calls/s"), of("Commit/record, a commit each" at, "calls/s"), i == 3 ? "at least 2" : i == 1 ? "at least 1" : "")
      row("their p99 over that", of("Commit/record" at, "p99-µs"), of("Commit/record, a commit each" at, "p99-µs"), "at most 1")
    }
    row("ready over an empty server and the law compiled", of("Start/memory", "held-to"), 1, "at most 1.5")
    row("median of those answered at five times the load, over that at once the load", of("Overload/turns/5x", "answered-p50-ms"), of("Overload/turns/1x", "answered-p50-ms"), "")
    row("p99 of them, likewise", of("Overload/turns/5x", "answered-p99-ms"), of("Overload/turns/1x", "answered-p99-ms"), "")
  }' "$told"
}

echo "commit $(git rev-parse --short HEAD 2>/dev/null || echo unknown), $(date -u +%FT%RZ)"
deploy/measure.sh machine
printf '\n| | µs | |\n|---|---|---|\n'
for part in $parts; do
  case $part in
    rules | peers | http | records | start | overload | audits | soak) $part ;;
    *) echo "bench: there is no part $part: rules, peers, http, records, start, overload, audits, soak" >&2; exit 1 ;;
  esac
done
printf '\n| held to | is | should be |\n|---|---|---|\n'
held

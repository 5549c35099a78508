#!/usr/bin/env bash
# Measures and prints one table with the facts of the machine: an assessment beside
# the same findings by hand, beside general engines for rules, and over loopback
# beside a handler that does nothing. Of several runs the quickest stands, for
# whatever else uses the machine only ever takes time.
# Then the start beside that of an empty server, and what comes of too many requests,
# each once: their figures are medians and shares.
#
#   deploy/bench.sh [RUNS]
set -euo pipefail
cd "$(dirname "$0")/.."
runs=${1:-5}

echo "commit $(git rev-parse --short HEAD 2>/dev/null || echo unknown), $(go version | cut -d' ' -f3-4), $(date -u +%FT%RZ)"
echo "$(getconf _NPROCESSORS_ONLN) processors, $(sed -n 's/^model name[^:]*: //p' /proc/cpuinfo 2>/dev/null | head -1), load $(cut -d' ' -f1-3 /proc/loadavg 2>/dev/null || echo unknown)"
echo

# best keeps, of the lines of one benchmark, the one with the least time.
best() {
  awk '/^Benchmark/ {
    name = $1; sub(/-[0-9]+$/, "", name); sub(/^Benchmark/, "", name); gsub(/_/, " ", name)
    if (!(name in least)) order[++n] = name
    if (!(name in least) || $3 + 0 < least[name]) {
      least[name] = $3 + 0; rest = ""
      for (i = 5; i < NF; i += 2) rest = rest "  " $i " " $(i + 1)
      line[name] = rest
    }
  }
  END { for (i = 1; i <= n; i++) printf "%-52s %12.1f µs%s\n", order[i], least[order[i]] / 1000, line[order[i]] }'
}

bench() { # directory, benchmarks, time of each
  (cd "$1" && go test -run '^$' -bench "$2" -benchtime "$3" -benchmem -count "$runs" .) | best
}

# once prints the figures of a benchmark that takes many by itself.
once() { # benchmark, times
  go test -run '^$' -bench "$1" -benchtime "$2" . | awk '/^Benchmark/ {
    name = $1; sub(/-[0-9]+$/, "", name); sub(/^Benchmark/, "", name); gsub(/_/, " ", name)
    printf "%-32s", name
    for (i = 5; i < NF; i += 2) printf "  %s %s", $i, $(i + 1)
    print ""
  }'
}

bench rules/library '^BenchmarkAssess$' 300ms
bench rules/expr '^BenchmarkEvaluate$' 200ms
bench rules/rig '^BenchmarkDecode$' 200ms
bench rules '^BenchmarkEncode$' 200ms
bench rules/loads '^BenchmarkOf$' 200ms
bench rules/library '^(BenchmarkLimits|BenchmarkCompile)$' 300ms
bench api '^BenchmarkLoad$' 700ms
once '^BenchmarkStart$/^memory$' 20x
once '^BenchmarkOverload$' 20000x
# A module of its own; what it needs may not be to be had here.
if (cd rules/peers && go mod download && go test .) >/dev/null 2>&1; then
  bench rules/peers . 200ms
else
  echo 'NOT RUN: the engines of rules/peers cannot be fetched, or do not agree with ours.'
fi

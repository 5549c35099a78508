#!/usr/bin/env bash
# An hour's worth of requests at 50 a second, good and bad, as fast as they go, to a
# service over the memory store: what its process holds at the beginning, at each
# quarter and at the end (heap after a collection, goroutines, open files), and what
# the heap is made of at half and at the end. It fails if the second half adds to
# them. On a machine that has nothing else to do it takes five minutes or so.
#
#   deploy/soak.sh [REQUESTS]
set -euo pipefail
cd "$(dirname "$0")/.."
requests=${1:-180000}
profiles=$(mktemp -d)
trap 'rm -rf "$profiles"' EXIT

echo "commit $(git rev-parse --short HEAD 2>/dev/null || echo unknown), $(date -u +%FT%RZ)"
deploy/measure.sh machine
DRAWGEAR_PROFILES=$profiles nice -n 19 go test -run '^$' -bench '^BenchmarkSoak$' -benchtime "${requests}x" -timeout 3h -v .
for at in $((requests / 2)) "$requests"; do
  printf '\nin use after %s requests\n' "$at"
  go tool pprof -top -nodecount 12 -sample_index inuse_space "$profiles/heap.$at" 2>/dev/null | tail -n +4
done

#!/usr/bin/env bash
# The long runs of the tests that break things, which an ordinary `go test` does
# in small. They need a Postgres as the other tests do, touch nothing that runs,
# and take about half an hour:
#
#   deploy/faults.sh [git revision of the earlier release, HEAD if not said]
set -euo pipefail
cd "$(dirname "$0")/.."

old=${1:-HEAD}
work=$(mktemp -d)
trap 'git worktree remove --force "$work/tree" 2>/dev/null || true; rm -rf "$work"' EXIT
step() { printf '\n== %s\n' "$*"; }
run() { go test -count=1 -timeout=60m -v "$@" 2>&1 | grep -Ev '^=== |^ +--- PASS|pgtest\.go:' ; }

step "hostile messages, slow connections, memory, overload"
run ./api -run 'TestHostile|TestSlowConnections|TestOverload'
go test . -run='^$' -bench=BenchmarkOverload -benchtime=4000x | grep Benchmark

step "the contract, 100 000 requests"
DRAWGEAR_FUZZ_REQUESTS=${DRAWGEAR_FUZZ_REQUESTS:-100000} run ./api -run TestContractFuzz

export DRAWGEAR_FAULT_ROUNDS=${DRAWGEAR_FAULT_ROUNDS:-50}
step "the store, $DRAWGEAR_FAULT_ROUNDS rounds: crashes, cut and dead connections, a full disk"
run ./db/postgres -run 'TestCrash|TestConnectionsCut|TestNothingComesBack|TestSlowNetwork|TestDeafListener|TestDiskFull'

step "the service killed, $DRAWGEAR_FAULT_ROUNDS times"
run . -run TestServiceKilled

step "replicas: at once, and without their database"
run ./api -run 'TestPublishAtOnce|TestReplicas|TestOneKeyOnBothReplicas'

step "a rolling upgrade from $(git rev-parse --short "$old")"
git worktree add --quiet --detach "$work/tree" "$old"
(cd "$work/tree" && go build -o "$work/drawgear" .)
DRAWGEAR_OLD=$work/drawgear run . -run TestRollingUpgrade

#!/usr/bin/env bash
# The long runs of the tests that break things, which an ordinary `go test` does
# in small. They need a Postgres as the other tests do, touch nothing that runs,
# and take a quarter of an hour on two processors. Rolling upgrades go from the revision
# that is given, HEAD if none is, and from the last whose schema was another:
#
#   deploy/faults.sh [git revision of the earlier release]
set -euo pipefail
cd "$(dirname "$0")/.."

work=$(mktemp -d)
trap 'git worktree remove --force "$work/tree" 2>/dev/null || true; rm -rf "$work"' EXIT
step() { printf '\n== %s\n' "$*"; }
run() { go test -count=1 -timeout=120m -v "$@" 2>&1 | grep -Ev '^=== |^ +--- PASS|pgtest\.go:|: after [0-9.]+m?s$'; }

schema() { git rev-parse "$1:db/postgres/migrations"; }
# The last revision with another schema; nothing if there is none.
otherwise() {
  local has revision
  has=$(schema HEAD)
  while read -r revision; do
    if [ "$(schema "$revision" 2>/dev/null)" != "$has" ]; then
      git cat-file -e "$revision:db/postgres/migrations" 2>/dev/null && echo "$revision"
      return
    fi
  done < <(git rev-list HEAD)
}

upgrade() { # REVISION
  step "a rolling upgrade from $(git log -1 --format='%h, %s' "$1")"
  git worktree add --quiet --detach "$work/tree" "$1"
  (cd "$work/tree" && go build -o "$work/drawgear" .)
  git worktree remove --force "$work/tree"
  DRAWGEAR_OLD=$work/drawgear run . -run TestRollingUpgrade
}

step "hostile messages, slow connections, memory, overload"
run ./api -run 'TestHostile|TestSlowConnections|TestOverload'
go test . -run='^$' -bench=BenchmarkOverload -benchtime=4000x | grep Benchmark

step "the contract, 100 000 requests"
DRAWGEAR_FUZZ_REQUESTS=${DRAWGEAR_FUZZ_REQUESTS:-100000} run ./api -run TestContractFuzz

export DRAWGEAR_FAULT_ROUNDS=${DRAWGEAR_FAULT_ROUNDS:-50}
step "the store, $DRAWGEAR_FAULT_ROUNDS rounds: crashes, cut and dead connections, a full disk"
run ./db/postgres -run 'TestCrash|TestConnectionsCut|TestNothingComesBack|TestSlowNetwork|TestDeafListener|TestDiskFull'

step "the service, its database and both killed, $DRAWGEAR_FAULT_ROUNDS times each"
run . -run TestServiceKilled

step "replicas: $DRAWGEAR_FAULT_ROUNDS publications at once, and without their database"
run -race ./api -run 'TestPublishAtOnce|TestReplicas|TestOneKeyOnBothReplicas'

step "clocks that jump"
run ./service -run 'Clock' -rapid.checks=1000

upgrade "${1:-HEAD}"
other=$(otherwise)
if [ -n "$other" ]; then
  upgrade "$other"
else
  step "no earlier revision has another schema"
fi

#!/usr/bin/env bash
# Runs every fuzz target of the module, each an equal share of the time:
#
#   .ci/fuzz.sh [seconds in all, 600 if not said]
#
# What makes a target fail is written to testdata/fuzz beside its test, is tried
# by every later `go test` and belongs into the repository. What only reaches
# new code stays in the cache of Go, from which the next run begins. Go counts what
# its workers told of before the end, so that a slow machine shows too few.
set -euo pipefail
cd "$(dirname "$0")/.."

total=${1:-600}
mapfile -t targets < <(grep -rEoH '^func Fuzz[A-Za-z0-9_]*' --include='*_test.go' . | sed -E 's|^\./||; s|/[^/]*:func | |' | sort)
[ ${#targets[@]} -gt 0 ] || { echo 'there are no fuzz targets'; exit 1; }
share=$((total / ${#targets[@]}))
((share > 0)) || share=1
printf '%d targets, %d s each\n' ${#targets[@]} "$share"

failed=()
for target in "${targets[@]}"; do
  read -r dir name <<<"$target"
  if out=$(go test "./$dir" -run='^$' -fuzz="^$name\$" -fuzztime="${share}s" 2>&1); then
    printf '%-48s %s\n' "$dir $name" "$(grep -oE 'execs: [0-9]+' <<<"$out" | tail -n 1), $(grep -oE 'new interesting: .*' <<<"$out" | tail -n 1)"
  else
    failed+=("$target")
    printf '%-48s FAILED\n%s\n' "$dir $name" "$(tail -n 30 <<<"$out")"
  fi
done
((${#failed[@]} == 0)) || { printf 'failed: %s\n' "${failed[@]}"; exit 1; }

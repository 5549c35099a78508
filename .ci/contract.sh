#!/usr/bin/env bash
# Holds the contract to a linter of others, and to the contract of the last
# release: what would break a caller needs a new major version, or a new minor
# one before 1.0. That contract is openapi/openapi.yaml of the newest tag, else
# .ci/released-openapi.yaml; DRAWGEAR_RELEASED names another file.
set -euo pipefail
cd "$(dirname "$0")/.."

contract=openapi/openapi.yaml
linter=@redocly/cli@2.77.0
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT

version() { sed -n '/^info:/,/^[^ ]/s/^  version: *["'\'']\{0,1\}\([0-9.]*\).*/\1/p' "$1"; }

# raised OLD NEW: may NEW break what OLD promised?
raised() {
  local a b
  IFS=. read -ra a <<<"$1"
  IFS=. read -ra b <<<"$2"
  ((b[0] > a[0] || a[0] == 0 && b[0] == 0 && b[1] > a[1]))
}

breaks() { # OLD NEW: lists what breaks; fails if anything does
  go tool -modfile=.ci/contract.mod oasdiff breaking --fail-on ERR --format singleline --color never "$1" "$2"
}

lint() {
  if ! command -v npx >/dev/null; then
    echo "NOT RUN: there is no npx here to run $linter with."
    return
  fi
  export REDOCLY_TELEMETRY=off REDOCLY_SUPPRESS_UPDATE_NOTICE=true
  if ! npx --yes "$linter" --version >"$out/version" 2>&1; then
    echo "NOT RUN: npx cannot get $linter:"
    tail -n 3 "$out/version"
    return
  fi
  npx --yes "$linter" lint --config .ci/redocly.yaml "$contract"
}

echo "-- $linter"
lint

echo '-- breaking changes'
if ! go tool -modfile=.ci/contract.mod oasdiff --version >"$out/oasdiff" 2>&1; then
  echo 'NOT RUN: oasdiff cannot be had:'
  tail -n 3 "$out/oasdiff"
  exit
fi
# A contract that lost a path must be found to break, or nothing below means
# anything.
sed '/^  \/livez:/,/^  \/readyz:/{/^  \/readyz:/!d}' "$contract" >"$out/less.yaml"
if breaks "$contract" "$out/less.yaml" >"$out/found"; then
  echo 'the check does not see that /livez is gone'
  exit 1
fi

released=${DRAWGEAR_RELEASED:-}
if [ -z "$released" ] && tag=$(git describe --tags --abbrev=0 2>/dev/null); then
  released=$out/$tag.yaml
  git show "$tag:$contract" >"$released"
elif [ -z "$released" ] && [ -f .ci/released-openapi.yaml ]; then
  released=.ci/released-openapi.yaml
fi
if [ -z "$released" ]; then
  echo 'NOT RUN: no version is tagged and there is no .ci/released-openapi.yaml: nobody was promised anything yet.'
  exit
fi
was=$(version "$released") is=$(version "$contract")
if breaks "$released" "$contract" >"$out/found"; then
  echo "nothing of $was is broken"
elif raised "$was" "$is"; then
  grep -c '^error' "$out/found" | xargs printf '%s breaking changes, and the version went from '"$was to $is"'\n'
else
  cat "$out/found"
  echo "these break callers of $was: take them back, or raise info.version ($is) by a major step (a minor one before 1.0)"
  exit 1
fi

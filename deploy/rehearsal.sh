#!/usr/bin/env bash
# Rehearses a machine that has never seen the project: a clean clone, the two
# commands of the README, then the image and the compose file. It prints what
# each took. The clone has caches of its own, so that nothing that lies about
# helps; REHEARSAL_CACHES=shared uses those of this machine.
#
# GO_IMAGE, GOPROXY, GOSUMDB and DRAWGEAR_POSTGRES_IMAGE are handed on. Without
# an engine for containers the second part is left out, and that is said.
set -euo pipefail
source=$(cd "$(dirname "$0")/.." && pwd)
work=$(mktemp -d)
began=$SECONDS
service=
finish() {
  status=$?
  [ -z "$service" ] || kill "$service" 2>/dev/null || true
  chmod -R u+w "$work" # modules are kept read-only
  rm -rf "$work"
  exit $status
}
trap finish EXIT
last=$SECONDS
step() {
  printf '%5ds  %s\n' $((SECONDS - last)) "$*"
  last=$SECONDS
}

git clone --quiet "$source" "$work/drawgear"
cd "$work/drawgear"
if [ "${REHEARSAL_CACHES:-own}" = own ]; then
  export GOMODCACHE=$work/modules GOCACHE=$work/builds
fi
step "cloned $(git rev-parse --short HEAD)"

port=18089
# Built first, so that what is started here is what is stopped.
go build -o "$work/run" .
"$work/run" serve --listen 127.0.0.1:$port 2>"$work/log" &
service=$!
for _ in $(seq 240); do
  "$work/run" health --listen 127.0.0.1:$port 2>/dev/null && break
  sleep 0.25
done
curl -sf "http://127.0.0.1:$port/v1/assessments?record=false" -H 'Content-Type: application/json' -d @testdata/rigs/horse-float.json | grep -q '"verdict":"compliant"'
kill "$service"
wait "$service"
service=
step 'go run . serve: built, started, the first question answered, stopped'

go test ./... >"$work/tests" || { grep -v '^ok\|no test files' "$work/tests"; exit 1; }
step 'go test ./...'

if ! docker info >/dev/null 2>&1; then
  echo 'NOT RUN: no engine for containers answers here; image and compose file were left out.'
  exit 0
fi
export DRAWGEAR_VERSION
DRAWGEAR_VERSION=$(git rev-parse --short=12 HEAD)
docker build --quiet ${GO_IMAGE:+--build-arg GO_IMAGE="$GO_IMAGE"} ${GOPROXY:+--build-arg GOPROXY="$GOPROXY"} ${GOSUMDB:+--build-arg GOSUMDB="$GOSUMDB"} \
  --build-arg VERSION="$DRAWGEAR_VERSION" --tag "drawgear:$DRAWGEAR_VERSION" . >/dev/null
step "image: $(docker image inspect --format '{{.Size}}' "drawgear:$DRAWGEAR_VERSION") bytes"

CGO_ENABLED=0 go build -trimpath -buildvcs=false -ldflags="-s -w -X drawgear/service.built=$DRAWGEAR_VERSION" -o "$work/again" .
container=$(docker create "drawgear:$DRAWGEAR_VERSION")
docker cp "$container:/drawgear" "$work/first"
docker rm "$container" >/dev/null
if cmp -s "$work/first" "$work/again"; then
  step 'the program built twice: the same bytes'
elif [ "$(go version "$work/first" | awk '{print $NF}')" = "$(go env GOVERSION)" ]; then
  echo 'the program built twice by one Go has other bytes'
  exit 1
else
  step "NOT COMPARED: the image has another Go than $(go env GOVERSION), and other bytes"
fi

deploy/drill.sh
step 'compose: started, and every step of the runbook'
echo "rehearsed in $((SECONDS - began)) s"

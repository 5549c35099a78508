#!/usr/bin/env bash
# Holds what is deployed to what reads it: the manifests to the schemas of
# Kubernetes, the alerts to promtool, the compose file to docker-compose. A tool
# that is not there is named, and its part left out.
set -euo pipefail
cd "$(dirname "$0")/.."
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT

if command -v kubectl >/dev/null; then
  for overlay in small production; do
    kubectl kustomize "deploy/kubernetes/$overlay" >"$out/$overlay.yaml"
    go tool -modfile=.ci/kube.mod kubectl-validate --version 1.30 "$out/$overlay.yaml"
  done
else
  echo 'NOT RUN: there is no kubectl; the manifests were not looked at.'
fi

if command -v promtool >/dev/null; then
  promtool check rules deploy/prometheus/alerts.yaml
  promtool test rules deploy/prometheus/alerts_test.yaml
else
  echo 'NOT RUN: there is no promtool; the alerts were not looked at.'
fi

if command -v docker-compose >/dev/null; then
  docker-compose -f deploy/compose.yaml config --quiet
elif docker compose version >/dev/null 2>&1; then
  docker compose -f deploy/compose.yaml config --quiet
else
  echo 'NOT RUN: there is no compose; its file was not looked at.'
fi

#!/bin/sh
# Makes what compose.yaml takes for secrets, each in a file of deploy/secrets,
# and leaves alone what is there. The image must have been built.
#
# The folder is closed to others; the files are not, because within a container
# they are read by users that this machine does not have.
set -eu
cd "$(dirname "$0")"
image=drawgear:${DRAWGEAR_VERSION:-dev}
umask 077
mkdir -p secrets
random() { od -An -N24 -tx1 /dev/urandom | tr -d ' \n'; }
put() {
  if [ ! -e "secrets/$1" ]; then
    printf '%s\n' "$2" > "secrets/$1"
    chmod 444 "secrets/$1"
    echo "made deploy/secrets/$1"
  fi
}
for login in postgres owner service backup; do
  put "${login}_password" "$(random)"
done
put webhook_key "$(head -c 32 /dev/urandom | base64)"
put owner_url "postgres://drawgear_owner:$(cat secrets/owner_password)@postgres:5432/drawgear"
put service_url "postgres://drawgear_app:$(cat secrets/service_password)@postgres:5432/drawgear"
if [ ! -e secrets/log_key ]; then
  keys=$(docker run --rm "$image" log key)
  put log_key "$(printf '%s\n' "$keys" | sed -n 1p)"
  put log_key.pub "$(printf '%s\n' "$keys" | sed -n 2p)"
fi

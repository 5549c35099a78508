#!/bin/sh
# Makes the roles and the database when the data folder is new: the owner
# migrates, the service's login may do what drawgear_service may, backups read
# everything and change nothing.
set -eu
psql --no-psqlrc --quiet --username "${POSTGRES_USER:-postgres}" --dbname postgres --set ON_ERROR_STOP=1 \
  --set owner="$(cat /run/secrets/owner_password)" \
  --set service="$(cat /run/secrets/service_password)" \
  --set backup="$(cat /run/secrets/backup_password)" <<'SQL'
CREATE ROLE drawgear_owner   LOGIN PASSWORD :'owner';
CREATE ROLE drawgear_service NOLOGIN;
CREATE ROLE drawgear_app     LOGIN PASSWORD :'service' IN ROLE drawgear_service;
CREATE ROLE drawgear_backup  LOGIN PASSWORD :'backup' BYPASSRLS IN ROLE pg_read_all_data;
CREATE DATABASE drawgear OWNER drawgear_owner;
REVOKE CONNECT ON DATABASE drawgear FROM PUBLIC;
GRANT CONNECT ON DATABASE drawgear TO drawgear_service, drawgear_backup;
SQL

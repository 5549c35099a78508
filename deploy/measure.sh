#!/usr/bin/env bash
# Measures what scaling.md tells: audits end to end through HTTP with both stores,
# beside a COPY of the same bytes; recorded assessments a second as tables grow and
# replicas come; all pairs of a yard; uploads that must be refused. It prints tables
# in Markdown. Whatever it starts and writes is gone when it ends.
#
#   deploy/measure.sh                              # all of it, some minutes
#   deploy/measure.sh audits pairs                 # some parts of it
#   SIZES='10000 100000 1000000' deploy/measure.sh audits
#   FILL='10000 100000 1000000' deploy/measure.sh records
#
# The Postgres is a private one with its default settings, from Debian's package;
# MEASURE_DATABASE_URL names another, whose login is a superuser, by a database that
# may be spoilt.
set -euo pipefail
cd "$(dirname "$0")/.."
parts=${*:-machine audits records pairs uploads}
sizes=${SIZES:-10000 100000}
fills=${FILL:-10000 100000 1000000}
seconds=${SECONDS_EACH:-10} # of load
work=$(mktemp -d)
chmod 711 "$work"
pids=()
finish() {
  status=$?
  for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done
  if [ -n "${cluster:-}" ]; then as_postgres "$bin/pg_ctl" -D "$cluster" -m immediate stop >/dev/null 2>&1 || true; fi
  rm -rf "$work"
  exit $status
}
trap finish EXIT
fail() { echo "measure: $*" >&2; exit 1; }
now() { date +%s.%N; }
calc() { awk "BEGIN { printf \"${2:-%.1f}\", $1 }"; }
as_postgres() { if [ "$(id -u)" = 0 ]; then runuser -u postgres -- "$@"; else "$@"; fi; }

go build -o "$work/drawgear" .
curl() { command curl -sS "${auth[@]}" "$@"; }
auth=()

# database starts the Postgres, once, and makes a tenant with a key in a new schema.
database() {
  [ -z "${DRAWGEAR_DATABASE_URL:-}" ] || return 0
  if [ -z "${MEASURE_DATABASE_URL:-}" ]; then
    bin=$(dirname "$(ls /usr/lib/postgresql/*/bin/initdb | tail -1)")
    cluster=$work/pg
    install -d -m 700 "$cluster"
    [ "$(id -u)" != 0 ] || chown postgres "$cluster"
    as_postgres "$bin/initdb" -D "$cluster" -U postgres --auth=trust --encoding=UTF8 --locale=C >/dev/null
    as_postgres "$bin/pg_ctl" -D "$cluster" -w -l "$cluster/log" -o "-k $cluster -c listen_addresses= ${PG_OPTIONS:-}" start >/dev/null
    MEASURE_DATABASE_URL="postgres://postgres@/postgres?host=$cluster"
    chmod 711 "$cluster"
  fi
  export DRAWGEAR_DATABASE_URL=$MEASURE_DATABASE_URL
  "$work/drawgear" migrate >/dev/null
  tenant=$("$work/drawgear" tenant create 'Saltmarsh Yard')
  key=$("$work/drawgear" key create --tenant "$tenant" --name measure --scopes assess,read,fit,fleet,audit,author,approve,admin)
}
sql() { psql --no-psqlrc -qAt -v ON_ERROR_STOP=1 "$MEASURE_DATABASE_URL" "$@"; }

# serve STORE [flags]: starts a replica, sets pid and base.
port=$((20000 + $$ % 20000)) # so that two can measure at a time
serve() {
  local store=$1 i
  shift
  port=$((port + 1))
  base=http://127.0.0.1:$port
  if [ "$store" = memory ]; then
    auth=()
    env -u DRAWGEAR_DATABASE_URL "$work/drawgear" serve --listen "127.0.0.1:$port" --rate 0 --in-flight 0 "$@" 2>"$work/log.$port" &
  else
    database
    auth=(-H "Authorization: Bearer $key")
    "$work/drawgear" serve --listen "127.0.0.1:$port" --rate 0 --in-flight 0 --pack-after 0s "$@" 2>"$work/log.$port" &
  fi
  pid=$!
  pids+=("$pid")
  for i in $(seq 200); do
    "$work/drawgear" health --listen "127.0.0.1:$port" 2>/dev/null && return
    sleep 0.1
  done
  fail "a replica does not start: $(tail -3 "$work/log.$port")"
}
stop() {
  kill "$pid"
  wait "$pid" || true
}
cpu() { awk -v tick="$(getconf CLK_TCK)" '{ sub(/.*\) /, ""); printf "%.2f", ($12 + $13) / tick }' "/proc/$pid/stat"; } # seconds of processor so far
mib() { awk -v field="$1:" '$1 == field { printf "%.0f", $2 / 1024 }' "/proc/$pid/status"; } # VmHWM or VmRSS

# fleet N: a table of so many rigs, the readable ones of the demo in turn.
fleet() {
  [ -e "$work/$1.csv" ] || awk -v n="$1" 'NR == 1 { print; next } NR < 6 { rest[k++] = substr($0, index($0, ",")) }
    END { for (i = 0; i < n; i++) print "R" i rest[i % k] }' testdata/fleet/rigs.csv >"$work/$1.csv"
}
field() { grep -o "\"$1\":[^,}]*" | head -1 | cut -d: -f2- | tr -d '"'; }
# ended URL: waits until the audit has.
ended() {
  local state
  while :; do
    state=$(curl "$1" | grep -o '"state":"[a-z]*"' | tail -1 | cut -d'"' -f4)
    case $state in
      running | receiving) sleep 0.2 ;;
      *) echo "$state"; return ;;
    esac
  done
}

machine() {
  echo "$(nproc) processors ($(sed -n 's/^model name.*: //p' /proc/cpuinfo | head -1)), $(awk '$1 == "MemTotal:" { printf "%.0f", $2 / 1048576 }' /proc/meminfo) GiB, $(uname -sr), $(go version | cut -d' ' -f3)"
  echo "load before: $(cut -d' ' -f1-3 /proc/loadavg)"
}

# copied TABLE FILE [OPTIONS]: the seconds that it takes to copy a file into a plain table of one database.
copied() {
  local began
  began=$(now)
  sql -c "\\copy $1 FROM '$2' WITH (${3:-FORMAT csv, HEADER})"
  calc "$(now) - $began" %.2f
}

# audits prints, beside what an audit takes, what the database takes to copy the same
# file (into texts), all that the audit wrote (rows, items, sums; to tables as its own
# are), and as many rows of 3 kB.
audits() {
  local n store began there done at state before spent copy wrote wide x
  local -A line whole
  printf '\n| rows | store | MB | upload s | whole s | rows/s | processor s | rows a processor second | peak MiB | COPY s | times | COPY of what it writes s | times | COPY of 3 kB a row s | times |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n'
  for n in $sizes; do
    fleet "$n"
    database
    sql -c "CREATE TABLE plain ($(head -1 "$work/$n.csv" | awk -F, '{ for (i = 1; i <= NF; i++) printf "%sc%d text", (i > 1 ? ", " : ""), i }'))"
    copy=$(copied plain "$work/$n.csv")
    sql -c 'DROP TABLE plain'
    wide=''
    if [ "$n" -le 100000 ]; then
      awk -v n="$n" 'BEGIN { s = "a towing vehicle, a trailer and the parts between them; "; while (length(s) < 2990) s = s s; s = substr(s, 1, 2990); for (i = 0; i < n; i++) print i "," s }' | tr ';' ' ' | sed 's/,/\t/' >"$work/wide"
      sql -c 'CREATE TABLE wide (n bigint, t text)' -c 'ALTER TABLE wide ALTER t SET STORAGE EXTERNAL'
      wide=$(copied wide "$work/wide" 'FORMAT text')
      sql -c 'DROP TABLE wide'
      rm "$work/wide"
    fi
    for store in postgres memory; do
      serve $store
      before=$(cpu)
      began=$(now)
      at=$(curl -o "$work/reply" -D - -H 'Content-Type: text/csv' -T "$work/$n.csv" -X POST "$base/v1/audits?place=AU-NSW" | sed -n 's/^Location: *\(.*\)\r/\1/Ip')
      there=$(now)
      if [ -z "$at" ]; then
        line[$store]="refused: $(field title <"$work/reply") | | | | | $(mib VmHWM)" whole[$store]=''
        stop
        continue
      fi
      state=$(ended "$base$at")
      done=$(now)
      [ "$state" = done ] || fail "the audit is $state: $(curl "$base$at" | tail -c 300)"
      spent=$(calc "$(cpu) - $before" %.2f)
      whole[$store]=$(calc "$done - $began" %.2f)
      line[$store]="$(calc "$there - $began" %.2f) | ${whole[$store]} | $(calc "$n / ($done - $began)" %.0f) | $spent | $(calc "$n / $spent" %.0f) | $(mib VmHWM)"
      if [ $store = postgres ]; then
        sql -c "\\copy (SELECT * FROM audit_chunks WHERE audit_id = '${at##*/}') TO '$work/wrote' WITH (FORMAT binary)"
        sql -c 'CREATE TABLE wrote (LIKE audit_chunks INCLUDING STORAGE INCLUDING COMPRESSION INCLUDING INDEXES)'
        wrote=$(copied wrote "$work/wrote" 'FORMAT binary')
        x="<!-- $n rows: $(stat -c %s "$work/wrote") bytes written with what came of them, $(sql -c "SELECT pg_total_relation_size('wrote')") in Postgres -->"
        sql -c 'DROP TABLE wrote'
        rm "$work/wrote"
      fi
      stop
    done
    for store in memory postgres; do
      printf '| %s | %s | %s | %s' "$n" $store "$(calc "$(stat -c %s "$work/$n.csv") / 1e6")" "${line[$store]}"
      for at in "$copy" "$wrote" "$wide"; do
        printf ' | %s | %s' "$at" "$([ -z "${whole[$store]}" ] || [ -z "$at" ] || calc "${whole[$store]} / $at")"
      done
      printf ' |\n'
    done
    echo "$x"
  done
}

# load ADDRESSES [KEYS]: requests a second and their times, from the benchmark beside main.go.
load() {
  DRAWGEAR_LOAD=$1 DRAWGEAR_LOAD_KEY=${2:-${key:-}} go test -run '^$' -bench '^BenchmarkLoad$' -benchtime "${seconds}s" . | awk '/^BenchmarkLoad/ { for (i = 3; i < NF; i += 2) m[$(i + 1)] = $i; printf "%.0f | %.1f | %.1f", m["req/s"], m["p50-ms"], m["p99-ms"]; n++ } END { if (!n) { print "none was measured" > "/dev/stderr"; exit 1 } }'
}

records() {
  local n have one two first keys
  printf '\n| records in the month | replicas | tenants | recorded/s | p50 ms | p99 ms |\n|---|---|---|---|---|---|\n'
  serve memory
  printf '| (memory store) | 1 | 1 | %s |\n' "$(load "$base")"
  stop
  database
  keys=$key # the log of a tenant takes one entry at a time: with others there are more
  for n in 2 3 4 5 6 7 8; do
    one=$("$work/drawgear" tenant create "Yard $n")
    keys=$keys,$("$work/drawgear" key create --tenant "$one" --name measure --scopes assess)
  done
  serve postgres --workers 0
  one=$base first=$pid
  serve postgres --workers 0
  two=$base
  for n in $fills; do
    # Rows of the month that is, in portions, small ones: it is the indexes that grow.
    have=$(sql -c "SELECT count(*) FROM assessments")
    if [ "$have" -lt "$n" ]; then
      sql >/dev/null <<SQL
SELECT set_config('drawgear.tenant', '$tenant', false);
DO \$\$
DECLARE at timestamptz := date_trunc('month', now(), 'UTC');
BEGIN
  FOR i IN $have + 1 .. $n LOOP
    INSERT INTO assessments (tenant_id, id, created_at, jurisdiction, as_of, verdict, answer_sha256, rig, answer, engine)
      VALUES ('$tenant', 'FILL' || i, at + i * interval '1 ms', 'AU-NSW', '2026-11-25', 'compliant', sha256('\\x00'), '{}', '{}', 'measure');
    PERFORM drawgear_append(sha256(int8send(i)), 'FILL' || i, at + i * interval '1 ms');
    IF i % 1000 = 0 THEN COMMIT; END IF; -- the row of the tail has as many versions as a transaction appends
  END LOOP;
END \$\$;
SQL
      sql -c 'VACUUM ANALYZE assessments, log_entries' -c CHECKPOINT
    fi
    printf '| %s | 1 | 1 | %s |\n' "$(sql -c "SELECT count(*) FROM assessments")" "$(load "$one")"
    printf '| %s | 2 | 1 | %s |\n' "$(sql -c "SELECT count(*) FROM assessments")" "$(load "$one,$two")"
    printf '| %s | 2 | 8 | %s |\n' "$(sql -c "SELECT count(*) FROM assessments")" "$(load "$one,$two" "$keys")"
  done
  kill "$first"
  wait "$first" || true
  stop
  # What a real record takes: those of the load, apart from what was filled in.
  printf '\nA record: '
  sql -c "SELECT count(*) || ' of the load; rig ' || avg(octet_length(rig))::int || ' bytes of JSON, ' || avg(pg_column_size(rig))::int || ' as kept; answer packed in ' || percentile_cont(0.5) WITHIN GROUP (ORDER BY octet_length(packed))::int || ', its base in ' || (SELECT avg(octet_length(packed))::int FROM answer_bases) || ', of which there are ' || (SELECT count(*) FROM answer_bases) FROM assessments WHERE engine <> 'measure'"
  sql -c "CREATE TABLE apart (LIKE assessments INCLUDING ALL)" -c "INSERT INTO apart SELECT * FROM assessments WHERE engine <> 'measure'" \
    -c "SELECT 'with its indexes ' || pg_total_relation_size('apart') / count(*) || ' bytes a record' FROM apart" -c "DROP TABLE apart" \
    -c "SELECT 'its entry in the log, with indexes, ' || pg_total_relation_size('log_entries') / count(*) || ' bytes' FROM log_entries"
}

pairs() {
  local n=300 began at before
  serve memory
  # Tow ratings from 1500 kg, floats from 1500 kg laden, in steps of 10 kg, as marked in the tables of the demo.
  awk -F, -v OFS=, -v n=$n 'NR == 1 { for (i = 1; i <= NF; i++) if ($i == "vehicle.towing.braked [kg]") c = i; print; next }
    NR == 2 { for (i = 1; i <= n; i++) { $1 = "UTE-" i; $c = 1490 + 10 * i; print } }' testdata/fleet/vehicles.csv >"$work/vehicles"
  awk -F, -v OFS=, -v n=$n 'NR == 1 { for (i = 1; i <= NF; i++) { if ($i == "trailer.laden.total [kg]") c = i; if ($i == "ATM [kg]") a = i; if ($i == "GTM [kg]") g = i; if ($i ~ /laden.axles/) x = i }; print; next }
    NR == 2 { for (i = 1; i <= n; i++) { $1 = "FLOAT-" i; $c = 1490 + 10 * i; $a = 2400; $x = $c - 200; print } }' testdata/fleet/trailers.csv >"$work/trailers"
  # Each with the parts of the demo.
  awk -F, -v OFS=, -v n=$n 'NR == 1 { print; next } $4 == "vehicles/UTE-7" || $4 == "trailers/FLOAT-3" { id = $1; sub(/-[0-9]+$/, "", id); to = $4; sub(/-[0-9]+$/, "", to)
    for (i = 1; i <= n; i++) { $1 = id "-" i; $4 = to "-" i; print } }' testdata/fleet/parts.csv >"$work/parts"
  for kind in vehicles trailers parts; do curl -o "$work/reply" -H 'Content-Type: text/csv' --data-binary @"$work/$kind" "$base/v1/register/$kind"; done
  before=$(cpu)
  began=$(now)
  at=$(curl -o "$work/reply" -D - -H 'Content-Type: application/json' -d '{"source": {"kind": "all_pairs"}, "jurisdiction": "AU-NSW"}' "$base/v1/audits" | sed -n 's/^Location: *\(.*\)\r/\1/Ip')
  [ "$(ended "$base$at")" = done ] || fail 'the pairs are not done'
  printf '\n%s x %s pairs: %s s, %s s of processor, ' $n $n "$(calc "$(now) - $began" %.2f)" "$(calc "$(cpu) - $before" %.2f)"
  began=$(now)
  curl "$base$at/summary" >"$work/summary"
  printf 'the summary %s s and %s bytes, peak %s MiB\n' "$(calc "$(now) - $began" %.2f)" "$(stat -c %s "$work/summary")" "$(mib VmHWM)"
  jq -r '"outcomes: \(.outcomes | tojson)", (.failing[] | "\(.rows) pairs: \(.key): \(.title)"),
    (.vehicles[] | select(.id == "UTE-1" or .id == "UTE-300") | "\(.id): \(.outcomes | tojson); \(.why | map("\(.rows) \(.key)") | join(", "))"),
    (.trailers[] | select(.id == "FLOAT-1" or .id == "FLOAT-300") | "\(.id): \(.outcomes | tojson); \(.why | map("\(.rows) \(.key)") | join(", "))")' "$work/summary"
  stop
}

uploads() {
  local store
  for store in memory postgres; do
    printf '\nUploads, with the store %s:\n' $store
    uploads_to $store
  done
}

uploads_to() {
  local head row outcome
  serve "$1"
  head=$(head -1 testdata/fleet/rigs.csv) row=$(sed -n 2p testdata/fleet/rigs.csv)
  curl -o /dev/null -H 'Content-Type: text/csv' --data-binary @testdata/fleet/rigs.csv "$base/v1/audits?place=AU-NSW"
  say() {
    if [ "$(tail -c 3 "$work/status")" = 202 ]; then
      outcome=$(field id <"$work/reply")
      ended "$base/v1/audits/$outcome" >/dev/null
      outcome=$(curl "$base/v1/audits/$outcome/summary" | jq -c .outcomes)
    else
      outcome="$(field title <"$work/reply"): $(grep -o '"message":"[^"]*"' "$work/reply" | head -1 | cut -d: -f2-)" || true # not every refusal names a fault
    fi
    printf '| %s | %s | %s | %s |\n' "$1" "$(tail -c 3 "$work/status")" "$outcome" "$(mib VmRSS), $(mib VmHWM)"
  }
  send() { rm -f "$work/reply" && : >"$work/reply"; curl -o "$work/reply" -w '%{http_code}' -H 'Content-Type: text/csv' "$@" "$base/v1/audits?place=AU-NSW" >"$work/status" 2>/dev/null || true; }
  printf '\n| upload | status | what is said, or the outcomes | RSS, peak MiB |\n|---|---|---|---|\n'
  printf '| (before) | | | %s |\n' "$(mib VmRSS), $(mib VmHWM)"
  truncate -s 1G "$work/large"
  send -T "$work/large" -X POST
  say '1 GiB, its length said first'
  (
    set +o pipefail
    { echo "$head,driver.licence"; yes "$row,$(head -c 2000 /dev/zero | tr '\0' n)"; } | head -c 1G
  ) | send -T - -X POST || true # whoever is refused stops reading
  say '1 GiB of rows of 2 kB, streamed'
  printf '%s\n%s\n"never closed,%s\n' "$head" "$row" "$row" >"$work/file"
  send --data-binary @"$work/file"
  say 'a quote that is never closed'
  (cat "$work/file"; head -c 3000 /dev/urandom) >"$work/file2"
  send --data-binary @"$work/file2"
  say 'bytes that are no text'
  printf '%s\n%s,one cell too many\n%s\n' "$head" "$row" "$row" >"$work/file"
  send --data-binary @"$work/file"
  say 'a row with a cell too many'
  printf 'no,such,columns\n1,2,3\n' >"$work/file"
  send --data-binary @"$work/file"
  say 'columns that there are not'
  iconv -f UTF-8 -t UTF-16 testdata/fleet/rigs.csv >"$work/file"
  send --data-binary @"$work/file"
  say UTF-16
  gzip -c testdata/fleet/rigs.csv >"$work/file"
  send --data-binary @"$work/file"
  say 'gzip as text/csv'
  send -H 'Content-Encoding: gzip' --data-binary @"$work/file"
  say 'gzip, said so'
  : >"$work/file"
  send --data-binary @"$work/file"
  say nothing
  # Half a file, then the connection is closed.
  exec 3<>"/dev/tcp/127.0.0.1/$port"
  printf 'POST /v1/audits?place=AU-NSW&name=half HTTP/1.1\r\nHost: 127.0.0.1:%s\r\nContent-Type: text/csv\r\nContent-Length: 9000\r\n\r\n%s\n%s\n' "$port" "$head" "$row" >&3
  sleep 1
  exec 3>&-
  sleep 1
  printf '| half a file, then gone | | audits kept of it: %s | %s |\n' "$(curl "$base/v1/audits?limit=1" | jq '[.items[] | select(.ask.name == "half")] | length')" "$(mib VmRSS), $(mib VmHWM)"
  stop
}

for part in $parts; do
  case $part in
    machine | audits | records | pairs | uploads) $part ;;
    *) fail "there is no part $part: machine, audits, records, pairs, uploads" ;;
  esac
done

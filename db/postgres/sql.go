package postgres

import (
	"strconv"
	"strings"

	"drawgear/service"
)

// The statements of the package. Each names the tenant although row-level
// security would do: it is what their indexes begin with.
const (
	// The settings end with the transaction.
	setTenant   = `SELECT set_config('drawgear.tenant', $1, true)`
	setKey      = `SELECT set_config('drawgear.key', $1, true)`
	setSnapshot = `SELECT set_config('drawgear.snapshot', 'on', true)`
	setExpire   = `SELECT set_config('drawgear.expire', 'on', true)`
	setPaired   = `SELECT set_config('drawgear.paired', 'on', true)`

	putAssessments = `INSERT INTO assessments
	(tenant_id, id, created_at, jurisdiction, as_of, known_at, verdict, answer_sha256, rig, answer, engine, base, packed)
SELECT $1, r.id, r.created_at, r.jurisdiction, r.as_of::date, r.known_at, r.verdict, r.answer_sha256, r.rig, r.answer, r.engine, r.base, r.packed
FROM unnest($2::text[], $3::timestamptz[], $4::text[], $5::text[], $6::timestamptz[], $7::text[], $8::bytea[], $9::bytea[], $10::bytea[], $11::text[], $12::bytea[], $13::bytea[])
	AS r (id, created_at, jurisdiction, as_of, known_at, verdict, answer_sha256, rig, answer, engine, base, packed)`

	putBase = `INSERT INTO answer_bases (tenant_id, sha256, created_at, packed) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`

	getBase = `SELECT packed FROM answer_bases WHERE tenant_id = $1 AND sha256 = $2`

	summaryColumns = `a.id, a.created_at, a.jurisdiction, to_char(a.as_of, 'YYYY-MM-DD'), a.verdict, encode(a.answer_sha256, 'hex')`

	// The log leads to the month, so that one partition is asked and not all.
	getAssessment = `SELECT ` + summaryColumns + `, a.rig, a.answer, a.base, a.packed, a.engine, a.known_at
FROM log_entries e
JOIN assessments a ON a.tenant_id = e.tenant_id AND a.created_at = e.created_at AND a.id = e.assessment_id
WHERE e.tenant_id = $1 AND e.assessment_id = $2`

	makePartitions = `SELECT drawgear_make_partitions($1)`

	appendToLog = `SELECT drawgear_append_all($1, $2, $3)`

	logSize = `SELECT coalesce((SELECT size FROM log_tails WHERE tenant_id = $1), 0)`

	logIndex = `SELECT seq FROM log_entries WHERE tenant_id = $1 AND assessment_id = $2`

	// Null for a node that is not there yet.
	logNodes = `SELECT e.hashes[w.element]
FROM unnest($2::bigint[], $3::integer[]) WITH ORDINALITY AS w (seq, element, n)
LEFT JOIN log_entries e ON e.tenant_id = $1 AND e.seq = w.seq
ORDER BY w.n`

	logLeaves = `SELECT seq, assessment_id, hashes[1] FROM log_entries
WHERE tenant_id = $1 AND seq >= $2 ORDER BY seq LIMIT $3`

	putFitting = `INSERT INTO fittings (tenant_id, id, created_at, jurisdiction, as_of, assessment_id, state, revision)
	VALUES ($1, $2, $3, $4, $5::text::date, $6, 'planned', 0)`

	// One row if the entry was the next, and none if not: then the log has
	// nothing either. Appends to one log wait for each other from here on.
	appendFitting = `WITH kept AS (
	INSERT INTO fitting_entries (tenant_id, fitting_id, revision, written_at, written_by, state, engine, given, made)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING written_at
)
SELECT drawgear_append($10, $11, written_at) FROM kept`

	fittingColumns = `f.id, f.created_at, f.jurisdiction, to_char(f.as_of, 'YYYY-MM-DD'), f.assessment_id, f.state, f.revision`

	// Where a fitting stands and how it came there, of one moment.
	getFitting = `SELECT ` + fittingColumns + `, e.revision, e.written_at, e.written_by, e.state, e.engine, e.given, e.made
FROM fittings f JOIN fitting_entries e ON e.tenant_id = f.tenant_id AND e.fitting_id = f.id
WHERE f.tenant_id = $1 AND f.id = $2 ORDER BY e.revision`

	fittingState = `SELECT state FROM fittings WHERE tenant_id = $1 AND id = $2`

	putTenant = `INSERT INTO tenants (id, name, created_at) VALUES ($1, $2, $3) ON CONFLICT (id) DO NOTHING`

	findTenant = `SELECT id::text, name, created_at FROM tenants WHERE id = $1`

	putKey = `INSERT INTO api_keys (id, tenant_id, name, secret_sha256, scopes, created_at, expires_at, revoked_at)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`

	keyColumns = `id, tenant_id::text, name, secret_sha256, scopes, created_at, expires_at, revoked_at`

	findKey = `SELECT ` + keyColumns + ` FROM api_keys WHERE id = $1`

	listKeys = `SELECT ` + keyColumns + ` FROM api_keys WHERE tenant_id = $1 ORDER BY created_at DESC, id DESC`

	// The first revocation stays.
	revokeKey = `UPDATE api_keys SET revoked_at = coalesce(revoked_at, $3) WHERE tenant_id = $1 AND id = $2`

	// One that is there with another text is touched, which it does not allow.
	importVersion = `INSERT INTO ruleset_versions
	(tenant_id, ruleset, version, jurisdiction, title, state, document, sha256, authored_by, approved_by, published_by, created_at, published_at, reason)
	VALUES (NULL, $1, $2, $3, $4, 'published', $5, $6, $7, $8, $9, $10, $11, '')
	ON CONFLICT (tenant_id, ruleset, version) DO UPDATE SET sha256 = excluded.sha256
	WHERE ruleset_versions.sha256 <> excluded.sha256`

	putDraft = `INSERT INTO ruleset_versions
	(tenant_id, ruleset, version, jurisdiction, title, state, document, sha256, authored_by, approved_by, published_by, created_at, reason)
	VALUES ($1, $2, $3, $4, $5, 'draft', $6, $7, $8, '', '', $9, '')
	ON CONFLICT (tenant_id, ruleset, version) DO NOTHING`

	// Only over what was read before: $10 to $12 are what tells one draft from another.
	replaceDraft = `UPDATE ruleset_versions
	SET jurisdiction = $4, title = $5, document = $6, sha256 = $7, authored_by = $8, created_at = $9
	WHERE tenant_id = $1 AND ruleset = $2 AND version = $3
	AND state = 'draft' AND sha256 = $10 AND authored_by = $11 AND created_at = $12`

	// Likewise; beyond a draft the state alone does.
	moveVersion = `UPDATE ruleset_versions
	SET state = $4, approved_by = $5, published_by = $6, published_at = $7, withdrawn_at = $8, reason = $9
	WHERE tenant_id = $1 AND ruleset = $2 AND version = $3
	AND state = $10 AND sha256 = $11 AND authored_by = $12 AND created_at = $13`

	versionColumns = `coalesce(tenant_id::text, ''), ruleset, version, jurisdiction, title, state, sha256,
	authored_by, approved_by, published_by, created_at, published_at, withdrawn_at, reason`

	getOwnVersion = `SELECT ` + versionColumns + `, document FROM ruleset_versions
WHERE tenant_id = $1 AND ruleset = $2 AND version = $3`

	// The tenant's own hides a shipped one of the same name.
	getVersion = `SELECT ` + versionColumns + `, document FROM ruleset_versions
WHERE (tenant_id = $1 OR tenant_id IS NULL) AND ruleset = $2 AND version = $3 ORDER BY tenant_id NULLS LAST LIMIT 1`

	listVersions = `SELECT ` + versionColumns + ` FROM ruleset_versions
WHERE tenant_id = $1 OR tenant_id IS NULL ORDER BY ruleset, version, tenant_id NULLS LAST`

	loadVersions = `SELECT ` + versionColumns + `, document FROM ruleset_versions
WHERE state IN ('published', 'withdrawn') ORDER BY ruleset, version, tenant_id DESC NULLS LAST`

	// Nothing is ever unpublished, so these numbers only grow.
	markVersions = `SELECT count(*), count(*) FILTER (WHERE state = 'withdrawn') FROM ruleset_versions
WHERE state IN ('published', 'withdrawn')`

	listenVersions = `LISTEN drawgear_versions`

	// Held until the end of the transaction.
	lockReply = `SELECT pg_advisory_xact_lock(hashtextextended('drawgear reply ' || $1::text || ' ' || $2::text, 0))`

	getReply = `SELECT request_sha256, status, location, etag, body FROM idempotency_keys WHERE tenant_id = $1 AND key = $2`

	putReply = `INSERT INTO idempotency_keys (tenant_id, key, request_sha256, status, location, etag, body)
	VALUES ($1, $2, $3, $4, $5, $6, $7)`

	// One replica at a time: two would lock the same rows in different orders.
	lockExpiry = `SELECT pg_advisory_xact_lock(hashtextextended('drawgear expiry', 0))`

	// Of all tenants, so many at a time. The policies of the table say the same
	// of what is old.
	expireReplies = `DELETE FROM idempotency_keys WHERE (tenant_id, key) IN (
	SELECT tenant_id, key FROM idempotency_keys WHERE created_at < now() - interval '48 hours' ORDER BY created_at LIMIT $1)`

	// What was written comes back, which is less if a revision was not the next. By
	// kind and id, so that two writers of the same entries do not lock each other
	// out; of one entry, as they came.
	putEntries = `INSERT INTO register_entries
	(tenant_id, kind, id, revision, written_at, written_by, since, yard, fitted_kind, fitted_id, note, removed, document)
	SELECT $1, kind, id, revision, written_at, written_by, since::date, yard, fitted_kind, fitted_id, note, removed, document
	FROM unnest($2::text[], $3::text[], $4::integer[], $5::timestamptz[], $6::text[], $7::text[], $8::text[], $9::text[],
		$10::text[], $11::text[], $12::boolean[], $13::bytea[]) WITH ORDINALITY
		AS w (kind, id, revision, written_at, written_by, since, yard, fitted_kind, fitted_id, note, removed, document, n)
	ORDER BY kind COLLATE "C", id COLLATE "C", n
	RETURNING kind, id, revision`

	entryRevisionNow = `SELECT coalesce((SELECT revision FROM register_heads WHERE tenant_id = $1 AND kind = $2 AND id = $3), 0)`

	entryColumns = `e.kind, e.id, e.revision, e.written_at, e.written_by, to_char(e.since, 'YYYY-MM-DD'),
	e.yard, e.fitted_kind, e.fitted_id, e.note, e.removed, e.document`

	newestColumns = entryColumns + `
FROM register_heads h
JOIN register_entries e ON e.tenant_id = h.tenant_id AND e.kind = h.kind AND e.id = h.id AND e.revision = h.revision`

	getEntry = `SELECT ` + newestColumns + `
WHERE h.tenant_id = $1 AND h.kind = $2 AND h.id = $3`

	getEntries = `SELECT ` + newestColumns + `
WHERE h.tenant_id = $1 AND h.kind = $2 AND h.id = ANY ($3) ORDER BY h.id`

	entryHistory = `SELECT ` + entryColumns + ` FROM register_entries e
WHERE e.tenant_id = $1 AND e.kind = $2 AND e.id = $3 AND e.revision < $4 ORDER BY e.revision DESC LIMIT $5`

	fittedHistory = `SELECT ` + entryColumns + `
FROM (SELECT id, min(revision) AS first FROM register_entries
	WHERE tenant_id = $1 AND kind = 'parts' AND fitted_kind <> '' AND fitted_kind = $2 AND fitted_id = $3 GROUP BY id) AS was
JOIN register_entries e ON e.tenant_id = $1 AND e.kind = 'parts' AND e.id = was.id AND e.revision >= was.first
ORDER BY e.id, e.revision LIMIT $4`

	// From one tenant to the next, however many pairings each has.
	registerTenants = `WITH RECURSIVE found AS (
	(SELECT tenant_id FROM register_heads WHERE kind = 'pairings' AND NOT removed ORDER BY tenant_id LIMIT 1)
	UNION ALL
	SELECT h.tenant_id FROM found f CROSS JOIN LATERAL (SELECT tenant_id FROM register_heads
		WHERE kind = 'pairings' AND NOT removed AND tenant_id > f.tenant_id ORDER BY tenant_id LIMIT 1) AS h
)
SELECT tenant_id::text FROM found ORDER BY tenant_id`

	createAudit = `INSERT INTO audits (tenant_id, id, created_at, created_by, ask, state) VALUES ($1, $2, $3, $4, $5, 'receiving')`

	auditColumns = `a.id, a.created_at, a.created_by, a.ask, a.state, a.chunks, a.rows, a.chunks_done, a.rows_done, a.started_at, a.ended_at, a.note`

	getAudit = `SELECT ` + auditColumns + ` FROM audits a WHERE a.tenant_id = $1 AND a.id = $2`

	listAudits = `SELECT ` + auditColumns + ` FROM audits a WHERE a.tenant_id = $1 ORDER BY a.created_at DESC, a.id DESC LIMIT $2`

	moreAudits = `SELECT ` + auditColumns + ` FROM audits a WHERE a.tenant_id = $1 AND (a.created_at, a.id) < ($3, $4)
ORDER BY a.created_at DESC, a.id DESC LIMIT $2`

	// The lock lets the audit not start before the commit: what it has then is whole.
	putAuditInput = `INSERT INTO audit_inputs (tenant_id, audit_id, name, data)
	SELECT tenant_id, id, $3, $4 FROM audits WHERE tenant_id = $1 AND id = $2 AND state = 'receiving' FOR SHARE
	ON CONFLICT (tenant_id, audit_id, name) DO UPDATE SET data = excluded.data`

	getAuditInput = `SELECT data FROM audit_inputs WHERE tenant_id = $1 AND audit_id = $2 AND name = $3`

	putAuditChunk = `INSERT INTO audit_chunks (tenant_id, audit_id, number, first, rows, input)
	SELECT tenant_id, id, $3, $4, $5, $6 FROM audits WHERE tenant_id = $1 AND id = $2 AND state = 'receiving' FOR SHARE`

	getAuditChunk = `SELECT number, first, rows, input FROM audit_chunks WHERE tenant_id = $1 AND audit_id = $2 AND number = $3`

	startAudit = `UPDATE audits SET chunks = $3::integer, rows = $4, started_at = $5::timestamptz,
	state = CASE $3::integer WHEN 0 THEN 'done' ELSE 'running' END, ended_at = CASE $3::integer WHEN 0 THEN $5::timestamptz END
	WHERE tenant_id = $1 AND id = $2 AND state = 'receiving'`

	// Whoever holds the lock sees in the other two what the last one left there.
	finishChunk = `WITH open AS (
	SELECT FROM audits WHERE tenant_id = $1 AND id = $2 AND state = 'running' FOR NO KEY UPDATE
), kept AS (
	UPDATE audit_chunks c SET items = $4, tally = $5 FROM open
	WHERE c.tenant_id = $1 AND c.audit_id = $2 AND c.number = $3 AND c.tally IS NULL RETURNING c.rows
)
UPDATE audits a SET chunks_done = a.chunks_done + 1, rows_done = a.rows_done + kept.rows,
	state = CASE a.chunks_done + 1 WHEN a.chunks THEN 'done' ELSE a.state END,
	ended_at = CASE a.chunks_done + 1 WHEN a.chunks THEN $6::timestamptz END
	FROM kept WHERE a.tenant_id = $1 AND a.id = $2`

	chunkKept = `SELECT tally IS NOT NULL FROM audit_chunks WHERE tenant_id = $1 AND audit_id = $2 AND number = $3`

	endAudit = `UPDATE audits SET state = $3, note = $4, ended_at = $5
	WHERE tenant_id = $1 AND id = $2 AND state IN ('receiving', 'running') AND $3 IN ('cancelled', 'failed')`

	// Items that nobody asked for are not read.
	listAuditOutcomes = `SELECT number, first, rows, tally, CASE WHEN $5 THEN items END FROM audit_chunks
WHERE tenant_id = $1 AND audit_id = $2 AND number >= $3 AND tally IS NOT NULL ORDER BY number LIMIT $4`

	// The one that was made first. What belongs to it goes with it.
	dropAudit = `DELETE FROM audits WHERE (tenant_id, id) = (
	SELECT tenant_id, id FROM audits WHERE ended_at < $1 OR state = 'receiving' AND created_at < $2
	ORDER BY created_at, id LIMIT 1)`

	backlog = `SELECT kind, count(*) FROM river_job
WHERE state IN ('available', 'pending', 'retryable', 'running', 'scheduled') GROUP BY kind`

	// Only the first revision of one that is not there.
	putWebhook = `INSERT INTO webhooks
	(tenant_id, id, revision, created_at, created_by, url, events, paused, note, generation, rotated_at)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT (tenant_id, id) DO NOTHING`

	replaceWebhook = `UPDATE webhooks
	SET revision = $3, created_at = $4, created_by = $5, url = $6, events = $7, paused = $8, note = $9, generation = $10, rotated_at = $11
	WHERE tenant_id = $1 AND id = $2 AND revision = $3 - 1`

	webhookColumns = `id, revision, created_at, created_by, url, events, paused, note, generation, rotated_at`

	getWebhook = `SELECT ` + webhookColumns + ` FROM webhooks WHERE tenant_id = $1 AND id = $2`

	listWebhooks = `SELECT ` + webhookColumns + ` FROM webhooks WHERE tenant_id = $1 ORDER BY created_at, id`

	removeWebhook = `DELETE FROM webhooks WHERE tenant_id = $1 AND id = $2`

	hasWebhook = `SELECT EXISTS (SELECT FROM webhooks WHERE tenant_id = $1 AND id = $2)`

	// None for a webhook that is not there, or was told before. Nobody removes it
	// until the end of the transaction.
	putDelivery = `INSERT INTO deliveries
	(tenant_id, id, webhook_id, event_id, type, created_at, body, state, replay_of, attempts)
	SELECT w.tenant_id, $2, w.id, $4, $5, $6, $7, $8, $9, $10
	FROM webhooks w WHERE w.tenant_id = $1 AND w.id = $3 FOR KEY SHARE
	ON CONFLICT (tenant_id, webhook_id, event_id) WHERE replay_of = '' DO NOTHING`

	noteAttempt = `UPDATE deliveries SET attempts = array_append(attempts, $3::json), state = $4 WHERE tenant_id = $1 AND id = $2`

	deliveryColumns = `id, webhook_id, event_id, type, created_at, body, state, replay_of, attempts`

	getDelivery = `SELECT ` + deliveryColumns + ` FROM deliveries WHERE tenant_id = $1 AND id = $2`

	listDeliveries = `SELECT ` + deliveryColumns + ` FROM deliveries
WHERE tenant_id = $1 AND webhook_id = $2 ORDER BY created_at DESC, id DESC LIMIT $3`

	moreDeliveries = `SELECT ` + deliveryColumns + ` FROM deliveries
WHERE tenant_id = $1 AND webhook_id = $2 AND (created_at, id) < ($4, $5) ORDER BY created_at DESC, id DESC LIMIT $3`

	// Of all tenants.
	dropDeliveries = `DELETE FROM deliveries WHERE (tenant_id, id) IN (
	SELECT tenant_id, id FROM deliveries WHERE state <> 'pending' AND created_at < $1 ORDER BY created_at LIMIT $2)`

	// In seconds. Migrations note their time without a zone, in that of migrate.go.
	migratedAgo = `SELECT extract(epoch FROM now() AT TIME ZONE 'UTC' - tstamp)::bigint FROM ` + schemaTable + ` WHERE version_id = $1 AND is_applied ORDER BY id DESC LIMIT 1`

	schemaVersion = `SELECT coalesce(max(version_id), 0) FROM ` + schemaTable + ` WHERE is_applied`
)

// listFittings writes the query of a filter, as list does.
func listFittings(tenant string, f service.FittingFilter) (query string, args []any) {
	var q strings.Builder
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	q.WriteString("SELECT " + fittingColumns + " FROM fittings f WHERE f.tenant_id = " + arg(tenant))
	if f.State != "" {
		q.WriteString(" AND f.state = " + arg(text(string(f.State))))
	}
	if f.After != nil {
		q.WriteString(" AND (f.created_at, f.id) < (" + arg(instant(f.After.CreatedAt)) + ", " + arg(f.After.ID) + ")")
	}
	q.WriteString(" ORDER BY f.created_at DESC, f.id DESC LIMIT " + arg(f.Limit))
	return q.String(), args
}

// list writes the query of a filter. Each of the eight kinds of filter has a
// text of its own, and so a plan of its own.
func list(tenant string, f service.Filter) (query string, args []any) {
	var q strings.Builder
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	q.WriteString("SELECT " + summaryColumns + " FROM assessments a WHERE a.tenant_id = " + arg(tenant))
	if f.Jurisdiction != "" {
		q.WriteString(" AND a.jurisdiction = " + arg(text(f.Jurisdiction)))
	}
	if f.Verdict != "" {
		q.WriteString(" AND a.verdict = " + arg(text(string(f.Verdict))))
	}
	if f.After != nil {
		q.WriteString(" AND (a.created_at, a.id) < (" + arg(instant(f.After.CreatedAt)) + ", " + arg(f.After.ID) + ")")
	}
	q.WriteString(" ORDER BY a.created_at DESC, a.id DESC LIMIT " + arg(f.Limit))
	return q.String(), args
}

// listEntries writes the query of a filter, as list does.
func listEntries(tenant string, f service.EntryFilter) (query string, args []any) {
	var q strings.Builder
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	q.WriteString("SELECT " + newestColumns + " WHERE h.tenant_id = " + arg(tenant) + " AND h.kind = " + arg(text(string(f.Kind))) + " AND h.id > " + arg(f.After))
	if f.Yard != "" {
		q.WriteString(" AND h.yard = " + arg(text(f.Yard)))
	}
	if f.FittedTo != (service.FittedTo{}) {
		// What is fitted to nothing is not in the index.
		q.WriteString(" AND h.fitted_kind <> '' AND h.fitted_kind = " + arg(text(string(f.FittedTo.Kind))) + " AND h.fitted_id = " + arg(text(f.FittedTo.ID)))
	}
	if !f.Removed {
		q.WriteString(" AND NOT h.removed")
	}
	q.WriteString(" ORDER BY h.id LIMIT " + arg(f.Limit))
	return q.String(), args
}

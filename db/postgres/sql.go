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

	putAssessment = `INSERT INTO assessments
	(tenant_id, id, created_at, jurisdiction, as_of, known_at, verdict, answer_sha256, rig, answer, engine)
	VALUES ($1, $2, $3, $4, $5::text::date, $6, $7, $8, $9, $10, $11)`

	summaryColumns = `a.id, a.created_at, a.jurisdiction, to_char(a.as_of, 'YYYY-MM-DD'), a.verdict, encode(a.answer_sha256, 'hex')`

	// The log leads to the month, so that one partition is asked and not all.
	getAssessment = `SELECT ` + summaryColumns + `, a.rig, a.answer, a.engine, a.known_at
FROM log_entries e
JOIN assessments a ON a.tenant_id = e.tenant_id AND a.created_at = e.created_at AND a.id = e.assessment_id
WHERE e.tenant_id = $1 AND e.assessment_id = $2`

	makePartitions = `SELECT drawgear_make_partitions($1)`

	appendToLog = `SELECT drawgear_append($1, $2, $3)`

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

package postgres

import (
	"context"
	"time"

	"drawgear/service"
)

// Statements are those of sql.go by name, as a test of their completeness wants.
var Statements = map[string]string{
	"setTenant": setTenant, "setKey": setKey, "setSnapshot": setSnapshot,
	"putAssessments": putAssessments, "putBase": putBase, "getBase": getBase, "getAssessment": getAssessment, "makePartitions": makePartitions,
	"appendToLog": appendToLog, "logSize": logSize, "logIndex": logIndex, "logNodes": logNodes, "logLeaves": logLeaves,
	"putFitting": putFitting, "appendFitting": appendFitting, "getFitting": getFitting, "fittingState": fittingState,
	"putTenant": putTenant, "findTenant": findTenant,
	"putKey": putKey, "findKey": findKey, "listKeys": listKeys, "revokeKey": revokeKey,
	"importVersion": importVersion, "putDraft": putDraft, "replaceDraft": replaceDraft, "moveVersion": moveVersion,
	"getOwnVersion": getOwnVersion, "getVersion": getVersion, "listVersions": listVersions, "loadVersions": loadVersions,
	"markVersions": markVersions, "listenVersions": listenVersions,
	"lockReply": lockReply, "getReply": getReply, "putReply": putReply, "setExpire": setExpire, "lockExpiry": lockExpiry, "expireReplies": expireReplies,
	"setPaired": setPaired, "putEntries": putEntries, "entryRevisionNow": entryRevisionNow, "getEntry": getEntry, "getEntries": getEntries, "entryHistory": entryHistory,
	"fittedHistory": fittedHistory, "registerTenants": registerTenants,
	"createAudit": createAudit, "getAudit": getAudit, "listAudits": listAudits, "moreAudits": moreAudits,
	"putAuditInput": putAuditInput, "getAuditInput": getAuditInput, "putAuditChunk": putAuditChunk, "getAuditChunk": getAuditChunk,
	"startAudit": startAudit, "finishChunk": finishChunk, "chunkKept": chunkKept, "endAudit": endAudit,
	"listAuditOutcomes": listAuditOutcomes, "dropAudit": dropAudit, "backlog": backlog,
	"putWebhook": putWebhook, "replaceWebhook": replaceWebhook, "getWebhook": getWebhook, "listWebhooks": listWebhooks,
	"removeWebhook": removeWebhook, "hasWebhook": hasWebhook, "putDelivery": putDelivery, "noteAttempt": noteAttempt,
	"getDelivery": getDelivery, "listDeliveries": listDeliveries, "moreDeliveries": moreDeliveries, "dropDeliveries": dropDeliveries,
	"schemaVersion": schemaVersion, "migratedAgo": migratedAgo,
}

// List is the statement of a filter.
func List(tenant string, f service.Filter) (query string, args []any) { return list(tenant, f) }

// ListFittings is the statement of a filter.
func ListFittings(tenant string, f service.FittingFilter) (query string, args []any) {
	return listFittings(tenant, f)
}

// ListEntries is the statement of a filter.
func ListEntries(tenant string, f service.EntryFilter) (query string, args []any) {
	return listEntries(tenant, f)
}

// SchemaTable is where migrations are noted.
const SchemaTable = schemaTable

// Hurry makes a store wait so long before it tries a job again, and so long before
// it takes up one whose worker is gone. That bounds an attempt, too.
func (s *Store) Hurry(again, rescue time.Duration) {
	s.queue.backoff = func(int) time.Duration { return again }
	s.queue.limit, s.queue.rescue, s.queue.look = rescue, rescue, fetchPause
}

// Waiting counts the records of a tenant that wait for a commit to end.
func (s *Store) Waiting(tenant string) int {
	s.gather.mu.Lock()
	defer s.gather.mu.Unlock()
	if _, busy := s.gather.waiting[tenant]; !busy {
		return -1
	}
	return len(s.gather.waiting[tenant])
}

// Lines counts the tenants whose records are being committed.
func (s *Store) Lines() int {
	s.gather.mu.Lock()
	defer s.gather.mu.Unlock()
	return len(s.gather.waiting)
}

// PutAlone is Put with a commit of its own, whoever else comes.
func (s *Store) PutAlone(ctx context.Context, r service.Record) error {
	tenant, err := service.TenantOf(ctx)
	if err != nil {
		return err
	}
	k, _ := s.packs.pack(about{tenant, r.Jurisdiction}, r.Answer)
	w, err := newRow(tenant, r, k)
	if err != nil {
		return err
	}
	return s.write(ctx, tenant, []row{w})
}

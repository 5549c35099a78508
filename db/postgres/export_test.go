package postgres

import "drawgear/service"

// Statements are those of sql.go by name, as a test of their completeness wants.
var Statements = map[string]string{
	"setTenant": setTenant, "setKey": setKey, "setSnapshot": setSnapshot,
	"putAssessment": putAssessment, "getAssessment": getAssessment, "makePartitions": makePartitions,
	"appendToLog": appendToLog, "logSize": logSize, "logIndex": logIndex, "logNodes": logNodes, "logLeaves": logLeaves,
	"putFitting": putFitting, "appendFitting": appendFitting, "getFitting": getFitting, "fittingState": fittingState,
	"putTenant": putTenant, "findTenant": findTenant,
	"putKey": putKey, "findKey": findKey, "listKeys": listKeys, "revokeKey": revokeKey,
	"importVersion": importVersion, "putDraft": putDraft, "replaceDraft": replaceDraft, "moveVersion": moveVersion,
	"getOwnVersion": getOwnVersion, "getVersion": getVersion, "listVersions": listVersions, "loadVersions": loadVersions,
	"markVersions": markVersions, "listenVersions": listenVersions,
	"lockReply": lockReply, "getReply": getReply, "putReply": putReply, "setExpire": setExpire, "lockExpiry": lockExpiry, "expireReplies": expireReplies,
	"schemaVersion": schemaVersion,
}

// List is the statement of a filter.
func List(tenant string, f service.Filter) (query string, args []any) { return list(tenant, f) }

// ListFittings is the statement of a filter.
func ListFittings(tenant string, f service.FittingFilter) (query string, args []any) {
	return listFittings(tenant, f)
}

// SchemaTable is where migrations are noted.
const SchemaTable = schemaTable

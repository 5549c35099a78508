package memory

import (
	"slices"

	"drawgear/service"
)

// data is all that a store keeps.
type data struct {
	tenants  table[string, service.Tenant]
	keys     table[string, service.Key]
	versions table[versionID, service.Version]
	mark     int // counts changes of what is published

	records table[owned[string], service.Record]
	order   []entry // of the records, oldest first
	size    int     // bytes of all rigs and answers

	fittings     table[owned[string], service.FittingRecord]
	fittingOrder []entry // oldest first
	fitted       int     // bytes of all their entries

	register    table[owned[entryID], []service.Entry]    // revisions, oldest first
	registerIDs table[owned[service.EntryKind], []string] // of the entries, in order; a list is replaced, not changed
	registered  int                                       // bytes of all revisions

	audits        table[owned[string], service.AuditRecord]
	auditInputs   table[owned[inputID], []byte]
	auditChunks   table[owned[chunkID], service.AuditChunk]
	auditOutcomes table[owned[chunkID], service.AuditOutcome]
	auditSizes    table[owned[string], int] // bytes of an audit with all of these
	audited       int                       // bytes of all audits

	jobs   table[jobID, work]
	jobSeq int64 // jobs that ever came
	// Those that wait for their turn, and, of a store that lies over none, those that
	// were done or given up, in that order.
	waiting  table[jobID, struct{}]
	finished []jobID

	webhooks      table[owned[string], service.Webhook]
	deliveries    table[owned[string], service.Delivery]
	told          table[owned[telling], string] // ids of the first deliveries
	deliveryOrder []entry                       // oldest first
	delivered     int                           // bytes of all deliveries

	// The logs. They outlast the records and fittings, and remember ids that are gone.
	lengths table[string, int64] // by tenant
	entered table[owned[int64], string]
	places  table[owned[string], int64]
	nodes   table[owned[service.NodeID], hash]

	replies  table[owned[string], outcome]
	answered []owned[string] // keys of the replies, oldest first
	spoken   int             // bytes of all replies
}

// owned is the key of something that belongs to a tenant.
type owned[K comparable] struct {
	tenant string
	key    K
}

// versionID names a version; the tenant is empty for a shipped one.
type versionID struct {
	tenant, ruleset string
	number          int
}

// entry is the place of a record, a fitting or a delivery among all of its kind.
type entry struct {
	service.Position
	tenant string
}

// over returns data that shows the same and takes what is written for itself.
// Until that is poured or forgotten, d must not change.
func (d *data) over() data {
	return data{
		tenants: d.tenants.over(), keys: d.keys.over(), versions: d.versions.over(), mark: d.mark,
		records: d.records.over(), order: slices.Clip(d.order), size: d.size, // clipped: an insert copies
		fittings: d.fittings.over(), fittingOrder: slices.Clip(d.fittingOrder), fitted: d.fitted,
		register: d.register.over(), registerIDs: d.registerIDs.over(), registered: d.registered,
		audits: d.audits.over(), auditInputs: d.auditInputs.over(), auditChunks: d.auditChunks.over(), auditOutcomes: d.auditOutcomes.over(),
		auditSizes: d.auditSizes.over(), audited: d.audited, jobs: d.jobs.over(), jobSeq: d.jobSeq, waiting: d.waiting.over(),
		webhooks: d.webhooks.over(), deliveries: d.deliveries.over(), told: d.told.over(),
		deliveryOrder: slices.Clip(d.deliveryOrder), delivered: d.delivered,
		lengths: d.lengths.over(), entered: d.entered.over(), places: d.places.over(), nodes: d.nodes.over(),
		replies: d.replies.over(), answered: slices.Clip(d.answered), spoken: d.spoken,
	}
}

// pour writes everything into the data that d lies over.
func (d *data) pour(into *data) {
	d.tenants.pour()
	d.keys.pour()
	d.versions.pour()
	into.mark = d.mark
	d.records.pour()
	into.order, into.size = d.order, d.size
	d.fittings.pour()
	into.fittingOrder, into.fitted = d.fittingOrder, d.fitted
	d.register.pour()
	d.registerIDs.pour()
	into.registered = d.registered
	d.audits.pour()
	d.auditInputs.pour()
	d.auditChunks.pour()
	d.auditOutcomes.pour()
	d.auditSizes.pour()
	into.audited = d.audited
	d.jobs.pour()
	into.jobSeq = d.jobSeq
	d.waiting.pour()
	d.webhooks.pour()
	d.deliveries.pour()
	d.told.pour()
	into.deliveryOrder, into.delivered = d.deliveryOrder, d.delivered
	d.lengths.pour()
	d.entered.pour()
	d.places.pour()
	d.nodes.pour()
	d.replies.pour()
	into.answered, into.spoken = d.answered, d.spoken
}

// trim drops the oldest records, fittings, deliveries and replies while there are
// too many of a kind; of deliveries, those first that are not pending. It is for data that lies over no other.
func (d *data) trim(records, bytes int) {
	for len(d.order) > records || d.size > bytes {
		oldest := owned[string]{d.order[0].tenant, d.order[0].ID}
		d.size -= size(d.records.own[oldest])
		delete(d.records.own, oldest)
		d.order = d.order[1:]
	}
	for len(d.fittingOrder) > records || d.fitted > bytes {
		oldest := owned[string]{d.fittingOrder[0].tenant, d.fittingOrder[0].ID}
		d.fitted -= fittingSize(d.fittings.own[oldest])
		delete(d.fittings.own, oldest)
		d.fittingOrder = d.fittingOrder[1:]
	}
	d.trimDeliveries(records, bytes)
	for len(d.answered) > records || d.spoken > bytes {
		oldest := d.answered[0]
		d.spoken -= len(d.replies.own[oldest].reply.Body)
		delete(d.replies.own, oldest)
		d.answered = d.answered[1:]
	}
}

func size(r service.Record) int { return len(r.Rig) + len(r.Answer) }

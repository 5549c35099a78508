package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"drawgear/service"
)

// A stream of events looks for news once every pollEvery, and says something
// at least once in heartbeat polls, so that whatever lies between does not take
// the connection for dead.
const (
	pollEvery = time.Second
	heartbeat = 15
)

// StreamAuditEvents tells of the progress of an audit as it happens.
func (h *handlers) StreamAuditEvents(ctx context.Context, r StreamAuditEventsRequestObject) (StreamAuditEventsResponseObject, error) {
	if h.audits == nil {
		return nil, errNoAudits
	}
	a, err := h.audits.Get(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	return eventsReply{ctx, h, a}, nil
}

// eventsReply sends server-sent events (WHATWG HTML, section 9.2).
type eventsReply struct {
	ctx context.Context
	h   *handlers
	at  service.Audit // as it is at first
}

// VisitStreamAuditEventsResponse writes events until there are no more, the
// caller leaves, the time is over or the service is about to stop. To whoever
// still listens the end says no more than that the question is to be put again.
func (e eventsReply) VisitStreamAuditEventsResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	if onlyHead(e.ctx) {
		return nil
	}
	poll := time.NewTicker(pollEvery)
	defer poll.Stop()
	out := steadily(w)
	var told []byte
	for a, quiet := e.at, 0; ; quiet++ {
		data, err := json.Marshal(a)
		if err != nil {
			return fmt.Errorf("write an audit: %w", err)
		}
		text := ""
		switch {
		case a.State.Ended():
			text = fmt.Sprintf("id: %d\nevent: ended\ndata: %s\n\n", a.RowsDone, data)
		case !bytes.Equal(data, told):
			text = fmt.Sprintf("id: %d\nevent: progress\ndata: %s\n\n", a.RowsDone, data)
		case quiet >= heartbeat:
			text = ":\n\n"
		}
		if text != "" {
			if _, err := out.Write([]byte(text)); err != nil {
				return nil // nobody is there
			}
			if err := out.conn.Flush(); err != nil {
				return nil
			}
			told, quiet = data, 0
		}
		if a.State.Ended() {
			return nil
		}
		select {
		case <-e.ctx.Done():
			return nil
		case <-poll.C:
		}
		if e.h.draining() {
			return nil
		}
		if a, err = e.h.audits.Get(e.ctx, a.ID); err != nil {
			return nil
		}
	}
}

package service

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"syscall"
	"time"
)

const (
	maxHookReply  = 4 << 10         // bytes of a reply that are read
	maxHookHeader = 16 << 10        // bytes of its header
	noteWait      = 5 * time.Second // for noting an attempt when the job has no time left
)

// What is told of an attempt that failed. It names no address but that of the
// webhook, and repeats nothing of the reply.
const (
	faultPaused  = "the webhook is paused"
	faultRemoved = "the webhook was removed"
	faultHost    = "the host is not one that may be told"
	faultAddress = "the address is not one that may be told"
	faultName    = "the host was not found"
	faultTLS     = "no trusted TLS connection"
	faultTimeout = "timed out"
	faultStopped = "the service stopped meanwhile"
	faultNone    = "no connection, or no proper reply"
)

var errAddress = errors.New(faultAddress)

// hookClient sends deliveries. Whatever a name stands for at the time, the address
// itself is looked at before it is connected to; no proxy stands between, and no
// reply leads elsewhere. A connection serves one delivery, so that there are never
// more than workers.
func hookClient(may hookRules, d *net.Dialer, timeout time.Duration) *http.Client {
	d.Control = func(_, address string, _ syscall.RawConn) error {
		to, err := netip.ParseAddrPort(address)
		if err != nil || !may.mayReach(to.Addr()) {
			return errAddress
		}
		return nil
	}
	return &http.Client{
		Transport: &http.Transport{
			DialContext:            d.DialContext,
			TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12},
			DisableKeepAlives:      true,
			DisableCompression:     true,
			MaxResponseHeaderBytes: maxHookHeader,
		},
		CheckRedirect: stay,
		Timeout:       timeout,
	}
}

// Carry carries out a job of kind JobDelivery: it sends the delivery once and
// notes what came of it. While there is hope it fails, so that the job is tried
// again. A receiver may get a delivery twice, and knows it by its id.
func (h *Hooks) Carry(ctx context.Context, j Job) error {
	d, err := h.store.GetDelivery(ctx, j.ID)
	switch {
	case errors.Is(err, ErrNotFound): // it went with its webhook
		return nil
	case err != nil:
		return fmt.Errorf("get a delivery: %w", err)
	case d.State != DeliveryPending:
		return nil
	}
	w, err := h.store.GetWebhook(ctx, d.Webhook)
	switch {
	case errors.Is(err, ErrNotFound):
		return h.note(ctx, d, Attempt{At: h.time(), Fault: faultRemoved}, DeliveryFailed)
	case err != nil:
		return fmt.Errorf("get a webhook: %w", err)
	case w.Paused:
		return h.note(ctx, d, Attempt{At: h.time(), Fault: faultPaused}, DeliveryFailed)
	}
	a, err := h.try(ctx, w, d)
	if err != nil {
		return err
	}
	state := DeliveryPending
	switch {
	case a.Fault == "":
		state = DeliveryDelivered
	case a.Status == http.StatusGone:
		state = DeliveryFailed
		if err := h.pause(ctx, w); err != nil {
			return err
		}
	case j.Attempt >= MaxJobAttempts:
		state = DeliveryFailed
	}
	if err := h.note(ctx, d, a, state); err != nil {
		return err
	}
	if state == DeliveryPending {
		return fmt.Errorf("tell webhook %s: %s", w.ID, a.Fault)
	}
	return nil
}

// note keeps an attempt, even if the time of the job is over: a delivery that
// arrived must not be sent again for that.
func (h *Hooks) note(ctx context.Context, d Delivery, a Attempt, state DeliveryState) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), noteWait)
	defer cancel()
	if err := h.store.NoteAttempt(ctx, d.ID, a, state); err != nil && !errors.Is(err, ErrNotFound) {
		return fmt.Errorf("note an attempt: %w", err)
	}
	return nil
}

// pause pauses a webhook whose receiver said that it is gone, unless it has been
// given another address since.
func (h *Hooks) pause(ctx context.Context, gone Webhook) error {
	_, err := h.revise(ctx, gone.ID, "", func(w *Webhook) bool {
		same := !w.Paused && w.URL == gone.URL
		w.Paused = w.Paused || same
		return same
	})
	if err != nil && !errors.Is(err, ErrNotFound) {
		return fmt.Errorf("pause a webhook: %w", err)
	}
	return nil
}

// try sends a delivery once. It fails only if it could not come to sending.
func (h *Hooks) try(ctx context.Context, w Webhook, d Delivery) (Attempt, error) {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return Attempt{}, err
	}
	a := Attempt{At: h.time()}
	to, wrong := h.may.target(w.URL) // what may be told can have changed since it was written
	if wrong != nil {
		a.Fault = faultHost
		return a, nil
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to.String(), bytes.NewReader(d.Body))
	if err != nil {
		return Attempt{}, fmt.Errorf("make a delivery: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "drawgear/"+Engine())
	req.Header.Set(headerHookID, d.Event)
	req.Header.Set(headerHookTimestamp, strconv.FormatInt(a.At.Unix(), 10))
	req.Header.Set(headerHookSignature, hookSignatures(h.key, tenant, w, d.Event, a.At, d.Body))
	reply, err := h.client.Do(req)
	if err != nil {
		a.Fault = faultOf(ctx, err)
	} else {
		io.CopyN(io.Discard, reply.Body, maxHookReply) // what it says does not matter, nor whether it ends
		reply.Body.Close()
		a.Status = reply.StatusCode
		if a.Status < 200 || a.Status > 299 {
			a.Fault = fmt.Sprintf("answered %d", a.Status)
		}
	}
	a.Took = max(0, h.time().Sub(a.At))
	return a, nil
}

// faultOf puts an error of sending into words for those who set up the webhook.
func faultOf(ctx context.Context, err error) string {
	var (
		name    *net.DNSError
		network net.Error
		record  tls.RecordHeaderError
		trust   *tls.CertificateVerificationError
		alert   *net.OpError
	)
	switch {
	case ctx.Err() != nil:
		return faultStopped
	case errors.Is(err, errAddress):
		return faultAddress
	case errors.As(err, &network) && network.Timeout():
		return faultTimeout
	case errors.As(err, &name):
		return faultName
	case errors.As(err, &trust), errors.As(err, &record), errors.Is(err, http.ErrSchemeMismatch),
		errors.As(err, &alert) && alert.Op == "remote error": // as crypto/tls names what the other side says
		return faultTLS
	default:
		return faultNone
	}
}

package service

import (
	"crypto/x509"
	"net"
	"net/http"
	"net/netip"
)

// Trust has the certificates of receivers held to a pool, and their names looked
// up by a resolver; nil for those of the machine.
func (h *Hooks) Trust(roots *x509.CertPool, names *net.Resolver) {
	h.client = hookClient(h.may, &net.Dialer{Resolver: names}, h.client.Timeout)
	h.Transport().TLSClientConfig.RootCAs = roots
}

// Transport is what carries deliveries.
func (h *Hooks) Transport() *http.Transport { return h.client.Transport.(*http.Transport) }

// Through has deliveries carried by something else.
func (h *Hooks) Through(t http.RoundTripper) { h.client.Transport = t }

// DialControl looks at an address as it is before it is connected to.
func (h *Hooks) DialControl(address string) error {
	d := new(net.Dialer)
	hookClient(h.may, d, hookWait)
	return d.Control("tcp", address, nil)
}

// Parts of webhooks that are tested by themselves.
var (
	IsPublic       = isPublic
	SignHook       = signHook
	HookSecret     = hookSecret
	ErrHookAddress = errAddress
)

// HookTarget says whether an address can be that of a webhook.
func HookTarget(c HookConfig, text string) (ok bool, err error) {
	r, err := newHookRules(c)
	if err != nil {
		return false, err
	}
	_, fault := r.target(text)
	return fault == nil, nil
}

// MayReach says whether an address may be told.
func MayReach(c HookConfig, addr netip.Addr) bool {
	r, err := newHookRules(c)
	return err == nil && r.mayReach(addr)
}

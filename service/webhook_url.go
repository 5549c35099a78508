package service

import (
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"drawgear/rules/rig"
)

// hookRules say which addresses may be told.
type hookRules struct {
	hosts    []hookHost
	networks []netip.Prefix
	plain    bool
}

// hookHost is a host that may be told, or all below it.
type hookHost struct {
	name  string // lower case, or an address
	below bool
	port  string
}

func newHookRules(c HookConfig) (hookRules, error) {
	r := hookRules{plain: c.Plain}
	for _, text := range c.Allow {
		host, err := parseHookHost(text)
		if err != nil {
			return hookRules{}, fmt.Errorf("host %q of webhooks: %w", text, err)
		}
		r.hosts = append(r.hosts, host)
	}
	for _, p := range c.Networks {
		if !p.IsValid() || p.Addr().Is4In6() {
			return hookRules{}, fmt.Errorf("network %v of webhooks is not one of IPv4 or IPv6, such as 10.20.0.0/16", p)
		}
		r.networks = append(r.networks, p.Masked())
	}
	return r, nil
}

func parseHookHost(text string) (hookHost, error) {
	name, below := strings.CutPrefix(text, "*.")
	u, err := url.Parse("https://" + name)
	if err != nil || u.Host != name {
		return hookHost{}, fmt.Errorf("it is not of the form hooks.example.org, *.example.org or hooks.example.org:8443")
	}
	host, port, ok := hostAndPort(u)
	if !ok {
		return hookHost{}, fmt.Errorf("it is no host name with a port from 1 to 65535")
	}
	if _, err := netip.ParseAddr(host); below && err == nil {
		return hookHost{}, fmt.Errorf("nothing is below an address")
	}
	return hookHost{name: host, below: below, port: port}, nil
}

// target reads the address of a webhook, and finds the first thing wrong with it.
func (r hookRules) target(text string) (*url.URL, *rig.Issue) {
	wrong := func(code, message, advice string) (*url.URL, *rig.Issue) {
		return nil, &rig.Issue{Pointer: "/url", Code: code, Message: message, Advice: advice}
	}
	if len(text) > MaxHookURL {
		return wrong(rig.CodeLimit, "the address is too long", fmt.Sprintf("Give one of at most %d bytes.", MaxHookURL))
	}
	const example = "Give one such as https://hooks.example.org/drawgear."
	u, err := url.Parse(text)
	if err != nil || u.Opaque != "" || u.Host == "" || strings.ContainsFunc(text, func(c rune) bool { return c <= ' ' || c > '~' }) {
		return wrong(rig.CodeBadValue, "it is not an absolute address in ASCII", example)
	}
	switch {
	case u.Scheme != "https" && (u.Scheme != "http" || !r.plain):
		return wrong(rig.CodeBadValue, "the address does not start with https://", example)
	case u.User != nil:
		return wrong(rig.CodeBadValue, "there is a user in the address", "Leave it out: deliveries are known by their signature.")
	case strings.Contains(text, "#"):
		return wrong(rig.CodeBadValue, "there is a fragment in the address", "Leave out # and what follows: it is never sent.")
	}
	host, port, ok := hostAndPort(u)
	if !ok {
		return wrong(rig.CodeBadValue, "the address has no host name with a port from 1 to 65535", example)
	}
	if addr, err := netip.ParseAddr(host); err == nil && !r.inNetworks(addr) {
		return wrong(rig.CodeBadValue, "the host is a number", "Name the host, or have the administrator allow its network.")
	}
	if !slices.ContainsFunc(r.hosts, func(h hookHost) bool { return h.holds(host, port) }) {
		return wrong(rig.CodeBadValue, "the host, or its port, is not one that may be told", "Have the administrator of the service allow it.")
	}
	return u, nil
}

func (h hookHost) holds(host, port string) bool {
	if h.port != port {
		return false
	}
	if h.below {
		return strings.HasSuffix(host, "."+h.name)
	}
	return host == h.name
}

// hostAndPort gives the host in lower case, and its port. An address is written in
// its one shortest form (RFC 5952); a name has labels of letters, digits and
// hyphens (RFC 1123), the last of which starts with a letter, so that nobody can
// read it as a number.
func hostAndPort(u *url.URL) (host, port string, ok bool) {
	host, port = strings.ToLower(u.Hostname()), u.Port()
	switch {
	case strings.HasSuffix(u.Host, ":"):
		return "", "", false
	case port == "" && u.Scheme == "http":
		port = "80"
	case port == "":
		port = "443"
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 || strconv.FormatUint(n, 10) != port {
		return "", "", false
	}
	if addr, err := netip.ParseAddr(host); err == nil {
		return addr.Unmap().String(), port, addr.Zone() == ""
	}
	labels := strings.Split(host, ".")
	for _, label := range labels {
		if len(label) < 1 || len(label) > 63 || strings.Trim(label, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || label[0] == '-' || label[len(label)-1] == '-' {
			return "", "", false
		}
	}
	last := labels[len(labels)-1]
	return host, port, len(host) <= 253 && last[0] >= 'a'
}

// mayReach says whether an address may be told: one that is public, or in a
// network that is allowed.
func (r hookRules) mayReach(addr netip.Addr) bool {
	return r.inNetworks(addr) || isPublic(addr)
}

func (r hookRules) inNetworks(addr netip.Addr) bool {
	addr = addr.Unmap()
	return slices.ContainsFunc(r.networks, func(p netip.Prefix) bool { return p.Contains(addr) })
}

// nat64 is the prefix behind which every IPv4 address is found from networks that
// have IPv6 only (RFC 6052).
var nat64 = netip.MustParsePrefix("64:ff9b::/96")

// globalUnicast is what of IPv6 is given out to networks (RFC 4291, and the
// registry of IANA). Loopback, unspecified, link-local, site-local, unique local,
// multicast, discard and local translation addresses are all outside.
var globalUnicast = netip.MustParsePrefix("2000::/3")

// notPublic are the parts of IPv4, and of globalUnicast, that are for special
// purposes (registries of RFC 6890), by their RFC.
var notPublic = prefixes(
	"0.0.0.0/8",         // 1122: this network
	"10.0.0.0/8",        // 1918: private
	"100.64.0.0/10",     // 6598: carriers
	"127.0.0.0/8",       // 1122: loopback
	"169.254.0.0/16",    // 3927: link-local, where clouds tell metadata
	"172.16.0.0/12",     // 1918: private
	"192.0.0.0/24",      // 6890: protocols
	"192.0.2.0/24",      // 5737: documentation
	"192.31.196.0/24",   // 7535: AS112
	"192.52.193.0/24",   // 7450: multicast relays
	"192.88.99.0/24",    // 7526: 6to4 relays
	"192.168.0.0/16",    // 1918: private
	"192.175.48.0/24",   // 7534: AS112
	"198.18.0.0/15",     // 2544: benchmarks
	"198.51.100.0/24",   // 5737: documentation
	"203.0.113.0/24",    // 5737: documentation
	"224.0.0.0/4",       // 5771: multicast
	"240.0.0.0/4",       // 1112: reserved, and broadcast
	"2001::/23",         // 2928: protocols, with Teredo (4380), benchmarks (5180), ORCHID (4843, 7343)
	"2001:db8::/32",     // 3849: documentation
	"2002::/16",         // 3056: 6to4, which holds an IPv4 address
	"2620:4f:8000::/48", // 7534: AS112
	"3fff::/20",         // 9637: documentation
)

func prefixes(texts ...string) []netip.Prefix {
	out := make([]netip.Prefix, len(texts))
	for i, text := range texts {
		out[i] = netip.MustParsePrefix(text)
	}
	return out
}

// isPublic says whether an address belongs to some host on the public network. An
// IPv4 address inside one of IPv6 counts as itself.
func isPublic(addr netip.Addr) bool {
	if addr.Zone() != "" {
		return false
	}
	addr = addr.Unmap()
	if nat64.Contains(addr) {
		b := addr.As16()
		addr = netip.AddrFrom4([4]byte(b[12:]))
	}
	if addr.Is6() && !globalUnicast.Contains(addr) {
		return false
	}
	return addr.IsValid() && !slices.ContainsFunc(notPublic, func(p netip.Prefix) bool { return p.Contains(addr) })
}

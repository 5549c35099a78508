package api

import (
	"container/list"
	"errors"
	"fmt"
	"math"
	"net"
	"strconv"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"drawgear/service"
)

// Limits bound what callers may take of one replica. Zero values bound nothing.
type Limits struct {
	Rate     float64 // requests a second of one caller in the long run
	Burst    int     // requests at once of a caller who was quiet; 0 for two seconds' worth
	InFlight int     // requests being answered at a time, of all callers

	// Computing is how many of them compute at a time; half as many, and at least
	// one, may do so beside of what takes long.
	Computing int

	// TrustedProxies may say in X-Forwarded-For whose request they pass on.
	TrustedProxies []*net.IPNet
}

// Names of limits: the policies of the RateLimit header fields, and the label
// of the metric.
const (
	limitKey         = "key"         // requests with a credential that is good
	limitAddress     = "address"     // requests without a credential
	limitCredentials = "credentials" // credentials of an address that were no good
	limitInFlight    = "in_flight"
	limitQuick       = "computing"      // of what computes shortly, at a time
	limitLong        = "computing_long" // of what takes long
	limitUploads     = "uploads"        // of files, at a time, as the two below
	limitExports     = "exports"
	limitStreams     = "streams"
)

// gate holds callers to the limits. A caller is a key, or the subject of a
// token; who shows none is told by address. Health is always told: what probes
// a service must not be taken for what overloads it.
type gate struct {
	open      bool // nobody shows a credential
	telemetry *Telemetry

	slots                chan struct{} // full while as much is in flight as may be; nil for any number
	quick, long          *turns        // to compute; nil for any number
	keys, addresses, bad *buckets      // nil for no limit
	address              echo.IPExtractor
}

func newGate(l Limits, open bool, t *Telemetry) *gate {
	g := &gate{open: open, telemetry: t, address: echo.ExtractIPDirect()}
	if l.InFlight > 0 {
		g.slots = make(chan struct{}, l.InFlight)
	}
	if l.Computing > 0 {
		g.quick = newTurns(limitQuick, l.Computing, waitQuick, t)
		g.long = newTurns(limitLong, max(1, l.Computing/2), waitLong, t)
	}
	if len(l.TrustedProxies) > 0 {
		trust := []echo.TrustOption{echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false)}
		for _, n := range l.TrustedProxies {
			trust = append(trust, echo.TrustIPRange(n))
		}
		g.address = echo.ExtractIPFromXFFHeader(trust...)
	}
	if l.Rate <= 0 {
		return g
	}
	if l.Burst <= 0 {
		l.Burst = int(math.Ceil(2 * l.Rate))
	}
	g.keys, g.addresses, g.bad = newBuckets(l.Rate, l.Burst), newBuckets(l.Rate, l.Burst), newBuckets(l.Rate, l.Burst)
	return g
}

// bound refuses at once what is too much at a time: to wait for a turn would
// only make it later.
func (g *gate) bound(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if g.slots == nil || isHealth(c) {
			return next(c)
		}
		select {
		case g.slots <- struct{}{}:
			defer inFlight(c, g.slots)()
			return next(c)
		default:
			g.telemetry.refused.WithLabelValues(limitInFlight).Inc()
			return refuse(ProblemOverloaded, "As many requests are being answered as may be at a time.")
		}
	}
}

// byAddress holds those to the limit who show no credential, and those who show
// ones that are no good: each of them costs a look into the store.
func (g *gate) byAddress(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if g.addresses == nil || isHealth(c) {
			return next(c)
		}
		if !g.shows(c) {
			if err := g.take(c, g.addresses, g.origin(c), limitAddress); err != nil {
				return err
			}
			return next(c)
		}
		from := g.origin(c)
		if now := g.bad.look(from); !now.ok {
			return g.refuse(c, g.bad, now, limitCredentials)
		}
		err := next(c)
		var known *refusal
		if errors.Is(err, service.ErrUnauthenticated) || errors.As(err, &known) && known.kind == ProblemUnauthenticated {
			g.bad.take(from)
		}
		return err
	}
}

// byCaller holds those to the limit of whom it is known who they are. What was
// shown where nobody looks at it tells nothing, and counts by address.
func (g *gate) byCaller(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if g.keys == nil || !g.shows(c) || isHealth(c) {
			return next(c)
		}
		of, who, limit := g.addresses, g.origin(c), limitAddress
		if caller, known := service.CallerOf(c.Request().Context()); known {
			of, who, limit = g.keys, caller.Tenant+" "+caller.Subject, limitKey
		}
		if err := g.take(c, of, who, limit); err != nil {
			return err
		}
		return next(c)
	}
}

// shows says whether a request comes with a credential.
func (g *gate) shows(c echo.Context) bool {
	return !g.open && c.Request().Header.Get(echo.HeaderAuthorization) != ""
}

// origin is where a request comes from.
func (g *gate) origin(c echo.Context) string { return network(g.address(c.Request())) }

// take counts a request, and says in the header fields of
// draft-ietf-httpapi-ratelimit-headers-10 what is left.
func (g *gate) take(c echo.Context, of *buckets, who, limit string) error {
	now := of.take(who)
	if !now.ok {
		return g.refuse(c, of, now, limit)
	}
	of.tell(c, now, limit)
	return nil
}

func (g *gate) refuse(c echo.Context, of *buckets, now level, limit string) error {
	g.telemetry.refused.WithLabelValues(limit).Inc()
	of.tell(c, now, limit)
	wait := seconds(now.wait)
	c.Response().Header().Set("Retry-After", strconv.Itoa(wait))
	return refuse(ProblemRateLimited, "The limit %q is %s requests a second, and %d at once after a pause; the next is taken in %d s.",
		limit, strconv.FormatFloat(of.rate, 'g', -1, 64), of.burst, wait)
}

// isHealth says whether a request asks how the service does.
func isHealth(c echo.Context) bool { return c.Path() == "/livez" || c.Path() == "/readyz" }

// network is the address of a caller, or in IPv6 the network of one: whoever has
// one address there has 2^64.
func network(address string) string {
	ip := net.ParseIP(address)
	if ip == nil || ip.To4() != nil {
		return address
	}
	return ip.Mask(net.CIDRMask(64, 128)).String()
}

// maxBuckets bounds the memory that callers can make a replica use. Beyond it
// who was quiet longest is forgotten, and begins anew with a full burst.
const maxBuckets = 16384

// buckets are token buckets, one for each who asks. It is safe for concurrent
// use.
type buckets struct {
	rate  float64
	burst int
	now   func() time.Time

	mu     sync.Mutex
	byWho  map[string]*list.Element
	recent *list.List // of *bucket, the last to ask first
}

type bucket struct {
	who    string
	tokens *rate.Limiter
}

func newBuckets(perSecond float64, burst int) *buckets {
	return &buckets{rate: perSecond, burst: burst, now: time.Now, byWho: map[string]*list.Element{}, recent: list.New()}
}

// level is how full a bucket is.
type level struct {
	ok   bool          // there is, or was, a token to take
	left int           // whole tokens
	wait time.Duration // until there is one
	full time.Duration // until there are all
}

// take takes a token if there is one.
func (b *buckets) take(who string) level { return b.ask(who, 1) }

// look takes none.
func (b *buckets) look(who string) level { return b.ask(who, 0) }

func (b *buckets) ask(who string, tokens int) level {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	e, known := b.byWho[who]
	switch {
	case known:
		b.recent.MoveToFront(e)
	case tokens == 0:
		return level{ok: true, left: b.burst}
	default:
		if b.recent.Len() >= maxBuckets {
			last := b.recent.Back()
			delete(b.byWho, b.recent.Remove(last).(*bucket).who)
		}
		e = b.recent.PushFront(&bucket{who, rate.NewLimiter(rate.Limit(b.rate), b.burst)})
		b.byWho[who] = e
	}
	l := e.Value.(*bucket).tokens
	before := l.TokensAt(now)
	ok := before >= 1 && (tokens == 0 || l.AllowN(now, tokens))
	after := max(0, l.TokensAt(now))
	return level{ok: ok, left: int(after), wait: b.until(1 - after), full: b.until(float64(b.burst) - after)}
}

// until is how long so many tokens take to come.
func (b *buckets) until(tokens float64) time.Duration {
	return time.Duration(max(0, tokens) / b.rate * float64(time.Second))
}

// tell writes the RateLimit-Policy and RateLimit header fields: q requests in w
// seconds, of which r are left; in t seconds there are all again or, of a
// request that is refused, the next.
func (b *buckets) tell(c echo.Context, now level, limit string) {
	window := max(1, int(math.Ceil(float64(b.burst)/b.rate)))
	until := now.full
	if !now.ok {
		until = now.wait
	}
	h := c.Response().Header()
	h.Set("RateLimit-Policy", fmt.Sprintf("%q;q=%d;w=%d", limit, b.burst, window))
	h.Set("RateLimit", fmt.Sprintf("%q;r=%d;t=%d", limit, now.left, seconds(until)))
}

// seconds are whole ones, at least one if there is any wait.
func seconds(d time.Duration) int { return int(math.Ceil(d.Seconds())) }

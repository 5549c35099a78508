package client_test

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"drawgear/api/client"
)

// The example of Standard Webhooks 1.0.0
// (github.com/standard-webhooks/standard-webhooks, libraries/go, TestWebhookSign).
const (
	hookSecret    = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	hookID        = "msg_p5jXN8AQM9LWM0D4loKWxJek"
	hookTime      = "1614265330"
	hookBody      = `{"test": 2432232314}`
	hookSignature = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
)

func TestVerifyHook(t *testing.T) {
	const other = "v1,Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc="
	sent := time.Unix(1614265330, 0)
	type delivery struct {
		secret, id, at, signature, body string
		now                             time.Time
		tolerance                       time.Duration
	}
	for name, tt := range map[string]struct {
		change func(*delivery)
		want   error
	}{
		"as sent":              {func(*delivery) {}, nil},
		"secret without whsec": {func(d *delivery) { d.secret = strings.TrimPrefix(d.secret, "whsec_") }, nil},
		"a secret to come":     {func(d *delivery) { d.secret += " whsec_" + strings.Repeat("A", 32) }, nil},
		"a secret from before": {func(d *delivery) { d.secret = "whsec_" + strings.Repeat("A", 32) + " " + d.secret }, nil},
		"two other secrets":    {func(d *delivery) { d.secret = "whsec_" + strings.Repeat("A", 32) + " whsec_" + strings.Repeat("B", 32) }, client.ErrHookSignature},
		"two signatures":       {func(d *delivery) { d.signature = other + " " + d.signature }, nil},
		"the other way round":  {func(d *delivery) { d.signature += " " + other }, nil},
		"other kinds as well":  {func(d *delivery) { d.signature = "v1a,AAAA v2 v1 v1, " + d.signature + "  x" }, nil},
		"only others":          {func(d *delivery) { d.signature = other + " " + other }, client.ErrHookSignature},
		"another kind":         {func(d *delivery) { d.signature = "v2" + strings.TrimPrefix(d.signature, "v1") }, client.ErrHookSignature},
		"no kind":              {func(d *delivery) { d.signature = strings.TrimPrefix(d.signature, "v1,") }, client.ErrHookSignature},
		"part of a signature":  {func(d *delivery) { d.signature = d.signature[:len(d.signature)-4] }, client.ErrHookSignature},
		"no base64":            {func(d *delivery) { d.signature = "v1,§" }, client.ErrHookSignature},
		"another body":         {func(d *delivery) { d.body = strings.Replace(d.body, "4}", "5}", 1) }, client.ErrHookSignature},
		"body written again":   {func(d *delivery) { d.body = strings.ReplaceAll(d.body, " ", "") }, client.ErrHookSignature},
		"no body":              {func(d *delivery) { d.body = "" }, client.ErrHookSignature},
		"another id":           {func(d *delivery) { d.id = "msg_2" }, client.ErrHookSignature},
		"another time":         {func(d *delivery) { d.at = "1614265331" }, client.ErrHookSignature},
		"the time with zeros":  {func(d *delivery) { d.at = "0" + d.at }, client.ErrHookSignature},
		"another secret":       {func(d *delivery) { d.secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSx" }, client.ErrHookSignature},
		"just in time":         {func(d *delivery) { d.now = sent.Add(5 * time.Minute) }, nil},
		"too old":              {func(d *delivery) { d.now = sent.Add(5*time.Minute + 1) }, client.ErrHookTime},
		"just not to come":     {func(d *delivery) { d.now = sent.Add(-5 * time.Minute) }, nil},
		"to come":              {func(d *delivery) { d.now = sent.Add(-5*time.Minute - 1) }, client.ErrHookTime},
		"more tolerance":       {func(d *delivery) { d.now, d.tolerance = sent.Add(time.Hour), time.Hour }, nil},
		"less tolerance":       {func(d *delivery) { d.now, d.tolerance = sent.Add(time.Minute), time.Minute-1 }, client.ErrHookTime},
		"far ahead":            {func(d *delivery) { d.at = "1099511627775" }, client.ErrHookTime},
		"beyond numbers":       {func(d *delivery) { d.at = "99999999999999999999" }, client.ErrHookHeader},
		"before 1970":          {func(d *delivery) { d.at = "-1" }, client.ErrHookHeader},
		"no number":            {func(d *delivery) { d.at = "now" }, client.ErrHookHeader},
		"no time":              {func(d *delivery) { d.at = "" }, client.ErrHookHeader},
		"no id":                {func(d *delivery) { d.id = "" }, client.ErrHookHeader},
		"no signature":         {func(d *delivery) { d.signature = "" }, client.ErrHookHeader},
	} {
		d := delivery{secret: hookSecret, id: hookID, at: hookTime, signature: hookSignature, body: hookBody, now: sent}
		tt.change(&d)
		header := http.Header{}
		for name, value := range map[string]string{"webhook-id": d.id, "webhook-timestamp": d.at, "webhook-signature": d.signature} {
			if value != "" {
				header.Set(name, value)
			}
		}
		if err := client.VerifyHook(header, []byte(d.body), strings.Fields(d.secret), d.now, d.tolerance); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

// TestHookSecrets: a secret that is none verifies nothing, and is not repeated.
func TestHookSecrets(t *testing.T) {
	header := http.Header{"Webhook-Id": {hookID}, "Webhook-Timestamp": {hookTime}, "Webhook-Signature": {hookSignature}}
	for _, secret := range []string{"", "whsec_", "whsec_c2hvcnQ=", "whsec_§", "whsec_" + strings.Repeat("A", 88), hookSecret[:len(hookSecret)-4]} {
		err := client.VerifyHook(header, []byte(hookBody), []string{secret}, time.Unix(1614265330, 0), 0)
		if err == nil || len(secret) > 10 && strings.Contains(err.Error(), secret) {
			t.Errorf("%q: %v", secret, err)
		}
		if err := client.VerifyHook(header, []byte(hookBody), []string{hookSecret, secret}, time.Unix(1614265330, 0), 0); err == nil {
			t.Errorf("%q beside a good one is taken for a secret", secret)
		}
	}
	if err := client.VerifyHook(header, []byte(hookBody), nil, time.Unix(1614265330, 0), 0); err == nil {
		t.Error("verified with no secret")
	}
}

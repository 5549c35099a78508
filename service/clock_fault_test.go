package service_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/service"
)

// jumps are what a clock can do: run on, be set right by a little or by hours,
// and be wholly wrong.
var jumps = []time.Duration{0, time.Microsecond, time.Second, -time.Second, 2 * time.Hour, -2 * time.Hour, 40 * 24 * time.Hour, -40 * 24 * time.Hour, 80 * 365 * 24 * time.Hour, -80 * 365 * 24 * time.Hour}

// TestClockJumps lets the clock jump between assessments. The log stays in the
// order in which they came and verifies, lists show each once, what is kept is
// read and replayed as it was, and a repeated request brings back its reply.
func TestClockJumps(t *testing.T) {
	book := library(t, "1", "750")
	rapid.Check(t, func(rt *rapid.T) {
		now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
		store := memory.New(0)
		assessor := service.New(book, service.InStep(store), func() time.Time { return now })
		once := service.NewIdempotency(store)
		ctx := local(t)
		var order []string
		first := map[string]service.Assessment{}
		for i := range rapid.IntRange(2, 12).Draw(rt, "assessments") {
			now = now.Add(rapid.SampledFrom(jumps).Draw(rt, "jump"))
			key := fmt.Sprint("key-", i)
			do := func() (string, bool) {
				reply, again, err := once.Do(ctx, key, [32]byte{byte(i)}, func(ctx context.Context) (service.Reply, error) {
					a, err := assessor.Assess(ctx, []byte(`{"jurisdiction":"ZZ","as_of":"2026-11-25"}`), true)
					if err == nil {
						first[a.ID] = a
					}
					return service.Reply{Status: 201, Location: a.ID}, err
				})
				if err != nil {
					rt.Fatal(err)
				}
				return reply.Location, again
			}
			id, again := do()
			if again {
				rt.Errorf("request %d is taken for another", i)
			}
			order = append(order, id)
			now = now.Add(rapid.SampledFrom(jumps).Draw(rt, "jump before it is repeated"))
			if same, again := do(); same != id || !again {
				rt.Errorf("the repeated request gives %s, and %s before", same, id)
			}
		}
		leaves, err := store.LogLeaves(ctx, 0, 100)
		if err != nil {
			rt.Fatal(err)
		}
		var entered []string
		for _, l := range leaves {
			entered = append(entered, l.ID)
		}
		if !slices.Equal(entered, order) {
			rt.Errorf("the log has %v, and they came as %v", entered, order)
		}
		signer, err := service.LogSigner("")
		if err != nil {
			rt.Fatal(err)
		}
		verifier, err := note.NewVerifier(service.VerifierKey(signer))
		if err != nil {
			rt.Fatal(err)
		}
		var export bytes.Buffer
		ledger := service.NewLedger(store, signer)
		if err := ledger.Export(ctx, &export); err != nil {
			rt.Fatal(err)
		}
		if v, err := service.VerifyExport(&export, verifier); err != nil || v.Size != int64(len(order)) || v.Records != len(order) {
			rt.Errorf("the log of %d: %+v, %v", len(order), v, err)
		}
		var listed []string
		last := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
		for next := ""; ; {
			page, err := assessor.List(ctx, service.Query{Limit: 2, Cursor: next})
			if err != nil {
				rt.Fatal(err)
			}
			for _, it := range page.Items {
				if it.CreatedAt.After(last) {
					rt.Errorf("%s is listed after one of %v", it.CreatedAt, last)
				}
				last = it.CreatedAt
				listed = append(listed, it.ID)
			}
			if next = page.Next; next == "" {
				break
			}
		}
		slices.Sort(listed)
		if want := slices.Sorted(slices.Values(order)); !slices.Equal(listed, want) {
			rt.Errorf("listed are %v, want each once: %v", listed, want)
		}
		for _, id := range order {
			got, err := assessor.Get(ctx, id)
			if err != nil || !bytes.Equal(got.Answer, first[id].Answer) || !got.CreatedAt.Equal(first[id].CreatedAt) {
				rt.Errorf("%s is read as %v (%v)", id, got.CreatedAt, err)
			}
			if r, err := assessor.Replay(ctx, id); err != nil || !r.Same {
				rt.Errorf("%s is replayed otherwise (%v)", id, err)
			}
		}
	})
}

// TestKeysOverClockJumps: whatever the clock does, a key is good from when it is
// issued to the instant at which it ends by the clock of then, and a revoked one
// never again.
func TestKeysOverClockJumps(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
		store := memory.New(0)
		keys := service.NewKeyring(store, func() time.Time { return now })
		ctx := local(t)
		ends := now.Add(time.Hour)
		key, text, err := keys.Issue(ctx, "Saltmarsh Yard", []service.Scope{service.ScopeRead}, ends)
		if err != nil {
			rt.Fatal(err)
		}
		revoked := false
		for range rapid.IntRange(1, 20).Draw(rt, "steps") {
			now = now.Add(rapid.SampledFrom(append(jumps, time.Hour, -time.Hour, ends.Sub(now), ends.Sub(now)-1)).Draw(rt, "jump"))
			if !revoked && rapid.IntRange(0, 9).Draw(rt, "revoke") == 0 {
				if err := keys.Revoke(ctx, key.ID); err != nil {
					rt.Fatal(err)
				}
				revoked = true
			}
			_, err := keys.Authenticate(ctx, text.Reveal())
			if good := !revoked && now.Before(ends); (err == nil) != good {
				rt.Errorf("at %v, revoked %v: %v", now, revoked, err)
			}
		}
	})
}

// jump sets the clock of a replica on or back.
func (d auditDesk) jump(by time.Duration) { d.clock.Add(int64(by / time.Second)) }

// TestLawOverClockJumps lets the clocks of two replicas jump between publications,
// withdrawals, questions and audits. What answers is what was published last, for an
// audit as for a question, on whichever replica; what was known when something was
// published or withdrawn is what stood then; and every answer is replayed as it was.
func TestLawOverClockJumps(t *testing.T) {
	const rigText = `{"jurisdiction":"ZZ","as_of":"2026-11-25","trailer":{"rated":{"axles":"600 kg"}},"parts":[{"role":"coupling","rated_mass":"1000 kg"}]}`
	status := func(answer []byte) rules.Status {
		var a rules.Answer
		if err := json.Unmarshal(answer, &a); err != nil {
			t.Fatal(err)
		}
		return statusOf(a, "house.coupling")
	}
	anna, ben := who(t, saltmarshYard, "anna"), who(t, saltmarshYard, "ben")
	rapid.Check(t, func(rt *rapid.T) {
		one := newAuditDesk(t)
		pair := []auditDesk{one, deskOver(t, one.store, []byte(auditLaw))}
		live := map[int]rules.Status{} // what each version in force says of the rig
		now := func() rules.Status {   // the latest answers
			if len(live) == 0 {
				return ""
			}
			return live[slices.Max(slices.Collect(maps.Keys(live)))]
		}
		type change struct {
			at   time.Time
			says rules.Status
		}
		type given struct {
			id     string
			answer []byte
		}
		var changes []change
		var kept, audits []given
		changed := func(at time.Time) {
			if n := len(changes); n > 0 && !at.After(changes[n-1].at) {
				rt.Errorf("it is said to come at %v, and what was before at %v", at, changes[n-1].at)
			}
			changes = append(changes, change{at, now()})
			for _, d := range pair { // as if they were told
				if err := d.snapshots.Refresh(t.Context()); err != nil {
					rt.Fatal(err)
				}
			}
		}
		for step := range rapid.IntRange(1, 6).Draw(rt, "steps") {
			for i, d := range pair {
				d.jump(rapid.SampledFrom(jumps).Draw(rt, fmt.Sprintf("jump of %d", i)))
			}
			d := rapid.SampledFrom(pair).Draw(rt, "replica")
			if version := rapid.SampledFrom(append([]int{0}, slices.Sorted(maps.Keys(live))...)).Draw(rt, "to withdraw"); version > 0 {
				v, err := d.Withdraw(ben, "house-yard", version, "*", "Not wanted.")
				if err != nil {
					rt.Fatal(err)
				}
				delete(live, version)
				changed(v.WithdrawnAt)
			} else {
				least, says := "kg(900)", rules.Met
				if rapid.Bool().Draw(rt, "stricter") {
					least, says = "kg(1500)", rules.NotMet
				}
				text := strings.NewReplacer("version: 1", fmt.Sprintf("version: %d", step+1), "kg(1500)", least).Replace(couplingText)
				live[step+1] = says
				changed(d.publish(t, saltmarshYard, []byte(text)).PublishedAt)
			}
			for i, d := range pair {
				d.jump(rapid.SampledFrom(jumps).Draw(rt, fmt.Sprintf("next jump of %d", i)))
				a, err := d.Assess(anna, []byte(rigText), true)
				if err != nil {
					rt.Fatal(err)
				}
				if got := status(a.Answer); got != now() {
					rt.Errorf("replica %d answers %q, want %q", i, got, now())
				}
				kept = append(kept, given{a.ID, a.Answer})
				audit := d.upload(t, anna, service.AuditAsk{Source: service.AuditSource{Kind: service.AuditNDJSON}}, `{"id":"A","rig":`+rigText+"}\n")
				pair[1-i].run(t)
				item, err := d.Item(anna, audit.ID, 1)
				if err != nil {
					rt.Fatal(err)
				}
				if got := status(item.Answer); got != now() {
					rt.Errorf("the audit of replica %d answers %q, want %q", i, got, now())
				}
				audits = append(audits, given{audit.ID, item.Answer})
			}
		}
		for i, d := range pair {
			d.jump(rapid.SampledFrom(jumps).Draw(rt, fmt.Sprintf("last jump of %d", i)))
			for _, was := range kept {
				if r, err := d.Replay(anna, was.id); err != nil || !r.Same || !bytes.Equal(r.Answer, was.answer) {
					rt.Errorf("replica %d replays %s otherwise (%v)", i, was.id, err)
				}
			}
			for _, was := range audits {
				// Something may have been published since, by a clock behind that of the audit: then
				// nothing is answered rather than anything else.
				if item, err := d.Item(anna, was.id, 1); err != nil || item.Answer != nil && !bytes.Equal(item.Answer, was.answer) {
					rt.Errorf("replica %d answers the row of %s otherwise (%v)", i, was.id, err)
				}
			}
			for _, c := range changes {
				a, err := d.AssessKnown(anna, []byte(rigText), c.at, false)
				if err != nil {
					rt.Fatal(err)
				}
				if got := status(a.Answer); got != c.says {
					rt.Errorf("as known at %v replica %d answers %q, want %q", c.at, i, got, c.says)
				}
			}
		}
	})
}

// TestImpactOverClockJump: what a change of law moves is looked into although the clock
// is set back, or on, before anybody does.
func TestImpactOverClockJump(t *testing.T) {
	for _, by := range []time.Duration{-40 * 24 * time.Hour, -2 * time.Hour, 2 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			base := newAuditDesk(t, []byte(towingLaw))
			anna := who(t, saltmarshYard, "anna")
			base.pairUp(t, anna)
			d := watching(t, base.store, time.Minute, []byte(towingLaw))
			d.publish(t, saltmarshYard, []byte(couplingText))
			d.jump(by)
			if err := d.snapshots.Refresh(t.Context()); err != nil {
				t.Fatal(err)
			}
			d.run(t)
			page, err := d.Auditor.List(anna, "", 0)
			if err != nil || len(page.Items) != 1 || page.Items[0].State != service.AuditDone {
				t.Fatalf("%+v %v", page.Items, err)
			}
			hold(t, told(d.all(t, anna, page.Items[0].ID, service.AuditItemQuery{Moved: true})), []string{"P1 U2T1 non_compliant " + housed})
		})
	}
}

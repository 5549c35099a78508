package service_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"

	"drawgear/db/memory"
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

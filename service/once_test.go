package service_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/service"
)

// TestIdempotency: what a use case keeps within a step stands with the kept
// reply or not at all.
func TestIdempotency(t *testing.T) {
	store := memory.New(0)
	s := service.New(library(t, "1", "750"), service.InStep(store), func() time.Time { return noon })
	once := service.NewIdempotency(store)
	document := []byte(`{"jurisdiction":"ZZ"}`)
	assess := func(fail error) func(ctx context.Context) (service.Reply, error) {
		return func(ctx context.Context) (service.Reply, error) {
			a, err := s.Assess(ctx, document, true)
			if err != nil {
				return service.Reply{}, err
			}
			if _, err := s.Get(ctx, a.ID); err != nil {
				t.Errorf("not there within the step: %v", err)
			}
			return service.Reply{Status: 201, Location: a.ID}, fail
		}
	}
	count := func() int {
		page, err := s.List(local(t), service.Query{})
		if err != nil {
			t.Fatal(err)
		}
		return len(page.Items)
	}
	broken := errors.New("broken on the way")
	if _, _, err := once.Do(local(t), "k", [32]byte{1}, assess(broken)); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
	if n := count(); n != 0 {
		t.Errorf("a step that failed left %d records", n)
	}
	first, again, err := once.Do(local(t), "k", [32]byte{1}, assess(nil))
	if err != nil || again || count() != 1 {
		t.Fatalf("%v, again %v, %d records", err, again, count())
	}
	second, again, err := once.Do(local(t), "k", [32]byte{1}, assess(nil))
	if err != nil || !again || second.Location != first.Location || count() != 1 {
		t.Errorf("%v, again %v, %q then %q, %d records", err, again, first.Location, second.Location, count())
	}
	if _, _, err := once.Do(local(t), "k", [32]byte{2}, assess(nil)); !errors.Is(err, service.ErrKeyReused) {
		t.Errorf("another request under the key: %v", err)
	}
}

package service

import (
	"context"
	"errors"
	"testing"
	"time"
)

// TestRecentIsBounded: whatever comes, so many are remembered and no more, and
// failures are not.
func TestRecentIsBounded(t *testing.T) {
	var r recent[int, int]
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for i := range 2 * recentSize {
		v, err := r.get(t.Context(), i, now, func(context.Context) (int, error) { return -i, nil })
		if err != nil || v != -i {
			t.Fatalf("%d: %d, %v", i, v, err)
		}
		_, err = r.get(t.Context(), -1-i, now, func(context.Context) (int, error) { return 0, ErrNotFound })
		if !errors.Is(err, ErrNotFound) {
			t.Fatal(err)
		}
	}
	if len(r.entries) != recentSize {
		t.Errorf("%d are remembered, want %d", len(r.entries), recentSize)
	}
	for k := range r.entries {
		if k < 0 {
			t.Errorf("a failure is remembered")
		}
	}
}

package service_test

import (
	"testing"
	"time"

	"drawgear/service"
)

// TestLeaf: logs that exist are verified against this form, so it never changes.
func TestLeaf(t *testing.T) {
	r := service.Record{
		Summary: service.Summary{
			ID: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", CreatedAt: time.Date(2026, 11, 25, 23, 0, 0, 1_999, time.FixedZone("east", 11*3600)),
			Jurisdiction: "AU-NSW", AsOf: "2026-11-25", Verdict: "compliant", AnswerSHA256: "of the bytes, not of what is said here",
		},
		Rig: []byte("rig"), Answer: []byte(""), Engine: "1.0\né",
	}
	const start = "21:drawgear-assessment-1\n36:00000000-0000-0000-0000-000000000001\n26:ABCDEFGHIJKLMNOPQRSTUVWXYZ\n" +
		"27:2026-11-25T12:00:00.000001Z\n10:2026-11-25\n"
	const end = "6:1.0\né\n6:AU-NSW\n9:compliant\n" +
		"64:c00ae0a63348054ecc8343f23278fe13bfa5c44255e208ff6102ffc2d7910a53\n" +
		"64:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\n"
	if got, want := string(r.Leaf(service.DefaultTenant)), start+"0:\n"+end; got != want {
		t.Errorf("the leaf is\n%swant\n%s", got, want)
	}
	r.KnownAt = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	if got, want := string(r.Leaf(service.DefaultTenant)), start+"27:2025-01-01T00:00:00.000000Z\n"+end; got != want {
		t.Errorf("the leaf is\n%swant\n%s", got, want)
	}
}

// TestLeafIsOfOne: what moves from one field to the next makes another leaf.
func TestLeafIsOfOne(t *testing.T) {
	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	base := service.Record{Summary: service.Summary{ID: "A", CreatedAt: at, Jurisdiction: "GB", AsOf: "2026-11-25", Verdict: "compliant"}, Engine: "1"}
	seen := map[string]string{string(base.Leaf("T")): "itself", string(base.Leaf("U")): "another tenant"}
	for name, change := range map[string]func(r *service.Record){
		"id":           func(r *service.Record) { r.ID = "B" },
		"time":         func(r *service.Record) { r.CreatedAt = at.Add(time.Microsecond) },
		"day":          func(r *service.Record) { r.AsOf = "2026-11-24" },
		"known at":     func(r *service.Record) { r.KnownAt = at },
		"engine":       func(r *service.Record) { r.Engine = "2" },
		"jurisdiction": func(r *service.Record) { r.Jurisdiction = "AU" },
		"verdict":      func(r *service.Record) { r.Verdict = "undetermined" },
		"rig":          func(r *service.Record) { r.Rig = []byte("x") },
		"answer":       func(r *service.Record) { r.Answer = []byte("x") },
		"line within":  func(r *service.Record) { r.Engine, r.Jurisdiction = "1\n2:GB", "" },
		"line moved":   func(r *service.Record) { r.Engine, r.Jurisdiction = "1\n", "GB" },
	} {
		r := base
		change(&r)
		if other, taken := seen[string(r.Leaf("T"))]; taken {
			t.Errorf("another %s: the leaf is that of %s", name, other)
		}
		seen[string(r.Leaf("T"))] = name
	}
}

package service_test

import (
	"errors"
	"reflect"
	"regexp"
	"testing"
	"time"

	"drawgear/service"
)

func TestETag(t *testing.T) {
	v := service.Version{State: service.Draft, SHA256: "a", AuthoredBy: "first", CreatedAt: noon}
	if tag := v.ETag(); !regexp.MustCompile(`^"[0-9a-f]{32}"$`).MatchString(tag) {
		t.Errorf("%s is not an ETag of the form wanted", tag)
	}
	seen := map[string]string{v.ETag(): "itself"}
	for name, change := range map[string]func(v *service.Version){
		"state":        func(v *service.Version) { v.State = service.Approved },
		"text":         func(v *service.Version) { v.SHA256 = "b" },
		"author":       func(v *service.Version) { v.AuthoredBy = "second" },
		"approver":     func(v *service.Version) { v.ApprovedBy = "first" },
		"publisher":    func(v *service.Version) { v.PublishedBy = "first" },
		"time":         func(v *service.Version) { v.CreatedAt = noon.Add(time.Microsecond) },
		"publication":  func(v *service.Version) { v.PublishedAt = noon },
		"withdrawal":   func(v *service.Version) { v.WithdrawnAt = noon },
		"author moved": func(v *service.Version) { v.AuthoredBy, v.ApprovedBy = "", "first" },
	} {
		x := v
		change(&x)
		if other, taken := seen[x.ETag()]; taken {
			t.Errorf("another %s: the ETag is that of %s", name, other)
		}
		seen[x.ETag()] = name
	}
	// Stores differ in the zone and in what is below a microsecond, and lists
	// leave the document out.
	x := v
	x.Document, x.CreatedAt = []byte("x"), noon.Truncate(time.Microsecond).In(time.FixedZone("east", 3600))
	if x.ETag() != v.ETag() {
		t.Error("the ETag depends on the store")
	}
}

func TestMoved(t *testing.T) {
	v := service.Version{State: service.Draft, SHA256: "a", Document: []byte("x"), AuthoredBy: "first", CreatedAt: noon}
	all := service.Version{
		SHA256: "b", Document: []byte("y"), AuthoredBy: "other", ApprovedBy: "second", PublishedBy: "third",
		CreatedAt: noon.Add(1), PublishedAt: noon.Add(2), WithdrawnAt: noon.Add(3), Reason: "wrong",
	}
	want := v
	for _, state := range []service.State{service.Approved, service.Published, service.Withdrawn} {
		all.State, want.State = state, state
		switch state {
		case service.Approved:
			want.ApprovedBy = "second"
		case service.Published:
			want.PublishedBy, want.PublishedAt = "third", noon.Add(2)
		case service.Withdrawn:
			want.WithdrawnAt, want.Reason = noon.Add(3), "wrong"
		}
		if _, err := v.Moved(`"x"`, v.State, all); !errors.Is(err, service.ErrStale) {
			t.Errorf("to %s for another tag: %v, want ErrStale", state, err)
		}
		next, err := v.Moved(v.ETag(), v.State, all)
		if err != nil || !reflect.DeepEqual(next, want) {
			t.Errorf("to %s: %+v (%v), want %+v", state, next, err, want)
		}
		if _, err := next.Moved(next.ETag(), v.State, all); !errors.Is(err, service.ErrState) {
			t.Errorf("to %s again: %v, want ErrState", state, err)
		}
		v = next
	}
	for _, state := range []service.State{"", service.Draft, service.Withdrawn} {
		all.State = state
		if _, err := v.Moved(v.ETag(), service.Withdrawn, all); !errors.Is(err, service.ErrState) {
			t.Errorf("from withdrawn to %q: %v, want ErrState", state, err)
		}
	}
}

package service_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/law"
	"drawgear/rules/rig"
	"drawgear/service"
)

// yard is the law of a place that is not.
const yard = `
ruleset: zz-light-trailers
version: VERSION
title: Light trailers in Zz
jurisdiction: ZZ
effective: {from: 2014-07-01}
reviewed: 2026-11-25
sources:
  - {id: zz-code, title: Code, publisher: State of Zz, published: undated, kind: regulation, checked: {how: text, on: 2026-11-25}}
rules:
  - id: zz.brakes
    says: Over LIMIT kg every trailer is braked.
    when: trailer.rated.axles > kg(LIMIT)
    oblige: {service_brakes: {required: true}}
    cite: {source: zz-code, clause: "1", how: text, confidence: high}
`

// library makes a book of the yard's law.
func library(t *testing.T, version, limit string) *rules.Book {
	t.Helper()
	text := regexp.MustCompile("LIMIT").ReplaceAllString(regexp.MustCompile("VERSION").ReplaceAllString(yard, version), limit)
	rs, err := law.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	book, err := rules.NewBook([]*law.Ruleset{rs})
	if err != nil {
		t.Fatal(err)
	}
	return book
}

// local is the context of the default caller.
func local(t *testing.T) context.Context { return service.WithCaller(t.Context(), service.Local()) }

func at(now time.Time) func() time.Time { return func() time.Time { return now } }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 999_999_999, time.UTC)

func answer(t testing.TB, a service.Assessment) rules.Answer {
	t.Helper()
	var out rules.Answer
	if err := json.Unmarshal(a.Answer, &out); err != nil {
		t.Fatalf("read the answer: %v", err)
	}
	return out
}

func TestTodayIsUTC(t *testing.T) {
	// 23:30 on the 24th in UTC, already the 25th where the clock is.
	east := time.Date(2026, 11, 25, 10, 30, 0, 0, time.FixedZone("east", 11*3600))
	for rigText, want := range map[string]string{
		`{"jurisdiction":"ZZ"}`:                      "2026-11-24",
		`{"jurisdiction":"ZZ","as_of":"2020-02-29"}`: "2020-02-29",
	} {
		s := service.New(library(t, "1", "750"), memory.New(0), at(east))
		a, err := s.Assess(local(t), []byte(rigText), false)
		if err != nil {
			t.Fatal(err)
		}
		if got := answer(t, a).AsOf; got != want {
			t.Errorf("%s is answered for %s, want %s", rigText, got, want)
		}
		a, err = s.Assess(local(t), []byte(rigText), true)
		if err != nil {
			t.Fatal(err)
		}
		if line, err := a.Encode(); err != nil || !bytes.Contains(line, []byte(`"created_at":"2026-11-24T23:30:00Z"`)) {
			t.Errorf("the time is not that of UTC: %.100s (%v)", line, err)
		}
	}
}

func TestEncode(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	document := []byte("{ \"jurisdiction\" : \"ZZ\",\n\"driver\":{\"licence\":\"<C & D>\"} }")
	var first []byte
	for range 3 {
		a, err := s.Assess(local(t), document, false)
		if err != nil {
			t.Fatal(err)
		}
		line, err := a.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = line
		}
		if !bytes.Equal(line, first) {
			t.Errorf("the same question gave\n%s\nthen\n%s", first, line)
		}
	}
	if want := `{"rig":{"jurisdiction":"ZZ","driver":{"licence":"<C & D>"}},"answer":{"jurisdiction":"ZZ",`; !bytes.HasPrefix(first, []byte(want)) {
		t.Errorf("it starts %.120s, want %s", first, want)
	}
	if bytes.Count(first, []byte("\n")) != 1 || !bytes.HasSuffix(first, []byte("}\n")) {
		t.Error("it is not one line")
	}
	// Another writer of the same fields says the same.
	for _, record := range []bool{false, true} {
		a, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), record)
		if err != nil {
			t.Fatal(err)
		}
		line, err := a.Encode()
		if err != nil {
			t.Fatal(err)
		}
		want, err := json.Marshal(a)
		if err != nil || string(line) != string(want)+"\n" {
			t.Errorf("it is\n%swant\n%s (%v)", line, want, err)
		}
	}
}

func TestRefused(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	for rigText, pointer := range map[string]string{`{`: "", `{}`: "/jurisdiction", `{"jurisdiction":"ZZ","x":1}`: "/x"} {
		_, err := s.Assess(local(t), []byte(rigText), true)
		if issues, ok := rig.AsIssues(err); !ok || issues[0].Pointer != pointer {
			t.Errorf("%s is refused with %v, want an issue at %q", rigText, err, pointer)
		}
	}
	_, err := s.Assess(local(t), []byte(`{"jurisdiction":"YY"}`), true)
	var place *rules.UnknownJurisdiction
	if !errors.As(err, &place) || place.Code != "YY" {
		t.Errorf("a place without law is refused with %v", err)
	}
	if page, err := s.List(local(t), service.Query{}); err != nil || len(page.Items) != 0 {
		t.Errorf("what was refused was kept: %v, %v", page, err)
	}
}

// TestReplay: law that has changed since then does not change what was said
// then, and law that changed in silence is found out.
func TestReplay(t *testing.T) {
	store := memory.New(0)
	document := []byte(`{"jurisdiction":"ZZ","trailer":{"rated":{"axles":"800 kg"},"brakes":{"kind":"none"}}}`)
	kept, err := service.New(library(t, "1", "750"), store, at(noon)).Assess(local(t), document, true)
	if err != nil {
		t.Fatal(err)
	}
	if kept.Verdict != rules.NonCompliant {
		t.Fatalf("verdict %s, want %s: the test has lost its point", kept.Verdict, rules.NonCompliant)
	}
	both := func(t *testing.T) *rules.Book {
		book, err := rules.NewBook(append(library(t, "1", "750").Rulesets(), library(t, "2", "1000").Rulesets()...))
		if err != nil {
			t.Fatal(err)
		}
		return book
	}
	later := at(noon.AddDate(1, 0, 0))
	for name, book := range map[string]*rules.Book{"the same law": library(t, "1", "750"), "a newer version beside it": both(t)} {
		r, err := service.New(book, store, later).Replay(local(t), kept.ID)
		if err != nil || !r.Same || !bytes.Equal(r.Answer, kept.Answer) {
			t.Errorf("%s: same %v, %v", name, r.Same, err)
		}
	}
	now, err := service.New(both(t), store, later).Assess(local(t), document, false)
	if err != nil || now.Verdict == rules.NonCompliant {
		t.Errorf("asked today under version 2, the verdict is %s (%v)", now.Verdict, err)
	}
	for name, book := range map[string]*rules.Book{"only a newer version": library(t, "2", "750"), "another text": library(t, "1", "751")} {
		if _, err := service.New(book, store, later).Replay(local(t), kept.ID); !errors.Is(err, service.ErrRulesetUnavailable) {
			t.Errorf("%s: %v, want ErrRulesetUnavailable", name, err)
		}
	}
}

// TestReplayTellsDifference: an answer that was recorded otherwise is not the
// same.
func TestReplayTellsDifference(t *testing.T) {
	store := memory.New(0)
	s := service.New(library(t, "1", "750"), store, at(noon))
	kept, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), true)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := store.Get(local(t), kept.ID)
	if err != nil {
		t.Fatal(err)
	}
	rec.ID = service.RandomID()
	rec.Answer = bytes.Replace(rec.Answer, []byte(`"undetermined"`), []byte(`"compliant"`), 1)
	if err := store.Put(local(t), rec); err != nil {
		t.Fatal(err)
	}
	r, err := s.Replay(local(t), rec.ID)
	if err != nil || r.Same || r.RecordedSHA256 == r.ReplayedSHA256 || !bytes.Equal(r.Answer, kept.Answer) {
		t.Errorf("same %v, %s and %s, %v", r.Same, r.RecordedSHA256, r.ReplayedSHA256, err)
	}
}

func TestKept(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	seen := map[string]bool{}
	for range 50 {
		a, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), true)
		if err != nil {
			t.Fatal(err)
		}
		if seen[a.ID] || !regexp.MustCompile(`^[A-Z2-7]{26}$`).MatchString(a.ID) {
			t.Fatalf("id %q is taken or of another form", a.ID)
		}
		seen[a.ID] = true
		if want := noon.Truncate(time.Microsecond); !a.CreatedAt.Equal(want) {
			t.Errorf("created at %v, want %v", a.CreatedAt, want)
		}
		got, err := s.Get(local(t), a.ID)
		if err != nil || !bytes.Equal(got.Rig, a.Rig) || !bytes.Equal(got.Answer, a.Answer) || !got.CreatedAt.Equal(a.CreatedAt) || got.Verdict != a.Verdict {
			t.Errorf("got %+v (%v), want %+v", got, err, a)
		}
	}
	// Kept in one instant, they are still paged one after the other.
	var listed int
	q := service.Query{Limit: 7}
	for range 20 {
		page, err := s.List(local(t), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, it := range page.Items {
			if !seen[it.ID] {
				t.Errorf("%s is listed twice or was never kept", it.ID)
			}
			delete(seen, it.ID)
			listed++
		}
		if q.Cursor = page.Next; q.Cursor == "" {
			break
		}
	}
	if listed != 50 {
		t.Errorf("%d are listed, want 50", listed)
	}
	if _, err := s.Get(local(t), "A"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("what is not there: %v", err)
	}
	if _, err := s.Replay(local(t), "A"); !errors.Is(err, service.ErrNotFound) {
		t.Errorf("replay of what is not there: %v", err)
	}
}

func TestListLimits(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	for range service.MaxLimit + 2 {
		if _, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), true); err != nil {
			t.Fatal(err)
		}
	}
	for limit, want := range map[int]int{0: service.DefaultLimit, 1: 1, 100: 100, 1000: service.MaxLimit} {
		page, err := s.List(local(t), service.Query{Limit: limit})
		if err != nil || len(page.Items) != want || page.Next == "" {
			t.Errorf("limit %d gives %d, next %q (%v), want %d and more", limit, len(page.Items), page.Next, err, want)
		}
	}
}

func TestCursor(t *testing.T) {
	s := service.New(library(t, "1", "750"), memory.New(0), at(noon))
	enc := base64.RawURLEncoding.EncodeToString
	for _, text := range []string{
		"A", "!!!!", "====", enc([]byte("5")), enc([]byte(".A")), enc([]byte("x.A")), enc([]byte("05.A")), enc([]byte("+5.A")),
		enc([]byte("99999999999999999999.A")), enc([]byte("5.A")) + "=", "\xff",
	} {
		if _, err := s.List(local(t), service.Query{Cursor: text}); !errors.Is(err, service.ErrCursor) {
			t.Errorf("cursor %q: %v, want ErrCursor", text, err)
		}
	}
	if _, err := s.List(local(t), service.Query{Cursor: enc([]byte("5.A"))}); err != nil {
		t.Errorf("a well-formed cursor: %v", err)
	}
}

// away is a store that cannot be reached.
type away struct{ service.Store }

func (away) Put(context.Context, service.Record) error { return errAway }
func (away) Status(context.Context) (service.StoreStatus, error) {
	return service.StoreStatus{Kind: "postgres", Available: true, Durable: true}, errAway
}

var errAway = fmt.Errorf("dial: %w", service.ErrUnavailable)

func TestStoreAway(t *testing.T) {
	s := service.New(library(t, "1", "750"), away{}, at(noon))
	if _, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), true); !errors.Is(err, service.ErrUnavailable) {
		t.Errorf("keeping fails with %v, want ErrUnavailable", err)
	}
	if _, err := s.Assess(local(t), []byte(`{"jurisdiction":"ZZ"}`), false); err != nil {
		t.Errorf("an answer that is not kept fails with %v", err)
	}
	if r := s.Ready(local(t)); r.Ready || r.Store.Available || r.Store.Kind != "postgres" || r.Held.Rulesets != 1 {
		t.Errorf("ready is %+v", r)
	}
}

func TestLibrary(t *testing.T) {
	book, err := rules.NewBook(append(library(t, "1", "750").Rulesets(), library(t, "2", "1000").Rulesets()...))
	if err != nil {
		t.Fatal(err)
	}
	s := service.New(book, memory.New(0), at(noon))
	page, err := s.Rulesets(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	all := page.Items
	if len(all) != 1 || all[0].ID != "zz-light-trailers" || len(all[0].Versions) != 2 || all[0].Versions[1].Version != 2 || all[0].Jurisdiction != "ZZ" {
		t.Errorf("rulesets are %+v", all)
	}
	v, err := s.RulesetVersion(t.Context(), "zz-light-trailers", 2)
	if err != nil || v.SHA256 != all[0].Versions[1].SHA256 || !bytes.Contains(v.Document, []byte("kg(1000)")) {
		t.Errorf("version 2 is %s (%v)", v.Document, err)
	}
	if r := s.Ready(local(t)); !r.Ready || r.Held != (service.Held{Jurisdictions: 1, Rulesets: 1}) {
		t.Errorf("ready is %+v", r)
	}
	for name, get := range map[string]func() error{
		"jurisdiction": func() error { _, err := s.Jurisdiction(t.Context(), "YY"); return err },
		"ruleset":      func() error { _, err := s.Ruleset(t.Context(), "yy"); return err },
		"version":      func() error { _, err := s.RulesetVersion(t.Context(), "zz-light-trailers", 3); return err },
		"source":       func() error { _, err := s.Source(t.Context(), "yy"); return err },
	} {
		if err := get(); !errors.Is(err, service.ErrNotFound) {
			t.Errorf("a %s that is not there: %v, want ErrNotFound", name, err)
		}
	}
}

package api_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"testing"

	"drawgear/api"
	"drawgear/db/memory"
	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/service"
	"drawgear/testdata"
)

// TestBoundaryCases sends every boundary case, each with its published source,
// over HTTP, and asks the service and the rules the same: the answer must be
// the expected one, and the three must agree to the byte.
func TestBoundaryCases(t *testing.T) {
	checks, err := cases.Load(testdata.Cases, "cases/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b, h := book(t), newServer(t)
	s := service.New(b, memory.New(0), clock)
	for _, c := range checks {
		document, err := json.Marshal(c.Document())
		if err != nil {
			t.Fatal(err)
		}
		answer, err := c.Assess(b)
		if err != nil {
			t.Error(err)
			continue
		}
		byRules, err := json.Marshal(answer)
		if err != nil {
			t.Fatal(err)
		}
		byService, err := s.Assess(t.Context(), document, false)
		if err != nil {
			t.Errorf("%s: the service: %v", c.Name, err)
			continue
		}
		reply := call(t, h, "POST", "/v1/assessments?record=false", string(document)).Body
		var byHTTP struct{ Answer json.RawMessage }
		if err := json.Unmarshal(reply, &byHTTP); err != nil {
			t.Errorf("%s: %v in %s", c.Name, err, reply)
			continue
		}
		if !bytes.Equal(byRules, byService.Answer) || !bytes.Equal(byRules, byHTTP.Answer) {
			t.Errorf("%s: rules, service and HTTP differ", c.Name)
		}
		var read rules.Answer
		if err := json.Unmarshal(byHTTP.Answer, &read); err != nil {
			t.Fatal(err)
		}
		for _, d := range c.Compare(&read) {
			t.Errorf("%s (%s): %s", c.Name, c.Jurisdiction, d)
		}
	}
}

// TestTripOverHTTP: the strictest of the places is asked, each place answers,
// and with an idempotency key a repeat keeps nothing more.
func TestTripOverHTTP(t *testing.T) {
	store := memory.New(0)
	h := api.New(api.Config{Service: service.New(book(t), service.InStep(store), clock), Once: service.NewIdempotency(store)})
	rig := `{"jurisdiction":"AU-NSW","as_of":"2026-11-25","trailer":{"axle_count":2,"built":"2024-06-01","rated":{"total":"2400 kg","axles":"2200 kg"},"laden":{"total":"2300 kg"},"brakes":{"kind":"overrun","braked_axles":1}}}`
	key := header{"Idempotency-Key", "trip-1"}
	first := call(t, h, "POST", "/v1/trips?through=AU-NSW,NZ", rig, key)
	second := call(t, h, "POST", "/v1/trips?through=AU-NSW,NZ", rig, key)
	if first.Status != http.StatusOK || !bytes.Equal(first.Body, second.Body) || second.Header.Get("Idempotency-Replayed") != "true" {
		t.Fatalf("status %d, then %d: %s", first.Status, second.Status, first.Body)
	}
	got := decode[service.TripAssessment](t, first)
	page := decode[service.Page[service.Summary]](t, call(t, h, "GET", "/v1/assessments", ""))
	if len(got.Kept) != 2 || len(page.Items) != 2 {
		t.Errorf("kept %v, listed %d", got.Kept, len(page.Items))
	}
	for target, status := range map[string]int{
		"/v1/trips?through=AU-NSW,XX": http.StatusUnprocessableEntity,
		"/v1/trips?through=":          http.StatusBadRequest,
		"/v1/trips?through=AU-NSW,":   http.StatusBadRequest,
		"/v1/trips":                   http.StatusBadRequest,
	} {
		if r := call(t, h, "POST", target, rig); r.Status != status {
			t.Errorf("%s: status %d, want %d: %s", target, r.Status, status, r.Body)
		}
	}
}

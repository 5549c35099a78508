package service_test

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	"drawgear/db/memory"
	"drawgear/rules"
	shipped "drawgear/rules/library"
	"drawgear/service"
)

// TestTrip takes a Saltmarsh Yard float from New South Wales to Victoria and
// New Zealand: every place answers, and what is kept replays.
func TestTrip(t *testing.T) {
	book, err := shipped.Book()
	if err != nil {
		t.Fatal(err)
	}
	s := service.New(book, memory.New(0), func() time.Time { return noon })
	document := []byte(`{ "jurisdiction": "GB", "trailer": {"axle_count": 2, "built": "2024-06-01", "rated": {"axles": "2200 kg", "total": "2400 kg"},
		"laden": {"total": "2300 kg"}, "brakes": {"kind": "overrun", "braked_axles": 1}} }`)
	places := []string{"AU-NSW", "AU-VIC", "NZ"}
	out, err := s.Trip(local(t), document, places, true)
	if err != nil {
		t.Fatal(err)
	}
	var trip rules.Trip
	if err := json.Unmarshal(out.Trip, &trip); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range trip.Places {
		got = append(got, p.Jurisdiction)
	}
	if !slices.Equal(got, places) || len(out.Kept) != 3 {
		t.Fatalf("places %v, kept %v", got, out.Kept)
	}
	// Australia asks for brakes on all wheels over 2 t GTM, New Zealand on one
	// axle: both together ask for all.
	for _, x := range trip.Asks {
		if x.Question == "service_brakes.wheels" && x.Value != "all" {
			t.Errorf("wheels: %+v", x)
		}
	}
	for i, id := range out.Kept {
		a, err := s.Get(local(t), id)
		if err != nil {
			t.Fatal(err)
		}
		if answer(t, a).Jurisdiction != places[i] {
			t.Errorf("kept %s of %s", answer(t, a).Jurisdiction, places[i])
		}
		again, err := s.Replay(local(t), id)
		if err != nil || !again.Same {
			t.Errorf("replay: %v, same %v", err, again.Same)
		}
	}
	var unknown *rules.UnknownJurisdiction
	if _, err := s.Trip(local(t), document, []string{"AU-NSW", "XX"}, true); !errors.As(err, &unknown) {
		t.Errorf("a place without law: %v", err)
	}
	page, err := s.List(local(t), service.Query{})
	if err != nil || len(page.Items) != 3 {
		t.Errorf("%d kept after a refusal, %v", len(page.Items), err)
	}
}

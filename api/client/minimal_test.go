package client_test

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"testing"

	"drawgear/api"
	"drawgear/api/client"
	"drawgear/db/memory"
	"drawgear/service"
)

// TestMinimal: the answers in little have what the whole ones say.
func TestMinimal(t *testing.T) {
	rig, err := os.ReadFile("../../testdata/rigs/horse-float.json")
	if err != nil {
		t.Fatal(err)
	}
	h := openService(t)
	server := httptest.NewServer(h)
	defer server.Close()
	c, err := client.New(server.URL, client.Options{})
	if err != nil {
		t.Fatal(err)
	}
	no := client.Record(false)
	quick, err := c.AssessMinimal(t.Context(), &client.CreateAssessmentParams{Record: &no}, rig)
	if err != nil || quick.ID != nil {
		t.Fatalf("%+v, %v", quick, err)
	}
	kept, err := c.AssessMinimal(t.Context(), nil, rig)
	if err != nil || kept.ID == nil {
		t.Fatalf("%+v, %v", kept, err)
	}
	read, err := c.GetAssessmentMinimal(t.Context(), *kept.ID)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := c.GetAssessmentWithResponse(t.Context(), *kept.ID)
	if err != nil || whole.JSON200 == nil {
		t.Fatalf("the whole: %v", err)
	}
	trip, err := c.TripMinimal(t.Context(), &client.CreateTripParams{Through: "AU-NSW", Record: &no}, rig)
	if err != nil || len(trip.Trip.Places) != 1 {
		t.Fatalf("%+v, %v", trip, err)
	}
	for name, a := range map[string]client.MinimalAnswer{"not kept": quick.Answer, "kept": kept.Answer, "read": read.Answer, "of the trip": trip.Trip.Places[0]} {
		if a.Verdict != whole.JSON200.Answer.Verdict || len(a.Findings) == 0 || len(a.Rulesets) != len(whole.JSON200.Answer.Rulesets) {
			t.Errorf("%s: %+v", name, a)
		}
	}
	if _, err := c.AssessMinimal(t.Context(), nil, []byte("{}")); !errors.Is(err, client.ProblemInvalidRig) {
		t.Errorf("no rig: %v", err)
	}
	// A service that takes no notice of what is preferred.
	deaf := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Header.Del("Prefer")
		h.ServeHTTP(w, r)
	}))
	defer deaf.Close()
	if c, err = client.New(deaf.URL, client.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := c.AssessMinimal(t.Context(), &client.CreateAssessmentParams{Record: &no}, rig); !errors.Is(err, client.ErrWhole) {
		t.Errorf("the whole: %v", err)
	}
}

// openService is one without keys.
func openService(t testing.TB) http.Handler {
	t.Helper()
	return api.New(api.Config{Service: service.New(book(t), memory.New(0), clock)})
}

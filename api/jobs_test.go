package api_test

import (
	"os"
	"path/filepath"
	"testing"
)

// TestJobs takes the jobs of testdata/jobs, which the README shows, from the
// plan to the hand-over record.
func TestJobs(t *testing.T) {
	read := func(name string) string {
		text, err := os.ReadFile(filepath.Join("..", "testdata", "jobs", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	h := newServer(t)
	for job, electrical := range map[string]string{"light-float": "no", "boat-trailer": "yes"} {
		t.Run(job, func(t *testing.T) {
			r := wantStatus(t, "plan", call(t, h, "POST", "/v1/fittings", read(job+".json")), 201)
			at := r.Header.Get("Location")
			planned := decode[struct {
				Plan struct{ Electrical struct{ Needed string } }
			}](t, r)
			if got := planned.Plan.Electrical.Needed; got != electrical {
				t.Errorf("something electrical is needed: %s, want %s", got, electrical)
			}
			wantProblem(t, "signed before it is proven", call(t, h, "POST", at+"/sign-off", read(job+"-sign-off.json"), match(r)), 409, "not-proven")
			r = wantStatus(t, "proofs", call(t, h, "POST", at+"/proofs", read(job+"-proofs.json")), 201)
			if state := decode[struct{ State string }](t, r).State; state != "proven" {
				t.Fatalf("the job is %s: %s", state, r.Body)
			}
			r = wantStatus(t, "sign-off", call(t, h, "POST", at+"/sign-off", read(job+"-sign-off.json"), match(r)), 200)
			wantProblem(t, "measured after it was signed", call(t, h, "POST", at+"/proofs", read(job+"-proofs.json")), 409, "fitting-signed")
			for _, kind := range []string{"application/json", "text/html", "application/pdf"} {
				if got := wantStatus(t, kind, call(t, h, "GET", at+"/record", "", header{"Accept", kind}), 200); len(got.Body) < 10_000 {
					t.Errorf("the record as %s has %d bytes", kind, len(got.Body))
				}
			}
		})
	}
}
